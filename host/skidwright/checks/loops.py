"""Checks of the water loop and the temperature: NAMUR NE 43, drift, range, nearness to free water."""

import numpy as np

from skidwright.arrays import Mask
from skidwright.checks.check import (
    COUNTS,
    JUDGEMENT,
    PRACTICE,
    REJECTED,
    STANDARD,
    SUSPECT,
    TEMPERATURE,
    WATER,
    Check,
)
from skidwright.checks.readings import Readings

# NAMUR NE 43: 3.8 to 20.5 mA is a measurement, 3.6 mA and less or 21.0 mA and more a failure.
GOOD_UA = (3800, 20500)
FAILED_UA = (3600, 21000)
UNCERTAIN, FAILED = 1, 2
TEMPERATURE_NONE, TEMPERATURE_LOOP = 0, 1


def water_failed(c: Readings) -> Mask:
    """The water loop had failed at some time of the count."""
    return np.asarray(
        (c.water_state >= FAILED) | (c.water_min_ua <= FAILED_UA[0]) | (c.water_max_ua >= FAILED_UA[1])
    )


def water_uncertain(c: Readings) -> Mask:
    """The water loop's current was neither a measurement nor a failure at some time."""
    return np.asarray(
        (c.water_state == UNCERTAIN) | (c.water_min_ua < GOOD_UA[0]) | (c.water_max_ua > GOOD_UA[1])
    )


def water_drifts(c: Readings) -> Mask:
    """Water saturation changed during the count."""
    return np.asarray(c.water_max_ua - c.water_min_ua > c.limits.loop_drift_ua)


def droplets(c: Readings) -> Mask:
    """So near saturation that droplets may have been counted as particles."""
    with np.errstate(invalid="ignore"):
        return np.asarray(c.saturation_highest >= c.limits.droplet_percent)


def free_water(c: Readings) -> Mask:
    """At saturation: free water must be assumed, and its droplets counted."""
    with np.errstate(invalid="ignore"):
        return np.asarray(c.saturation_highest >= c.limits.free_water_percent)


def temperature_failed(c: Readings) -> Mask:
    """The temperature sensor had failed at some time of the count."""
    return np.asarray(c.temp_state >= FAILED)


def temperature_uncertain(c: Readings) -> Mask:
    """The temperature loop's current was neither a measurement nor a failure at some time."""
    return np.asarray(c.temp_state == UNCERTAIN)


def temperature_spans(c: Readings) -> Mask:
    """The temperature changed during the count."""
    return np.asarray(c.temp_max_cdeg - c.temp_min_cdeg > 100 * c.limits.temperature_span_c)


def temperature_out_of_range(c: Readings) -> Mask:
    """Colder or hotter than fluid can be here."""
    low, high = -100 * c.limits.temperature_least_c, 100 * c.limits.temperature_most_c
    return np.asarray((c.temp_min_cdeg < low) | (c.temp_max_cdeg > high))


def temperature_absent(c: Readings) -> Mask:
    """No temperature sensor is set up."""
    return c.every(c.settings_known & (c.setting("temp_source") == TEMPERATURE_NONE))


def metal_absent(c: Readings) -> Mask:
    """No metal sensor is set up."""
    counted = (c.metal > 0).any(axis=0)
    fitted = (c.setting("metal_channels") > 0) & c.settings_known
    return np.asarray(~counted & ~fitted)


CHECKS = (
    Check(
        "droplets",
        COUNTS,
        SUSPECT,
        droplets,
        "highest water saturation during the count",
        ("droplet_percent",),
        PRACTICE,
        "optical counts hold for single-phase fluid; where droplets begin is this project's judgement",
        "Dry the fluid or warm the sample, then count again.",
    ),
    Check(
        "free-water",
        COUNTS,
        REJECTED,
        free_water,
        "the same, at saturation",
        ("free_water_percent",),
        PRACTICE,
        "optical counts hold for single-phase fluid",
        "Dry the fluid, then count again.",
    ),
    Check(
        "water-loop",
        WATER,
        REJECTED,
        water_failed,
        "water loop at 3.6 mA or less, or at 21.0 mA or more, at any time of the count",
        (),
        STANDARD,
        "NAMUR NE 43",
        "Check wire, supply and sensor of the water loop.",
    ),
    Check(
        "water-uncertain",
        WATER,
        SUSPECT,
        water_uncertain,
        "water loop between 3.6 and 3.8, or 20.5 and 21.0 mA",
        (),
        STANDARD,
        "NAMUR NE 43",
        "Check the sensor's range and the loop's wiring.",
    ),
    Check(
        "water-drift",
        WATER,
        SUSPECT,
        water_drifts,
        "spread of the water loop during the count",
        ("loop_drift_ua",),
        JUDGEMENT,
        "2 % of saturation at 4-20 mA for 0-100 %",
        "Purge longer: the sensor had not settled.",
    ),
    Check(
        "temperature-sensor",
        TEMPERATURE,
        REJECTED,
        temperature_failed,
        "state of the temperature sensor during the count",
        (),
        STANDARD,
        "NAMUR NE 43 for a loop; open or shorted for a thermistor",
        "Check the sensor's wires.",
    ),
    Check(
        "temperature-uncertain",
        TEMPERATURE,
        SUSPECT,
        temperature_uncertain,
        "temperature loop between measurement and failure",
        (),
        STANDARD,
        "NAMUR NE 43",
        "Check the sensor's range and the loop's wiring.",
    ),
    Check(
        "temperature-range",
        TEMPERATURE,
        REJECTED,
        temperature_out_of_range,
        "lowest and highest temperature",
        ("temperature_least_c", "temperature_most_c"),
        JUDGEMENT,
        "outside what hydraulic and gear oils are pumped at",
        "Check sensor type and `temp_source`.",
    ),
    Check(
        "temperature-span",
        WATER | TEMPERATURE,
        SUSPECT,
        temperature_spans,
        "spread of temperature during the count",
        ("temperature_span_c",),
        JUDGEMENT,
        "saturation changes by several per cent of its value a kelvin",
        "Purge longer, until line and sensor are warm.",
    ),
)
