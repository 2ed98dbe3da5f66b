"""Air in the sample line: bubbles in bursts, nearly all large, and a flow that is disturbed by them."""

from __future__ import annotations

import numpy as np

# Shares of bubbles in the classes 4-6, 6-14, 14-21 and above 21 um(c).
BUBBLE_SHARES = (0.01, 0.03, 0.08, 0.88)
MEAN_GAP_S = 1.5
MEAN_BURST_S = 0.5
# Line volumes to pump until the last of the air has gone.
CLEARING_VOLUMES = 1.5
# Bubbles per mL at which bursts take up to four tenths of the flow away.
_MUCH_PER_ML = 60.0


class Air:
    """Bubbles at the sensor while fluid flows."""

    def __init__(self, seed: np.random.SeedSequence, line_ml: float) -> None:
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._clearing_ml = CLEARING_VOLUMES * line_ml
        self._left_ml = 0.0
        self._burst_s = 0.0
        self._gap_s = 0.0
        self._flow_factor = 1.0
        self.present = False

    def flow_factor(self, dt_s: float, drawn_in: bool, per_ml: float) -> float:
        """Factor on the flow in a step of `dt_s`; moves the bursts on. Much air disturbs the flow more."""
        if drawn_in:
            self._left_ml = self._clearing_ml
        self.present = drawn_in or self._left_ml > 0.0
        if not self.present:
            return 1.0
        if self._burst_s > 0.0:
            self._burst_s -= dt_s
            if self._burst_s <= 0.0:
                self._gap_s = float(self._rng.exponential(MEAN_GAP_S))
            return self._flow_factor
        self._gap_s -= dt_s
        if self._gap_s <= 0.0:
            self._burst_s = float(self._rng.exponential(MEAN_BURST_S)) + 0.1
            self._flow_factor = 1.0 + min(1.5, per_ml / _MUCH_PER_ML) * float(self._rng.uniform(-0.4, 0.1))
            return self._flow_factor
        return 1.0

    def bubbles(self, volume_ml: float, per_ml: float) -> list[int]:
        """Bubbles of each size class in `volume_ml`, none between bursts; `per_ml` is the mean over time."""
        self._left_ml -= volume_ml
        if self._burst_s <= 0.0:
            return [0, 0, 0, 0]
        boost = (MEAN_GAP_S + MEAN_BURST_S + 0.1) / (MEAN_BURST_S + 0.1)
        mean = per_ml * boost * volume_ml
        return [int(n) for n in self._rng.poisson([mean * share for share in BUBBLE_SHARES])]
