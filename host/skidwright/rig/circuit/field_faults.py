"""24 V straight on each terminal that leads out of the box: what each part behind it then bears.

A terminal is tried with its resettable fuses cold, as in the first moment, and tripped, as for hours; an
output also with its pin high. Steady state in ngspice; the parts' ratings are `bears` of circuit.toml.
"""

from __future__ import annotations

from dataclasses import dataclass

from skidwright.rig.circuit.model import Circuit, CircuitPart
from skidwright.rig.front_end import netlists

from ..front_end.parts import FrontEnd
from ..wiring.model import OTHER_CONDUCTORS, Wiring
from .spice import MODELS, node, part_lines

# Wirewound resistors bear this times their rating for the second or so until a resettable fuse trips, and a
# tripped fuse settles at about this power (both taken).
FIRST_MOMENT = 15.0
TRIPPED_W = 0.8
PIN_LEAST_V, PIN_MOST_V = -0.5, 3.8  # RP2040 datasheet, absolute maximum ratings, at a supply of 3.3 V
LED_MOST_A, LED_LEAST_V = 0.05, -5.0  # of an optocoupler's diode, generic: taken


@dataclass(frozen=True)
class Stress:
    """How much of what it bears a part takes in one case; above 1.0 it does not last."""

    terminal: str
    case: str
    part: str
    what: str
    share: float


def tried_terminals(wiring: Wiring) -> dict[str, str]:
    """Terminal by net for every net that leads out of the box and is no supply, return, earth or screen."""
    supplies = {s.name for s in wiring.supplies} | set(OTHER_CONDUCTORS)
    return {
        t.carries: f"{c.id}.{t.number}"
        for c in wiring.connectors
        if c.place != "inside"
        for t in c.terminals
        if t.carries not in supplies
    }


def behind(circuit: Circuit, net: str) -> list[CircuitPart]:
    """The parts that a current from a net can reach: through parts, but not through supplies and returns."""
    stop = {
        "zero_volts",
        "v3v3",
        "v5",
        "v24",
        "v24_pump",
        "v24_valve",
        "v24_lamp",
        "adc_reference",
        "pump_fused",
        "",
    }
    parts = [p for p in circuit.parts if p.kind != "board"]
    reached, nets, left = [], {net}, list(parts)
    while found := [p for p in left if nets & set(p.pins.values())]:
        reached += found
        left = [p for p in left if p not in found]
        nets |= {n for p in found for n in p.pins.values()} - stop
    return reached


def netlist(parts: list[CircuitPart], net: str, front_end: FrontEnd, tripped: bool, pins_high: bool) -> str:
    """Operating point with the supply at its highest on `net`; prints voltages and diode currents."""
    volts = front_end.loop_input.supply_volts * (1 + front_end.loop_input.supply_tolerance_percent / 100)
    lines = [f"* {volts:g} V on {net}"]
    diodes = []
    for p in parts:
        value = None
        if p.kind == "resettable_fuse" and tripped:
            value = volts * volts / TRIPPED_W
        made = part_lines(p, front_end, value)
        lines += made
        diodes += [x.split()[0] for x in made if x.startswith("d")]
    nets = sorted({n for p in parts for n in p.pins.values() if n})
    given = {"v3v3": 3.3, "v5": 5.0, "adc_reference": 3.3}
    given |= {n: volts for n in ("v24", "v24_pump", "v24_valve", "v24_lamp", "v24_logic")}
    lines += [f"vs_{n} {n} 0 {v:g}" for n, v in given.items() if n in nets and n != net]
    lines.append(f"vfault {node(net)} 0 {volts:g}")
    for n in nets:
        lines.append(f"rl_{node(n)} {node(n)} 0 100meg") if n != "zero_volts" else None
        if n.startswith("gp") and pins_high and net != n:
            lines.append(f"rhigh_{n} {n} high 60")
    if pins_high:
        lines.append("vhigh high 0 3.3")
    control = ["op", *(f"print v({node(n)})" for n in nets if n != "zero_volts")]
    control += [f"let i_{d} = @{d}[id]\nprint i_{d}" for d in diodes]
    if "v3v3" in nets:
        control.append("let rail_a = i(vs_v3v3)\nprint rail_a")
    return "\n".join(
        [*lines, MODELS.rstrip(), ".options itl1=1000", ".control", *control, "quit", ".endc", ".end", ""]
    )


