"""Temperatures along the sample line, and the currents of the water and temperature loops."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from skidwright.sim.chance import normals
from skidwright.sim.scenario_keys import DAY_S, Scenario

_STANDING_S = 600.0
# The line takes as long to warm as its fluid takes to be replaced, about.
_FLOWING_S = 5.0
_WARMEST_S = 15 * 3600.0


class Loops:
    """After `convert()`: `water_ua`, `temp_ua` and `temp_ohm` as the board's converters see them.

    `line_c` is the temperature of the fluid at the sensors. With a broken wire a current or resistance is 0.
    """

    def __init__(self, scenario: Scenario, seed: np.random.SeedSequence, water_percent: float) -> None:
        self._scenario = scenario
        self._noise = normals(seed)
        self._day_s = scenario.start_utc.hour * 3600.0 + scenario.start_utc.minute * 60.0
        self._water = water_percent
        self.line_c = self._sensor_c = self._air_c(0.0)
        self._water_mean_ua = self._temp_mean_ua = 0.0
        self.water_ua = self.temp_ua = self.temp_ohm = 0

    def _air_c(self, t_s: float) -> float:
        temperature = self._scenario.temperature
        phase = 2.0 * math.pi * (t_s + self._day_s - _WARMEST_S) / DAY_S
        return temperature.air_c + temperature.swing_c * math.cos(phase)

    def warm(self, t_s: float, dt_s: float, fluid_c: float | None, hotter_c: float) -> None:
        """Let `dt_s` pass up to `t_s`, fluid of `fluid_c` flowing (None: none); `hotter_c` is a fault's."""
        air_c = self._air_c(t_s)
        towards_c, lag_s = air_c, _STANDING_S
        if fluid_c is not None:
            towards_c = fluid_c + (air_c - fluid_c) * self._scenario.line.cooling + hotter_c
            lag_s = _FLOWING_S
        self.line_c += (towards_c - self.line_c) * -math.expm1(-dt_s / lag_s)
        self._sensor_c += (self.line_c - self._sensor_c) * -math.expm1(
            -dt_s / self._scenario.temperature.lag_s
        )

    def settle(
        self, dt_s: float, water_percent: float, active: Mapping[str, float], code: float | None = None
    ) -> None:
        """Let the water sensor follow `water_percent` for `dt_s`; sets what the currents are before noise.

        `code` is the current of a counter on the temperature loop's terminals, uA; None without one.
        """
        temperature = self._scenario.temperature
        self._water += (water_percent - self._water) * -math.expm1(-dt_s / self._scenario.water.lag_s)
        self._water_mean_ua = 4000.0 + 160.0 * self._water
        if "water_loop_at" in active:
            self._water_mean_ua = active["water_loop_at"]
        if "water_loop_broken" in active:
            self._water_mean_ua = self.water_ua = 0
        if "temp_loop_broken" in active:
            self._temp_mean_ua = self.temp_ua = self.temp_ohm = 0
            return
        if code is not None:
            # in place of the temperature transmitter; the thermistor stays
            self._temp_mean_ua = active.get("temp_loop_at", code)
        share = (self._sensor_c - temperature.low_c) / (temperature.high_c - temperature.low_c)
        if code is None:
            self._temp_mean_ua = active.get("temp_loop_at", 4000.0 + 16000.0 * share)
        kelvin = 1.0 / (self._sensor_c + 273.15) - 1.0 / 298.15
        self.temp_ohm = round(temperature.thermistor_ohm * math.exp(temperature.thermistor_beta_k * kelvin))

    def convert(self) -> None:
        """Currents at this moment, with noise."""
        noise = self._noise
        if self._water_mean_ua:
            self.water_ua = max(0, round(self._water_mean_ua + self._scenario.water.noise_ua * next(noise)))
        if self._temp_mean_ua:
            temp_ua = self._temp_mean_ua + self._scenario.temperature.noise_ua * next(noise)
            self.temp_ua = max(0, round(temp_ua))
