"""Runs the catalogue over samples: which of them may be believed, for which quantity, and why not."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.arrays import Floats
from skidwright.checks import flow, loops
from skidwright.checks.catalogue import ABSENT, CATALOGUE, UNCHECKED, VALID, Verdicts, join
from skidwright.checks.check import QUANTITIES, SUSPECT
from skidwright.checks.in_force import SettingsHistory, ThresholdsInForce
from skidwright.checks.limits import CheckLimits
from skidwright.checks.readings import Before, Readings
from skidwright.formulas import iso4406
from skidwright.log.layouts import Dataset
from skidwright.log.timeline import Timeline

# Samples at a time: enough that numpy's cost a call counts little, few enough for the cache.
_STRETCH = 512 * records.SLOTS
_CARRYOVER = np.uint64([check.id for check in CATALOGUE].index("purge-carryover"))
_COUNTS, _WATER, _TEMPERATURE, _METAL = 0, 1, 2, 3


class Judge:
    """Judges a log piece by piece, in order; each sample is judged with what came before it only.

    `limits` may differ by record; `settings` says which settings were in force; `timeline` gives UTC (none:
    all times unknown).
    """

    def __init__(
        self,
        limits: CheckLimits | ThresholdsInForce | None = None,
        settings: SettingsHistory | None = None,
        timeline: Timeline | None = None,
    ) -> None:
        limits = limits or CheckLimits()
        self._thresholds = ThresholdsInForce(limits) if isinstance(limits, CheckLimits) else limits
        self.settings = settings or SettingsHistory()
        self.timeline = timeline
        self._before = Before()

    def judge(self, data: Dataset) -> Verdicts:
        """Verdicts on all samples of a dataset or of the next piece of one."""
        found = []
        for run, limits in self._thresholds.runs(data.samples["seq"]):
            for at in range(run.start, max(run.stop, run.start + 1), _STRETCH):
                found.append(self._stretch(data, slice(at, min(at + _STRETCH, run.stop)), limits))
        return join(found)

    def _stretch(self, data: Dataset, part: slice, limits: CheckLimits) -> Verdicts:
        samples, marks = data.samples[part], data.marks[part]
        utc_ms = utc_error_ms = None
        if self.timeline:
            utc_ms, utc_error_ms = self.timeline.utc(samples["boot"], samples["uptime_ms"])
        c = Readings(samples, marks, limits, self.settings, utc_ms, utc_error_ms, self._before)
        worst = np.zeros((len(QUANTITIES), c.n), np.uint8)
        reasons = np.zeros(c.n, np.uint64)
        for bit, check in enumerate(CATALOGUE):
            hit = check.test(c)
            if not hit.any():
                continue
            reasons |= hit.astype(np.uint64) << np.uint64(bit)
            if check.severity >= SUSPECT:
                for q in range(len(QUANTITIES)):
                    if check.quantities >> q & 1:
                        np.maximum(worst[q], hit * np.uint8(check.severity), out=worst[q])
        worst[_COUNTS][c.by_code & (worst[_COUNTS] == VALID)] = UNCHECKED
        worst[_TEMPERATURE][loops.temperature_absent(c)] = ABSENT
        worst[_METAL][loops.metal_absent(c)] = ABSENT
        return Verdicts(
            verdict=np.ascontiguousarray(worst.T),
            reasons=reasons,
            per_ml=_by_sample(c.true_per_ml),
            codes=_codes(c),
            left_over_per_ml=_by_sample(c.left_over_per_ml, np.float32),
            purge_needed_ul=flow.purge_needed_ul(c, (reasons >> _CARRYOVER & np.uint64(1)) != 0),
            settled_share=_by_sample(flow.settled_shares(c), np.float32),
            loss=_by_sample(c.loss),
            water_percent=c.saturation("mean"),
            utc_ms=c.utc_ms,
            utc_error_ms=c.utc_error_ms,
        )


def _by_sample(rows: Floats, kind: type[np.floating[Any]] = np.float64) -> NDArray[Any]:
    """(k, n) as (n, k), written row by row: numpy's own transposed copy takes more than twice as long."""
    out = np.empty(rows.shape[::-1], kind)
    for k, row in enumerate(rows):
        out[:, k] = row
    return out


def _codes(c: Readings) -> NDArray[np.uint8]:
    """Scale numbers of the corrected concentrations, (n, 4); the board's are kept where proven right."""
    # a correction only ever raises a concentration
    wrong = ~(c.code_right & (c.true_per_ml <= c.code_up_to)) & ~c.by_code
    codes = c.whole("codes").copy()
    place = np.flatnonzero(wrong)
    codes[place % c.n, place // c.n] = iso4406.scale_numbers(c.true_per_ml.reshape(-1)[place])
    return codes


def judge(
    data: Dataset,
    limits: CheckLimits | None = None,
    settings: SettingsHistory | None = None,
    timeline: Timeline | None = None,
) -> Verdicts:
    """Verdicts on a whole dataset. For a log in pieces keep a `Judge` and give it one piece after another."""
    return Judge(limits, settings, timeline).judge(data)
