"""The stop chain as wired, in time: the steps of stop_proof, with coil, suppressor and motor.

The pump's transistor is taken as stuck on, so that only K1 can stop the pump.
"""

from __future__ import annotations

from dataclasses import dataclass

from skidwright.rig.front_end import netlists
from skidwright.rig.wiring.model import Problem

from ..front_end.parts import FrontEnd
from .as_wired import AsWired
from .spice import MODELS, node, skid_lines
from .stop_proof import STEPS, against_the_rules

STEP_MS = 100.0
# Above this share of the supply the pump is fed; a motor that runs down gives less than this by itself.
FED_SHARE = 0.9
# When the pump's current must be gone after STOP: K1's release limit and the motor's decay, with a margin.
STOP_LIMIT_MS = 30.0
STOPS = ("STOP pressed", "pressure too high", "overload")


@dataclass(frozen=True)
class Cut:
    """After a step that must stop the pump: milliseconds until its supply and until its current are gone."""

    step: str
    supply_ms: float
    current_ms: float


def _pwl(values: list[float]) -> str:
    """A source that takes one value a step, with edges of 10 us."""
    points = []
    for i, value in enumerate(values):
        points += [(i * STEP_MS + (0.01 if i else 0.0), value), ((i + 1) * STEP_MS, value)]
    return " ".join(f"{t:g}m {v:g}" for t, v in points)


BLOCKS = (
    "supply_entry", "stop_chain", "pump_driver", "optocoupler:stop_chain", "optocoupler:over_pressure",
)  # fmt: skip
# Left out: the entry's protection, and what switches the pump, which is taken as stuck on.
_BUT = (
    "D10",
    "Q10",
    "D11",
    "R10",
    "C10",
    "F3",
    "F4",
    "F5",
    "F6",
    "U1",
    "C1",
    "R1",
    "R2",
    "R3",
    "Q1",
    "C3",
    "R5",
    "C4",
)
DEVICES = ("PS", "F7", "S1", "S2", "M1")


def netlist(skid: AsWired, front_end: FrontEnd) -> str:
    """All steps one after the other; prints the pump's supply at the end of each, and when it ceased.

    Fuses, chain, the pump's bulk capacitor and free-wheeling diode and the two contact inputs are joined as
    they stand in the box. Printed too: the most and the least voltage across the stop input's light-emitting
    diode.
    """
    p = front_end.pump_driver
    skid = skid.only(BLOCKS, DEVICES, _BUT)
    lines = ["* stop chain, wired by the terminal table", *skid_lines(skid, front_end)]
    lines += [f"vsupply v24 0 pwl({_pwl([p.supply_volts * on for _, _, on in STEPS])})"]
    for device in skid.devices:
        if device.kind != "motor":
            held = [float(device.id in other) for _, other, _ in STEPS]
            lines.append(f"vctl_{node(device.id)} ctl_{node(device.id)} 0 pwl({_pwl(held)})")
    on_ohm = p.transistor_on_mohm * p.transistor_hot_factor / 1000
    lines += ["vv3v3 v3v3 0 3.3", f"rstuck {node('pump')} 0 {on_ohm:g}"]
    led = node("stop_chain.led")
    control = []
    for i, (name, _, _) in enumerate(STEPS):
        end = (i + 1) * STEP_MS - 0.1
        control.append(f"meas tran live{i} find v({node('v24_pump')}) at={end:g}m")
        if name in STOPS:
            since = i * STEP_MS
            control.append(
                f"meas tran supply{i} when v({node('v24_pump')})={FED_SHARE * p.supply_volts:g} fall=1 "
                f"td={since:g}m"
            )
            control.append(f"meas tran current{i} when i(vm1)={p.motor_rated_a / 100:g} fall=1 td={since:g}m")
    return "\n".join(
        [
            *lines,
            MODELS.rstrip(),
            ".options method=gear itl4=100 cshunt=1e-10 abstol=1e-9 chgtol=1e-12",
            ".control",
            f"tran 0.5m {len(STEPS) * STEP_MS:g}m uic",
            *control,
            f"meas tran led_least min v({led})",
            f"meas tran led_most max v({led})",
            "quit",
            ".endc",
            ".end",
            "",
        ]
    )


def run(skid: AsWired, front_end: FrontEnd) -> tuple[list[bool], list[Cut]]:
    """Whether the pump has its supply at the end of each step, and how fast each cut was.

    Raises RigError when ngspice is missing or fails. A cut that never came is not in the list.
    """
    found = netlists.run(netlist(skid, front_end))
    live = [found[f"live{i}"] > FED_SHARE * front_end.pump_driver.supply_volts for i in range(len(STEPS))]
    cuts = [
        Cut(name, found[f"supply{i}"] * 1000 - i * STEP_MS, found[f"current{i}"] * 1000 - i * STEP_MS)
        for i, (name, _, _) in enumerate(STEPS)
        if f"supply{i}" in found and f"current{i}" in found
    ]
    return live, cuts


def problems(cuts: list[Cut]) -> list[Problem]:
    """Cuts that are missing or took longer than they may."""
    came = {c.step: c for c in cuts}
    found = [Problem("stop-chain", s, "the pump's current does not cease") for s in STOPS if s not in came]
    for c in cuts:
        if c.current_ms > STOP_LIMIT_MS:
            text = f"the pump's current is gone after {c.current_ms:.0f} ms, not within {STOP_LIMIT_MS:g} ms"
            found.append(Problem("stop-chain", c.step, text))
    return found


def broken_rules(skid: AsWired, front_end: FrontEnd) -> list[str]:
    """The two rules of stop_proof asked of the simulation, in sentences; empty when they are kept."""
    live, _ = run(skid, front_end)
    return against_the_rules(live)
