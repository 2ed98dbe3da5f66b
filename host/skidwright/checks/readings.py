"""What the checks look at: contiguous columns of a stretch of samples, and what follows from them."""

import math
from collections.abc import Mapping
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skidboard import records
from skidboard import settings as board_settings

from skidwright.arrays import Floats, Mask
from skidwright.checks.in_force import SettingsHistory
from skidwright.checks.limits import CheckLimits
from skidwright.formulas import coincidence, iso4406, viscosity
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS

CHANNELS = len(records.CHANNELS_UM)
# For concentration times sensing volume up to here these terms of the series for Lambert's W suffice.
_SERIES_UP_TO = 0.02
_SERIES = [(n + 1) ** n / math.factorial(n + 1) for n in range(1, 9)]
_LOOP_FAILED = 2
_DEFAULTS = board_settings.defaults()
_WINDOW_FULL = 0xFFFF
# What a scale number means, by number: none above the table is too high, and none is meant beyond 29.
_MORE_THAN = np.concatenate(([-1.0], iso4406.UPPER_PER_ML, [np.inf]))
_UP_TO = np.concatenate((iso4406.UPPER_PER_ML, [np.inf, -1.0]))


class Readings:
    """Columns of `n` samples. Record fields are attributes by their name, gathered once, in float64.

    `by_code` is where the counter gave a code and no counts, which are NaN then.
    `counts`, `per_ml` (as counted), `true_per_ml` (corrected for coincidence, NaN beyond the model's
    limit) and `loss` (share lost) have shape (4, n). `before` holds what was sampled earlier, see `Before`.
    """

    def __init__(
        self,
        samples: NDArray[np.void],
        marks: NDArray[np.uint8],
        limits: CheckLimits,
        settings: SettingsHistory,
        utc_ms: NDArray[np.int64] | None,
        utc_error_ms: NDArray[np.int64] | None,
        before: "Before",
    ) -> None:
        self.samples, self.marks, self.limits = samples, marks, limits
        self.n = len(samples)
        self._whole: dict[str, NDArray[Any]] = {}
        self.utc_ms = utc_ms if utc_ms is not None else np.full(self.n, UNKNOWN_UTC_MS, np.int64)
        self.utc_error_ms = (
            utc_error_ms if utc_error_ms is not None else np.full(self.n, UNBOUNDED_MS, np.int64)
        )
        self.counts = _rows(samples["counts"])
        self.by_code = by_code(samples)
        if self.by_code.any():
            # no counts were given: whatever compares them is silent
            self.counts[:, self.by_code] = np.nan
        # a volume of 0 is rejected elsewhere; here it must only not divide by zero
        volume_ul = np.maximum(self.whole("volume_ul"), 1)
        self.volume_ml = volume_ul * 1e-3
        self.per_ml = self.counts * 1000
        self.per_ml /= volume_ul
        self.true_per_ml, self.loss = corrected(self.per_ml, limits.sensing_volume_ml)
        self._settings = settings
        self._crcs, self._which = _distinct(np.ascontiguousarray(samples["settings_crc"]))
        self.settings_known = self._spread([settings.of(crc) is not None for crc in self._crcs]) != 0
        self.earlier_counts, self.earlier_ml, self.earlier_per_ml = before.of(
            samples, self.counts, self.volume_ml, self.per_ml
        )

    def __getattr__(self, name: str) -> Floats:
        try:
            column = self.samples[name]
        except ValueError:
            raise AttributeError(name) from None
        column = self._whole.get(name, column)
        values: Floats = _rows(column) if column.ndim == 2 else column.astype(np.float64)
        self.__dict__[name] = values
        return values

    def whole(self, name: str) -> NDArray[Any]:
        """A field in its own integer type, contiguous."""
        if name not in self._whole:
            self._whole[name] = np.ascontiguousarray(self.samples[name])
        return self._whole[name]

    def _spread(self, values: list[Any]) -> NDArray[Any]:
        """One value a sample out of one for each distinct CRC; 0-dimensional when there is but one."""
        array = np.array(values, np.float64)
        return array[0] if self._which is None else array[self._which]

    def every(self, mask: Mask) -> Mask:
        """A mask of one row a sample, out of one that may hold for all of them at once."""
        return np.broadcast_to(mask, (self.n,))

    def setting(self, name: str) -> NDArray[Any]:
        """A board setting as in force for each sample, or one for all; the fallback's where not known."""
        values: list[Mapping[str, Any]] = [
            self._settings.of(crc) or self._settings.fallback for crc in self._crcs
        ]
        # a board of before a setting was made ran as by its default
        return self._spread([v.get(name, _DEFAULTS[name]) for v in values])

    @property
    def pulse_nl(self) -> NDArray[Any]:
        """Volume of a meter pulse at each sample's temperature (n,), or one for all: nL.

        The table against viscosity goes in a straight line in temperature between its points, as on the
        board; where the fluid has these viscosities is calculated anew, by ASTM D341. NaN with a table and no
        temperature.
        """
        base = self.setting("meter_pulse_nl")
        found: Floats | None = None
        for k, crc in enumerate(self._crcs):
            values = self._settings.of(crc) or self._settings.fallback
            table = values.get("meter_table")
            if not table:
                continue
            if found is None:
                found = np.array(np.broadcast_to(base, (self.n,)), np.float64)
                middle = (self.temp_min_cdeg + self.temp_max_cdeg) * 0.005
                middle[self.whole("temp_state") >= _LOOP_FAILED] = np.nan
            mine = slice(None) if self._which is None else self._which == k
            line = viscosity.line_through(
                40.0, values["fluid_v40_dmm2_s"] / 10, 100.0, values["fluid_v100_dmm2_s"] / 10
            )
            mm2_s, nl = zip(*reversed(table), strict=True)
            found[mine] = np.interp(middle[mine], viscosity.temperature(line, mm2_s), nl)
        return base if found is None else found

    @property
    def flow_band(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """The counter's flow band in uL/s: from the limits, else from the board's settings."""
        limits = self.limits
        low = np.asarray(limits.flow_low_ul_s) if limits.flow_low_ul_s else self.setting("flow_low_ul_s")
        high = np.asarray(limits.flow_high_ul_s) if limits.flow_high_ul_s else self.setting("flow_high_ul_s")
        return low, high

    @property
    def line_ul(self) -> NDArray[Any]:
        """Volume of the line in uL: from the limits, else from the board's settings."""
        given = self.limits.line_volume_ul
        return np.asarray(given) if given else self.setting("line_volume_ul")

    @property
    def carryover_share(self) -> NDArray[Any]:
        """Share of a sample's particles that may be left over: from the limits, else the board's settings."""
        given = self.limits.carryover_percent
        return np.asarray(given if given else self.setting("carryover_percent")) / 100

    @cached_property
    def shares(self) -> Floats:
        """Shares of the volume in the eight sub-windows: k ends after (k + 1) P // 8 of P pulses.

        Shape (8, n), or (8, 1) when all samples have the same number of pulses.
        """
        pulses = self.meter_pulses
        if self.n and np.all(pulses == pulses[0]):
            pulses = pulses[:1]
        ends = np.floor(np.arange(records.SUB_WINDOWS + 1)[:, None] * pulses / records.SUB_WINDOWS)
        return np.asarray(np.diff(ends, axis=0) / np.maximum(pulses, 1))

    @cached_property
    def step_per_ml(self) -> Floats:
        """How much more per mL was counted than in the sample before of any asset, (4, n); at first 0."""
        step = self.per_ml - self.earlier_per_ml
        # only the first sample of a log has none before it
        step[:, :1] = np.nan_to_num(step[:, :1])
        return np.asarray(step)

    @cached_property
    def left_over_per_ml(self) -> Floats:
        """What to add to a concentration if the line left as much of the fluid before as laminar flow can.

        Shape (4, n). Of n line volumes purged and s counted, 1 / (4 n (n + s)) of the count was old fluid.
        """
        purged, counted = np.maximum(self.purge_ul / self.line_ul, 0.5), self.volume_ul / self.line_ul
        # where more than half was old fluid no correction means anything: `purge-short` has spoken
        old = np.minimum(0.25 / (purged * (purged + counted)), 0.5)
        return np.asarray(self.step_per_ml * (old / (1 - old)))

    @cached_property
    def windows_fine(self) -> Floats:
        """Counts >=4 um(c) in the sub-windows, (8, n); a shifted one as the middle of those that give it."""
        if not self.window_shift.any():
            return self.windows_4um
        unit = 2.0**self.window_shift
        return np.asarray(self.windows_4um * unit + (unit - 1) / 2)

    @cached_property
    def windows_full(self) -> Mask:
        """Where a sub-window >=14 um(c) holds the highest number it can, which means "or more"."""
        return np.asarray(self.windows_14um.max(axis=0) >= _WINDOW_FULL)

    @cached_property
    def code_up_to(self) -> Floats:
        """The highest concentration that the board's scale numbers mean, per mL, (4, n); -1 for none."""
        return np.asarray(_UP_TO.take(self._codes, mode="clip"))

    @cached_property
    def code_right(self) -> Mask:
        """Where the board's scale number is that of its count and volume, (4, n).

        Exact although in floats: with volumes below 5 L no quotient but an equal one rounds to a limit.
        """
        return np.asarray(
            (self.per_ml > _MORE_THAN.take(self._codes, mode="clip")) & (self.per_ml <= self.code_up_to)
        )

    @cached_property
    def _codes(self) -> NDArray[np.uint8]:
        return np.ascontiguousarray(self.whole("codes").T)

    def saturation(self, which: str) -> Floats:
        """Saturation "min", "mean" or "max" during the count, percent; NaN where the loop had failed."""
        low, high = self.setting("water_low_cpct") * 0.01, self.setting("water_high_cpct") * 0.01
        percent = low + (getattr(self, f"water_{which}_ua") - 4000) * ((high - low) / 16000)
        percent[self.water_state >= _LOOP_FAILED] = np.nan
        return np.asarray(percent)

    @cached_property
    def saturation_highest(self) -> Floats:
        """Highest saturation during the count, percent; NaN where the loop had failed."""
        return self.saturation("max")


class Before:
    """What each sample's predecessors were: the last of the same asset and the last of any, across pieces."""

    def __init__(self) -> None:
        self._counts: dict[int, Floats] = {}
        self._ml: dict[int, float] = {}
        self._per_ml: Floats | None = None

    def of(
        self, samples: NDArray[np.void], counts: Floats, volume_ml: Floats, per_ml: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Counts (4, n) and volume (n,) of the same asset's sample before, and per mL (4, n) of the sample
        before of any asset; NaN for none. Takes the stretch as seen: the next call goes on after it.
        """
        n = counts.shape[1]
        same = np.full((CHANNELS, n), np.nan)
        same_ml = np.full(n, np.nan)
        before = np.full((CHANNELS, n), np.nan)
        if not n:
            return same, same_ml, before
        before[:, 1:] = per_ml[:, :-1]
        if self._per_ml is not None:
            before[:, 0] = self._per_ml
        self._per_ml = per_ml[:, -1].copy()
        assets = np.ascontiguousarray(samples["asset"])
        if np.all(assets == assets[0]):
            same[:, 1:] = counts[:, :-1]
            same_ml[1:] = volume_ml[:-1]
            firsts, lasts = np.array([0]), np.array([n - 1])
        else:
            order = np.argsort(assets, kind="stable")
            ranked = assets[order]
            starts = np.flatnonzero(np.r_[True, ranked[1:] != ranked[:-1]])
            same[:, order[1:]] = counts[:, order[:-1]]
            same_ml[order[1:]] = volume_ml[order[:-1]]
            firsts, lasts = order[starts], order[np.r_[starts[1:], n] - 1]
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
            asset = int(assets[first])
            same[:, first] = self._counts.get(asset, np.nan)
            same_ml[first] = self._ml.get(asset, np.nan)
            self._counts[asset], self._ml[asset] = counts[:, last].copy(), float(volume_ml[last])
        return same, same_ml, before


def by_code(samples: NDArray[np.void]) -> NDArray[np.bool_]:
    """Where the counter gave a code and no counts: what stands in `counts` there is nothing counted."""
    return np.asarray((samples["flags"] & records.FLAG_CODE) != 0)


def corrected(per_ml: Floats, sensing_volume_ml: float) -> tuple[Floats, Floats]:
    """Concentrations corrected for coincidence and the share lost, by `skidwright.formulas.coincidence`.

    NaN where refused. Where next to nothing is lost, a series takes the place of the iteration.
    """
    if not sensing_volume_ml:
        return per_ml, np.zeros_like(per_ml)
    x = per_ml * sensing_volume_ml
    # -W(-x) / x = sum of (n + 1)^n / (n + 1)! x^n (R. M. Corless et al. 1996, equation 3.1), which is also
    # true over observed
    rise = x * _SERIES[-1]
    for factor in _SERIES[-2::-1]:
        rise += factor
        rise *= x
    loss = rise / (1 + rise)
    true = per_ml * (1 + rise)
    heavy = x > _SERIES_UP_TO
    if heavy.any():
        true[heavy], loss[heavy] = coincidence.correct(per_ml[heavy], sensing_volume_ml)
    return true, loss


def _rows(column: NDArray[Any]) -> Floats:
    """(n, k) of any type as (k, n) contiguous float64."""
    return np.ascontiguousarray(column.T, dtype=np.float64)


def _distinct(crcs: NDArray[np.uint32]) -> tuple[list[int], NDArray[np.intp] | None]:
    """The distinct values and which one each is; None for the latter when there is at most one."""
    if not len(crcs) or np.all(crcs == crcs[0]):
        return [int(c) for c in crcs[:1]] or [0], None
    values, which = np.unique(crcs, return_inverse=True)
    return [int(v) for v in values], which
