"""Thresholds of the checks with unit, default and meaning; `[checks]` of skid.toml sets them by name."""

from dataclasses import dataclass, field, fields
from typing import Any

# Where ASTM D341 holds.
LEAST_MM2_S, MOST_MM2_S = 0.21, 2e7


def _limit(default: float, unit: str, meaning: str) -> Any:
    return field(default=default, metadata={"unit": unit, "meaning": meaning})


@dataclass(frozen=True)
class CheckLimits:
    """Thresholds of the checks. All are numbers of 0 or more; their meanings are in each field's metadata.

    Raises ValueError for a negative one or a name's value that is no number.
    """

    flow_low_ul_s: float = _limit(0, "uL/s", "Lowest flow the counter is valid at; 0: the board's setting.")
    flow_high_ul_s: float = _limit(0, "uL/s", "Highest flow at which it is valid; 0: the board's setting.")
    flow_margin_percent: float = _limit(
        3, "% of the flow set", "Distance from the band's edges that the metered flow must keep."
    )
    flow_spread_percent: float = _limit(8, "%", "Highest minus lowest flow during the count, of the mean.")
    volume_shortfall_percent: float = _limit(1, "%", "How far the counted volume may stay below the set one.")
    volume_least_ul: float = _limit(2000, "uL", "Least counted volume where the settings are not known.")
    volume_mismatch_percent: float = _limit(
        1, "%", "Difference of volume between the record and its pulses or its flow and time."
    )
    volume_uncertainty_percent: float = _limit(
        1,
        "%",
        "Standard uncertainty of the counted volume, from the meter's certificate (1: this project's "
        "judgement where there is none); widens the intervals of concentrations.",
    )
    pump_full_ul_s: float = _limit(
        0,
        "uL/s",
        "Flow of the warm pump at full duty, through the dead duty in a straight line, as measured with a "
        "cylinder and a clock at commissioning; 0: not known.",
    )
    pump_dead_permille: float = _limit(40, "1/1000", "Duty up to which the pump stands.")
    pump_mismatch_percent: float = _limit(5, "%", "Metered flow against what the pump delivers at its duty.")
    pump_from_c: float = _limit(32, "degC", "Temperature from which the pump delivers as it did then.")
    line_volume_ul: float = _limit(
        0, "uL", "Volume between an asset's tap and the counter; 0: the board's setting."
    )
    purge_least_volumes: float = _limit(3, "line volumes", "Least purge whatever was sampled before.")
    carryover_percent: float = _limit(
        0, "%", "Share of a sample's particles that may be left of the sample before; 0: the board's setting."
    )
    line_level_ul: float = _limit(
        0,
        "uL",
        "Volume of the level stretches between tap and counter, in which particles settle; 0: not known.",
    )
    line_bore_mm: float = _limit(0, "mm", "Bore of those stretches, the widest; 0: not known.")
    oil_v40_mm2_s: float = _limit(
        32, "mm2/s", "Viscosity at 40 degC of the thinnest oil sampled, in which particles settle fastest."
    )
    oil_v100_mm2_s: float = _limit(5.4, "mm2/s", "Its viscosity at 100 degC.")
    settling_percent: float = _limit(
        5, "%", "Mineral particles of 21 um that may settle on the way to the counter."
    )
    sensing_volume_ml: float = _limit(
        0,
        "mL",
        "Volume that the counter sees at once, from its data sheet; 0: not known.",
    )
    coincidence_percent: float = _limit(5, "%", "Particles lost to coincidence in the worst channel.")
    slope_least: float = _limit(0.7, "", "Least exponent of the size distribution between two channels.")
    slope_most: float = _limit(9, "", "Largest exponent of the size distribution between two channels.")
    slope_counts: float = _limit(100, "particles", "Least count in the finer channel for a slope.")
    stuck_counts: float = _limit(
        200, "particles", "Least sum of counts at which the same counts again are no coincidence."
    )
    dispersion_deviation_percent: float = _limit(
        1, "%", "Deviation of a sub-window's exposure that is allowed beside counting statistics."
    )
    air_large_share_percent: float = _limit(
        45, "%", "Share of the particles >=14 um(c) that are >=21 um(c); a power law of exponent 2 has 44 %."
    )
    air_large_counts: float = _limit(20, "particles", "Least count >=14 um(c) at which that share is judged.")
    air_excess_factor: float = _limit(
        1.35, "", "Particles >=21 um(c) against a power law through >=6 and >=14 um(c)."
    )
    droplet_percent: float = _limit(90, "% saturation", "Saturation from which droplets may be counted.")
    free_water_percent: float = _limit(98, "% saturation", "Saturation from which free water is assumed.")
    loop_drift_ua: float = _limit(320, "uA", "Highest minus lowest water loop current during the count.")
    loop_error_ua: float = _limit(
        0,
        "uA",
        "Largest error of converter and burden resistor of the water loop, for the stated uncertainty of a "
        "reading; 0: as in docs/wiring.md, 100 once calibrated or with the 16-bit converter, else 760.",
    )
    temperature_span_c: float = _limit(5, "K", "Highest minus lowest temperature during the count.")
    temperature_least_c: float = _limit(30, "K below 0 degC", "Lowest temperature believed.")
    temperature_most_c: float = _limit(130, "degC", "Highest temperature believed.")
    time_uncertainty_s: float = _limit(60, "s", "Uncertainty of a sample's UTC above which it is noted.")
    metal_excess_sigma: float = _limit(
        5, "standard deviations", "Metal counts above the particles >=21 um(c), which include them."
    )

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not value >= 0:
                raise ValueError(f"{item.name}: a number of 0 or more is needed, not {value!r}")
        if not LEAST_MM2_S <= self.oil_v100_mm2_s < self.oil_v40_mm2_s <= MOST_MM2_S:
            raise ValueError(
                f"oil_v40_mm2_s, oil_v100_mm2_s: an oil is thinner at 100 than at 40 degC, and from "
                f"{LEAST_MM2_S} to {MOST_MM2_S:g} mm2/s"
            )
