"""How far a clean-up has come: where each quantity's fitted decay leads, in figures and words.

No verdict on the machine: that is `skidwright.standing`'s, whose rule for a single sample, as counted and as
read, also says here whether the newest one is on target. What is told besides is where the run goes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats
from skidwright.cleanup.decay import FEWEST, Decay, FitInterval, NoFit, fit
from skidwright.cleanup.runs import RUNNING, CleanupRun, end_text
from skidwright.formulas import iso4406
from skidwright.formulas.water import Solubility, content_ppm
from skidwright.samples.history import VALID, History
from skidwright.standing import particles, water
from skidwright.standing.goals import Goals

CHANNELS = (">=4 um(c)", ">=6 um(c)", ">=14 um(c)")
# States of a quantity, worst first.
NEVER, PERHAPS, UNKNOWN, ON_ITS_WAY, THERE = "never", "perhaps never", "not known", "on its way", "on target"
# Saturation moves with temperature while the water stays; a kelvin is several per cent of the reading.
_STEADY_K = 5.0


@dataclass(frozen=True)
class Samples:
    """What a run has brought, oldest first: n samples. NaN where nothing was measured.

    `time_s` since the start of the run; `per_ml` (n, 3); `code` (n, 4): scale numbers as counted; `valid`:
    the counts may be believed, `dry_valid`: the water saturation may.
    """

    time_s: Floats
    per_ml: Floats
    code: NDArray[np.uint8]
    volume_ml: Floats
    valid: NDArray[np.bool_]
    water_percent: Floats
    dry_valid: NDArray[np.bool_]
    temperature_c: Floats


@dataclass(frozen=True)
class CleanedQuantity:
    """One thing that a run brings down. Levels, limit and floor are in `unit`; times are seconds.

    `end`: when it reaches its limit, since the start of the run (infinite: never; None: not known).
    `ratio`: effective filtration ratio, where flow and tank are known. `ingress_per_min`: particles let in.
    """

    name: str
    unit: str
    limit: float
    latest: float
    found: Decay | NoFit
    time_s: Floats = field(repr=False)
    level: Floats = field(repr=False)
    state: str = UNKNOWN
    words: str = ""
    end: FitInterval | None = None
    ratio: FitInterval | None = None
    ingress_per_min: FitInterval | None = None


@dataclass(frozen=True)
class CleanupProgress:
    """All quantities of a run, and what they come to. `end` is that of the slowest; None: not known."""

    quantities: tuple[CleanedQuantity, ...]
    state: str
    end: FitInterval | None


def judge(
    samples: Samples,
    targets: tuple[int | None, int | None, int | None],
    water_limit_percent: float | None,
    tank_l: float | None = None,
    flow_l_min: float | None = None,
    solubility: Solubility | None = None,
) -> CleanupProgress:
    """Judge a run by its valid samples against scale numbers and a limit of water saturation.

    ValueError when nothing is asked for, or tank or flow are not above 0.
    """
    if not any(targets) and water_limit_percent is None:
        raise ValueError("a target or a water limit is needed")
    for figure in (tank_l, flow_l_min):
        if figure is not None and not figure > 0:
            raise ValueError("tank and flow must be above 0")
    goals = Goals((targets[0] or None, targets[1] or None, targets[2] or None, None), water_limit_percent)
    found = []
    for i in np.flatnonzero(np.isfinite(goals.limits_per_ml)).tolist():
        found.append(_particles(samples, i, goals, tank_l, flow_l_min))
    if water_limit_percent is not None:
        found.append(_water(samples, water_limit_percent, goals, solubility))
    order = (NEVER, PERHAPS, UNKNOWN, ON_ITS_WAY, THERE)
    state = min((q.state for q in found), key=order.index)
    return CleanupProgress(tuple(found), state, _slowest(found))


def _slowest(found: list[CleanedQuantity]) -> FitInterval | None:
    waiting = [q.end for q in found if q.state != THERE]
    if any(end is None for end in waiting):
        return None
    ends = [end for end in waiting if end is not None] or [FitInterval(0.0, 0.0, 0.0)]
    return FitInterval(max(e.value for e in ends), max(e.low for e in ends), max(e.high for e in ends))


def _particles(
    samples: Samples, i: int, goals: Goals, tank_l: float | None, flow: float | None
) -> CleanedQuantity:
    use = samples.valid & np.isfinite(samples.per_ml[:, i])
    t, level = samples.time_s[use], samples.per_ml[use, i]
    fitted = fit(t, level, samples.volume_ml[use])
    ratio = ingress = None
    if isinstance(fitted, Decay) and tank_l and flow:
        ratio = fitted.ratio(flow / 60 / tank_l)
    if isinstance(fitted, Decay) and tank_l:
        rate = fitted.rate_per_s.value * 60 * tank_l * 1000
        ingress = FitInterval(*(f * rate for f in fitted.floor))
    return _against(
        CHANNELS[i], "per mL", float(goals.limits_per_ml[i]), t, level, fitted, ratio, ingress,
        _newest_on_target(particles.codes_above(samples.code[use], goals)[:, i]),
        "dirt comes in as fast as the filter takes it out, or fluid goes by the filter",
    )  # fmt: skip


def _water(
    samples: Samples, limit_percent: float, goals: Goals, solubility: Solubility | None
) -> CleanedQuantity:
    use = samples.dry_valid & np.isfinite(samples.water_percent)
    t, level, limit, unit = samples.time_s[use], samples.water_percent[use], limit_percent, "% of saturation"
    warm = samples.temperature_c[use]
    fitted: Decay | NoFit
    if solubility is not None and len(warm) and np.isfinite(warm).all():
        level = np.asarray(content_ppm(level, warm, solubility))
        limit = float(content_ppm(limit_percent, float(np.median(warm[-5:])), solubility))
        unit = "ppm"
        fitted = fit(t, level)
    elif len(warm) and np.ptp(warm) > _STEADY_K:
        fitted = NoFit(
            f"the fluid's temperature changed by {np.ptp(warm):.0f} K meanwhile, and saturation with it: "
            "give the fluid's own constants of water (water_a, water_b)"
        )
    else:
        fitted = fit(t, level)
    return _against(
        "water", unit, limit, t, level, fitted, None, None,
        _newest_on_target(water.reads_above(samples.water_percent[use], goals)),
        "water comes in as fast as the dryer takes it out, or the dryer is spent",
    )  # fmt: skip


def _newest_on_target(above: NDArray[np.bool_]) -> bool:
    """Whether the newest sample is on target by the standing's rule; `above`: which of them are not."""
    return bool(len(above)) and not above[-1]


