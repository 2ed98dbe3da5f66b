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