def stresses(circuit: Circuit, wiring: Wiring, front_end: FrontEnd) -> list[Stress]:
    """Every stress of every case. Raises RigError when ngspice is missing or fails."""
    found = []
    outputs = {s.name for s in wiring.signals if s.function in ("output", "pwm")}
    for net, terminal in tried_terminals(wiring).items():
        parts = behind(circuit, net)
        if not parts:  # a net between devices alone
            continue
        fuses = any(p.kind == "resettable_fuse" for p in parts)
        highs = [False, True] if net in outputs or net.endswith("_lamp") else [False]
        for tripped in [False, True] if fuses else [False]:
            for high in highs:
                values = netlists.run(netlist(parts, net, front_end, tripped, high))
                case = ("fuse tripped" if tripped else "first moment" if fuses else "steady") + (
                    ", on" if high else ""
                )
                found += _of(parts, values, terminal, case, first=fuses and not tripped, front_end=front_end)
    return found


def _of(
    parts: list[CircuitPart],
    values: dict[str, float],
    terminal: str,
    case: str,
    first: bool,
    front_end: FrontEnd,
) -> list[Stress]:
    def volts(part: CircuitPart, pin: str) -> float:
        net = part.pins[pin]
        return 0.0 if net in ("zero_volts", "") else values[f"v({node(net)})"]

    def across(part: CircuitPart) -> float:
        a, b = list(part.pins)[:2]
        return abs(volts(part, a) - volts(part, b))

    found = []

    def add(part: str, what: str, share: float) -> None:
        found.append(Stress(terminal, case, part, what, share))

    for p in parts:
        ref = p.ref.lower()
        if p.kind == "resistor":
            fused = first and p.item in ("LOOP_BALLAST", "LAMP_R")
            add(p.ref, "power", across(p) ** 2 / p.value / p.bears / (FIRST_MOMENT if fused else 1))
        elif p.kind in ("capacitor", "electrolytic"):
            add(p.ref, "voltage", across(p) / p.bears)
        elif p.kind in ("diode", "schottky") or p.kind == "zener":
            add(p.ref, "current", abs(values[f"i_d{ref}"]) / p.bears)
        elif p.kind == "suppressor":
            # 5 W for long on its leads: taken
            add(p.ref, "power", across(p) * abs(values[f"i_d{ref}"]) / 5.0 / (FIRST_MOMENT if first else 1))
        elif p.kind == "clamp":
            for side in ("low", "high"):
                add(p.ref, "current", abs(values[f"i_d{ref}{side}"]) / p.bears)
            level = volts(p, "M")
            add(p.ref, "pin", max(level / PIN_MOST_V, level / PIN_LEAST_V))
        elif p.kind == "optocoupler":
            add(p.ref, "current", values[f"i_d{ref}"] / LED_MOST_A)
            add(p.ref, "reverse voltage", (volts(p, "A") - volts(p, "K")) / LED_LEAST_V)
        elif p.kind == "nmos_small":
            drain, gate = volts(p, "D"), volts(p, "G")
            on = gate > front_end.heartbeat.lamp_threshold_max_v
            add(p.ref, "current" if on else "voltage", drain / 0.2 / p.bears if on else drain / 60)
    if values.get("rail_a", 0.0) > 0:
        add(
            "3.3 V rail",
            "current it must swallow",
            values["rail_a"] * 1000 / front_end.loop_input.rail_least_load_ma,
        )
    return found