def _against(
    name: str, unit: str, limit: float, t: Floats, level: Floats, fitted: Decay | NoFit,
    ratio: FitInterval | None, ingress: FitInterval | None, at_limit: bool, because: str,
) -> CleanedQuantity:  # fmt: skip
    latest = float(level[-1]) if len(level) else math.nan
    end = None
    if isinstance(fitted, NoFit):
        state, words = THERE if at_limit else UNKNOWN, fitted.why
        still = fitted.level
        if still is not None and still.low > limit:
            state = NEVER
            words = (
                f"it stands still at {number(still.value)} {unit}, above {number(limit)}: as things are it "
                f"will never get there; {because}"
            )
        elif at_limit:
            words = f"at or below {number(limit)} {unit}"
    else:
        since = fitted.time_to(limit)
        first = float(t[0])
        end = FitInterval(*(first + moment for moment in since))
        floor = fitted.floor
        limits = f"{number(floor.low)} to {number(floor.high)}"
        if floor.low > limit:
            state = NEVER
            words = (
                f"it will never get there: it goes to {number(floor.value)} ({limits}) {unit}, above "
                f"{number(limit)}; {because}"
            )
        elif at_limit:
            state, words = THERE, f"at or below {number(limit)} {unit}"
        elif floor.value >= limit:
            state = PERHAPS
            words = (
                f"it may never get there: it goes to {number(floor.value)} ({limits}) {unit}, the target is "
                f"{number(limit)}; {because}, or it is too early to tell"
            )
        elif math.isinf(since.high):
            state = ON_ITS_WAY
            words = (
                f"it goes to {number(floor.value)} ({limits}) {unit}; it is too early to exclude a floor "
                "above the target"
            )
        else:
            state, words = ON_ITS_WAY, f"it goes to {number(floor.value)} ({limits}) {unit}"
    return CleanedQuantity(name, unit, limit, latest, fitted, t, level, state, words, end, ratio, ingress)


def number(value: float) -> str:
    """A level with three figures at the most, as a person writes it."""
    return f"{float(f'{value:.3g}'):.10g}" if math.isfinite(value) else "?"


def of_arrays(
    time_s: ArrayLike, per_ml: ArrayLike, volume_ml: ArrayLike, valid: ArrayLike,
    water_percent: ArrayLike | None = None, dry_valid: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
) -> Samples:  # fmt: skip
    """Samples out of plain arrays, of which water and temperature may be left out."""
    t = np.asarray(time_s, np.float64)

    def of(given: ArrayLike | None) -> Floats:
        return np.full(t.shape, np.nan) if given is None else np.asarray(given, np.float64)

    dry = np.zeros(t.shape, np.bool_) if dry_valid is None else np.asarray(dry_valid, np.bool_)
    counted = np.asarray(per_ml, np.float64)
    sizes = np.zeros((len(t), 4))
    sizes[:, : counted.shape[1]] = counted
    return Samples(
        time_s=t,
        code=iso4406.scale_numbers(sizes).astype(np.uint8),
        per_ml=counted[:, :3],
        volume_ml=np.broadcast_to(np.asarray(volume_ml, np.float64), t.shape),
        valid=np.asarray(valid, np.bool_),
        water_percent=of(water_percent),
        dry_valid=dry,
        temperature_c=of(temperature_c),
    )


