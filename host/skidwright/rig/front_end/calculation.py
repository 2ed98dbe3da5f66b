"""All calculations of the front end, block by block."""

from __future__ import annotations

from skidwright.rig.front_end import analog_inputs, digital_inputs, outputs, stop_chain
from skidwright.rig.front_end.parts import RatedQuantity

from .parts import FrontEnd


def calculate(front_end: FrontEnd) -> dict[str, list[RatedQuantity]]:
    """Quantities by block title, in the order of the signal's way in."""
    return {
        "4-20 mA input": analog_inputs.loop_quantities(front_end.loop_input),
        "pulse input": digital_inputs.comparator_quantities(front_end.comparator),
        "contact input": digital_inputs.optocoupler_quantities(front_end.optocoupler),
        "pump drive": outputs.pump_quantities(front_end.pump_driver),
        "stop chain": stop_chain.stop_quantities(front_end.stop_chain, front_end.pump_driver),
        "supply, fuses, wires": stop_chain.supply_quantities(front_end),
        "running lamp": outputs.heartbeat_quantities(front_end.heartbeat, front_end.comparator),
        "thermistor input": analog_inputs.thermistor_quantities(front_end.thermistor),
    }


def margins(front_end: FrontEnd) -> list[tuple[str, str, str, str, str]]:
    """Every figure with a limit: block, figure, worst case, limit, margin in per cent of the limit."""
    rows = []
    for title, quantities in calculate(front_end).items():
        for q in quantities:
            sides = [("at least", q.low, q.at_least, 1), ("at most", q.high, q.at_most, -1)]
            for words, worst, limit, sign in sides:
                if limit is not None:
                    margin = sign * (worst - limit) / abs(limit) * 100
                    unit = f" {q.unit}" if q.unit else ""
                    shown = f"{worst:.4g}{unit}", f"{words} {limit:.4g}{unit}", f"{margin:.0f} %"
                    rows.append((title, q.name, *shown))
    return rows
