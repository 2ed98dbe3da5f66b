"""All calculations of the front end, block by block."""

from __future__ import annotations

from . import (
    comparator,
    heartbeat,
    loop_input,
    optocoupler,
    pump_driver,
    stop_chain,
    supply_chain,
    thermistor,
)
from .parts import FrontEnd
from .worst_case import Quantity


def calculate(front_end: FrontEnd) -> dict[str, list[Quantity]]:
    """Quantities by block title, in the order of the signal's way in."""
    return {
        "4-20 mA input": loop_input.quantities(front_end.loop_input),
        "pulse input": comparator.quantities(front_end.comparator),
        "contact input": optocoupler.quantities(front_end.optocoupler),
        "pump drive": pump_driver.quantities(front_end.pump_driver),
        "stop chain": stop_chain.quantities(front_end.stop_chain, front_end.pump_driver),
        "supply, fuses, wires": supply_chain.quantities(front_end),
        "running lamp": heartbeat.quantities(front_end.heartbeat, front_end.comparator),
        "thermistor input": thermistor.quantities(front_end.thermistor),
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