@dataclass(frozen=True)
class Judged:
    """A run with its samples and what they say. `step_s`: typical time from sample to sample.

    `unread` says which records after its begin cannot be read: another run may have begun or ended there.
    """

    run: CleanupRun
    samples: Samples
    progress: CleanupProgress
    step_s: float
    unread: tuple[str, ...] = ()

    @property
    def excluded(self) -> int:
        """Samples that do not count."""
        return int((~self.run.valid).sum())

    @property
    def too_few(self) -> bool:
        """True when a quantity has fewer valid samples than a forecast needs."""
        return min(len(q.level) for q in self.progress.quantities) < FEWEST

    def until_proven_s(self) -> FitInterval | None:
        """From the newest sample until so many in a row are on target; infinite: never, None: not known.

        None too once the run has ended, and with fewer valid samples than a decay is fitted to.
        """
        end = self.progress.end
        if end is None or self.run.how != RUNNING or self.too_few:
            return None
        last = float(self.samples.time_s[-1]) if len(self.samples.time_s) else 0.0
        more = (self.run.wanted - 1) * self.step_s
        return FitInterval(*(max(0.0, moment - last) + more for moment in end))


def judge_run(
    run: CleanupRun,
    history: History,
    tank_l: float | None = None,
    flow_l_min: float | None = None,
    solubility: Solubility | None = None,
    unread: tuple[str, ...] = (),
) -> Judged:
    """Judge one run of the history's asset by all its samples; a sample's time is the middle of its count."""
    rows = run.rows
    end_s = (history.utc_ms[rows] - run.begun.astype(np.int64)) / 1000.0
    count_s = 60 * history.volume_ml[rows] / np.maximum(history.flow_ml_min[rows, 1], 1e-6)
    time_s = end_s - np.where(np.isfinite(count_s), count_s, 0) / 2
    keep = np.concatenate([[True], np.diff(time_s) > 0]) if len(time_s) else np.zeros(0, np.bool_)
    samples = Samples(
        time_s=time_s,
        per_ml=history.per_ml[rows, :3],
        code=history.code[rows],
        volume_ml=history.volume_ml[rows],
        valid=run.valid & keep,
        water_percent=history.water_percent[rows],
        dry_valid=(history.water_verdict[rows] == VALID) & keep,
        temperature_c=history.temperature_c[rows],
    )
    step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0
    made = judge(samples, run.targets, run.water_limit_percent, tank_l, flow_l_min, solubility)
    return Judged(run, samples, made, step_s, unread)


def answer(judged: Judged) -> dict[str, Any]:
    """Everything for programs: plain values, units in the names, None for what is unknown or never."""
    run = judged.run
    until = judged.until_proven_s()
    return {
        "asset": run.asset,
        "target": run.target_text,
        "water_limit_percent": run.water_limit_percent,
        "samples_in_a_row": run.wanted,
        "begun": _moment(run.begun),
        "ended": _moment(run.ended),
        "how": end_text(run.how),
        "running": run.how == 0,
        "samples": len(run.rows),
        "not_valid": judged.excluded,
        "unread": list(judged.unread),
        "state": judged.progress.state,
        "until_proven_s": _interval(until),
        "quantities": [
            {
                "name": q.name,
                "unit": q.unit,
                "limit": q.limit,
                "latest": _plain(q.latest),
                "state": q.state,
                "words": q.words,
                "floor": _interval(q.found.floor) if isinstance(q.found, Decay) else None,
                "tau_s": _interval(q.found.tau_s) if isinstance(q.found, Decay) else None,
                "scatter": q.found.scatter if isinstance(q.found, Decay) else None,
                "filtration_ratio": _interval(q.ratio),
                "ingress_per_min": _interval(q.ingress_per_min),
                "on_target_after_s": _interval(q.end),
            }
            for q in judged.progress.quantities
        ],
    }


def _moment(when: np.datetime64) -> str | None:
    return None if np.isnat(when) else f"{when.astype('datetime64[s]')}Z"


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _interval(found: FitInterval | None) -> dict[str, float | None] | None:
    return None if found is None else {name: _plain(value) for name, value in found._asdict().items()}
