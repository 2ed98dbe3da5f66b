"""How well a sample's water saturation is known: the converter's resolution and error carried into it."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright.checks import CheckLimits, SettingsHistory
from skidwright.trade import current_loop

# The input of docs/wiring.md: largest error at 20 mA, and one step of its converter over 22 mA full scale.
UNCALIBRATED_UA, CALIBRATED_UA = 760.0, 100.0
OWN_CONVERTER_STEP_UA = current_loop.converter_step_ua(12, 22_000)
FINE_CONVERTER_STEP_UA = current_loop.converter_step_ua(16, 22_000)


def uncertainty_percent(
    samples: NDArray[np.void], settings: SettingsHistory, limits: CheckLimits
) -> NDArray[np.float64]:
    """Standard uncertainty (one sigma) of each mean saturation, in % saturation; NaN for a failed loop.

    The error's limit is `loop_error_ua` of the limits, else that of the input in docs/wiring.md, by whether
    the loop was calibrated or the 16-bit converter is fitted. The sensor's own error is not in it.
    """
    out = np.full(len(samples), np.nan)
    crcs, which = np.unique(samples["settings_crc"], return_inverse=True)
    for place, crc in enumerate(crcs.tolist()):
        known: Any = settings.of(crc) or settings.fallback
        rows = which == place
        fine = known["loop_converter"] != 0
        calibrated = known["water_offset_ua"] != 0 or known["water_gain_ppm"] != 0
        error_ua = limits.loop_error_ua or (CALIBRATED_UA if fine or calibrated else UNCALIBRATED_UA)
        part = samples[rows]
        spread_ua = part["water_max_ua"].astype(np.float64) - part["water_min_ua"]
        found = current_loop.reading(
            part["water_mean_ua"].astype(np.float64),
            known["water_low_cpct"] * 0.01,
            known["water_high_cpct"] * 0.01,
            FINE_CONVERTER_STEP_UA if fine else OWN_CONVERTER_STEP_UA,
            error_ua,
            np.maximum(spread_ua, 0.0) / np.sqrt(12),
        )
        out[rows] = np.where(part["water_state"] >= current_loop.FAILED, np.nan, found.uncertainty)
    return out
