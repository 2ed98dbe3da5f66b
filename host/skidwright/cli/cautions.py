"""The short cautions, said where something may move or be energised; the long ones are in docs/safety.md."""

_PRESSURE = "A line under pressure can inject fluid through the skin; hot fluid burns. See docs/safety.md."
PUMP_RUNS = f"The pump will run: stop chain within reach, lines secured, hands off fittings. {_PRESSURE}"
MAY_START = (
    "The skid may start by itself from now on: stop chain within reach, lines secured, hands off fittings, "
    f"guard on the coupling. {_PRESSURE}"
)
WIRING = (
    "Caution: disconnect 24 V and USB before you touch the wiring; mains belongs to a licensed electrician. "
    "Local codes come first. See docs/safety.md."
)
