"""Inputs over the tolerances of their parts: every corner, and as many random draws as wanted, in one
netlist.

A block is put into the netlist once for each set of values, each copy with nets and sources of its own; one
operating point then gives all of them. Draws are even between the limits, which is harsher than a bell curve.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from skidwright.rig.circuit.model import Block, Circuit, CircuitPart
from skidwright.rig.front_end import analog_inputs, netlists

from ..front_end.parts import FrontEnd
from .spice import MODELS, node, part_lines

Values = dict[str, float]


@dataclass(frozen=True)
class Case:
    """One input in one situation: its block, what varies besides its parts, what is around it, what is read.

    `around` gives the lines outside the block for a copy (nets by their names, values drawn), `others` are
    the limits of values that belong to no part, `reading` turns the copy's voltage at `net` into the figure.
    """

    name: str
    unit: str
    block: str
    net: str
    around: Callable[[Callable[[str], str], Values], list[str]]
    others: dict[str, tuple[float, float]]
    limits: dict[str, tuple[float, float]]  # of parts whose limits are not their tolerance
    leave_out: tuple[str, ...] = ()
    reading: Callable[[float, Values], float] = lambda volts, _: volts * 1000


def _spread(block: Block, case: Case) -> dict[str, tuple[float, float]]:
    found = dict(case.others)
    for p in block.parts:
        if p.ref in case.leave_out:
            continue
        if p.ref in case.limits:
            found[p.ref] = case.limits[p.ref]
        elif p.tolerance and p.kind in ("resistor", "zener"):
            found[p.ref] = (p.value * (1 - p.tolerance / 100), p.value * (1 + p.tolerance / 100))
    return found


def corners(spread: dict[str, tuple[float, float]]) -> list[Values]:
    """Every corner of the limits."""
    return [dict(zip(spread, values, strict=True)) for values in itertools.product(*spread.values())]


def draws(spread: dict[str, tuple[float, float]], count: int, seed: int) -> list[Values]:
    """Random values, even between the limits."""
    dice = random.Random(seed)
    return [{name: dice.uniform(*limits) for name, limits in spread.items()} for _ in range(count)]


def _copy(block: Block, case: Case, n: int, values: Values, front_end: FrontEnd) -> list[str]:
    def own(net: str) -> str:
        return net if net in ("zero_volts", "") else f"{net}.c{n}"

    lines = []
    for p in block.parts:
        if p.ref in case.leave_out:
            continue
        part = CircuitPart(
            f"{p.ref}c{n}", p.kind, {k: own(v) for k, v in p.pins.items()}, p.value, 0.0, p.bears, p.item
        )
        lines += part_lines(replace(part, value=values.get(p.ref, p.value)), front_end)
    return lines + [f"{x}" for x in case.around(lambda net: node(own(net)), values | {"copy": n})]


def run(circuit: Circuit, front_end: FrontEnd, case: Case, sets: list[Values]) -> list[float]:
    """The figure of a case for each set of values. Raises RigError when ngspice is missing or fails."""
    (block,) = circuit.only(case.block).blocks
    lines = [f"* {case.name}, {len(sets)} sets of values"]
    for n, values in enumerate(sets):
        lines += _copy(block, case, n, values, front_end)
    prints = [f"print v({node(f'{case.net}.c{n}')})" for n in range(len(sets))]
    deck = [
        *lines,
        MODELS.rstrip(),
        ".options itl1=1000",
        ".control",
        "op",
        *prints,
        "quit",
        ".endc",
        ".end",
        "",
    ]
    found = netlists.run("\n".join(deck))
    return [case.reading(found[f"v({node(f'{case.net}.c{n}')})"], values) for n, values in enumerate(sets)]


def spread_of(circuit: Circuit, case: Case) -> dict[str, tuple[float, float]]:
    """Limits of everything that varies in a case."""
    (block,) = circuit.only(case.block).blocks
    return _spread(block, case)


def cases(circuit: Circuit, p: FrontEnd) -> list[Case]:
    """The inputs in the situations that decide."""
    logic = (
        p.comparator.supply_mv / 1000 * (1 - p.comparator.supply_tolerance_percent / 100),
        p.comparator.supply_mv / 1000 * (1 + p.comparator.supply_tolerance_percent / 100),
    )
    ref = {b.signal: b.parts[0].ref[:-2] for b in circuit.blocks if b.signal}

    def part(signal: str, own: str) -> str:
        return own[0] + ref[signal][1:] + own[1:]

    shunt = p.loop_input.shunt_tolerance_percent + p.loop_input.shunt_drift_ppm_k * (
        p.loop_input.temperature_change_k * 1e-4
    )
    shunt_limits = tuple(p.loop_input.shunt_ohm * (1 + s * shunt / 100) for s in (-1, 1))
    loops = [
        Case(
            f"{signal} at {ma:g} mA",
            "mV",
            f"loop_input:{signal}",
            pin,
            lambda own, v, s=signal, a=ma: [  # type: ignore[misc]
                f"i{v['copy']:g} 0 {own(s)} {a:g}m",
                f"vr{v['copy']:g} {own('v3v3')} 0 3.3",
            ],
            {},
            {part(signal, "R02"): (shunt_limits[0], shunt_limits[1])},
        )
        for signal, pin in (("water_loop", "gp26"), ("temp_loop", "gp27"))
        for ma in (4.0, 20.0)
    ]

    def pulse(own: Callable[[str], str], v: Values) -> list[str]:
        return [f"vr{v['copy']:g} {own('v3v3')} 0 {v['logic']:g}"]

    def pulse_low(own: Callable[[str], str], v: Values) -> list[str]:
        return [*pulse(own, v), f"vo{v['copy']:g} {own('gp8')} 0 {v['low']:g}"]

    input_parts = tuple(part("flow_meter", x) for x in ("R01", "D01", "R02", "C01", "D02", "U01", "C02"))
    low = {"low": (0.0, p.comparator.output_low_max_mv / 1000)}
    pulses = [
        Case(
            "rising threshold",
            "mV",
            "comparator:flow_meter",
            "flow_meter.ref",
            pulse,
            {"logic": logic},
            {},
            input_parts,
        ),
        Case(
            "falling threshold",
            "mV",
            "comparator:flow_meter",
            "flow_meter.ref",
            pulse_low,
            {"logic": logic} | low,
            {},
            input_parts,
        ),
    ]

    def contact(volts: float) -> Callable[[Callable[[str], str], Values], list[str]]:
        return lambda own, v: [
            f"vr{v['copy']:g} {own('v3v3')} 0 {v['logic']:g}",
            f"vi{v['copy']:g} {own('stop_chain')} 0 {volts:g}",
        ]

    o = p.optocoupler
    zener = {part("stop_chain", "D01"): (o.zener_min_v, o.zener_max_v)}
    worn = {part("stop_chain", "U01"): (o.transfer_min * o.ageing, o.transfer_max)}
    contacts = [
        Case(
            f"contact input at {volts:g} V", "mV", "optocoupler:stop_chain", "gp9", contact(volts),
            {"logic": logic}, zener | worn,
        )
        for volts in (5.0, 15.0)
    ]  # fmt: skip
    t = p.thermistor

    def ohm(celsius: float) -> float:
        return analog_inputs.resistance_ohm(t, celsius)

    def warm(celsius: float) -> Callable[[Callable[[str], str], Values], list[str]]:
        return lambda own, v: [
            f"vr{v['copy']:g} {own('v3v3')} 0 3.3",
            f"va{v['copy']:g} {own('adc_reference')} 0 3.3",
            f"rt{v['copy']:g} {own('temp_thermistor')} 0 {v['sensor'] * ohm(celsius):g}",
        ]

    def kelvin(celsius: float) -> Callable[[float, Values], float]:
        def error(volts: float, _: Values) -> float:
            share = volts / 3.3
            read = t.pull_ohm * share / (1 - share) - t.series_ohm
            return analog_inputs.temperature_c(t, read) - celsius

        return error

    sensor = {"sensor": (1 - t.tolerance_percent / 100, 1 + t.tolerance_percent / 100)}
    warmth = [
        Case(
            f"thermistor's error at {c:g} degC, parts alone", "K", "thermistor:temp_thermistor", "gp28",
            warm(c), sensor, {}, reading=kelvin(c),
        )
        for c in (t.low_c, t.high_c)
    ]  # fmt: skip
    return [*loops, *pulses, *contacts, *warmth]
