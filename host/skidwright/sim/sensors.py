"""The virtual skid's sensors: counter's optics, air in the line, loops, and the chance in each."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from skidwright.sim.scenario_keys import DAY_S, Scenario

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


# Shares of water droplets in the classes 4-6, 6-14, 14-21 and above 21 um(c): assumed, mostly fine.
DROPLET_SHARES = (0.50, 0.35, 0.12, 0.03)
# Middle sizes of the classes in um(c); particles settle with the square of their size (Stokes).
_MIDDLES_UM = (5.0, 10.0, 17.0, 25.0)


def seen(classes: Sequence[float], sensing_volume_nl: float) -> list[float]:
    """Pulses per mL in each class out of particles per mL, where several in the beam make one pulse.

    The pulse of several is as large as that of the largest, so each cumulative channel c shows
    c exp(-c v) (paralysable), whatever smaller particles there are.
    """
    volume_ml = sensing_volume_nl * 1e-6
    channels = []
    total = 0.0
    for n in reversed(classes):
        total += n
        channels.append(total * math.exp(-total * volume_ml))
    channels.reverse()
    # far above the most that can be shown, finer channels would fall below coarser ones: not so in a counter
    return [max(a - b, 0.0) for a, b in zip(channels, [*channels[1:], 0.0], strict=True)]


def settled(classes: Sequence[float], share: float) -> list[float]:
    """Classes of which the given share of the 14-21 um(c) has settled on the way, more of larger ones."""
    if share >= 1.0:
        return [classes[0], classes[1], 0.0, 0.0]
    return [
        n * (1.0 - share) ** ((d / _MIDDLES_UM[2]) ** 2) for n, d in zip(classes, _MIDDLES_UM, strict=True)
    ]


def droplets_per_ml(water_percent: float, from_percent: float, per_ml_percent: float) -> float:
    """Droplets per mL at a water saturation, `per_ml_percent` for each per cent above `from_percent`."""
    return max(water_percent - from_percent, 0.0) * per_ml_percent


_BLOCK = 8192
# Below so many expected arrivals in a step they are drawn gap by gap.
_MANY = 8.0


def normals(seed: np.random.SeedSequence) -> Iterator[float]:
    """Standard normal deviates without end."""
    rng = np.random.Generator(np.random.PCG64(seed))
    while True:
        yield from rng.standard_normal(_BLOCK).tolist()


def _gaps(rng: np.random.Generator) -> Iterator[float]:
    while True:
        yield from rng.standard_exponential(_BLOCK // 8).tolist()


class Arrivals:
    """Independent Poisson processes whose rates may change from step to step.

    Few arrivals are drawn gap by gap, which is exact over any division into steps and costs one
    comparison when nothing comes; many are drawn as one Poisson number.
    """

    def __init__(self, seeds: Sequence[np.random.SeedSequence]) -> None:
        generators = [np.random.Generator(np.random.PCG64(s)) for s in seeds]
        self._poisson = [g.poisson for g in generators]
        self._gaps = [_gaps(g) for g in generators]
        self._to_next = [next(g) for g in self._gaps]

    def draw(self, rates: Sequence[float], exposure: float) -> list[int]:
        """Arrivals of each process in a step in which `rate * exposure` are expected."""
        to_next = self._to_next
        n = [0] * len(rates)
        for i, rate in enumerate(rates):
            mean = rate * exposure
            if mean > _MANY:
                n[i] = int(self._poisson[i](mean))
                continue
            left = to_next[i] - mean
            while left <= 0.0:
                n[i] += 1
                left += next(self._gaps[i])
            to_next[i] = left
        return n


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
