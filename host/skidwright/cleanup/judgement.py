"""One run out of an archive, judged: what the command shows, draws and prints."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from skidwright.cleanup import progress
from skidwright.cleanup.decay import FEWEST, Decay, Interval
from skidwright.cleanup.progress import Progress, Samples
from skidwright.cleanup.runs import RUNNING, Run, end_text
from skidwright.samples.history import VALID, History
from skidwright.trade.water import Solubility


@dataclass(frozen=True)
class Judged:
    """A run with its samples and what they say. `step_s`: typical time from sample to sample.

    `unread` says which records after its begin cannot be read: another run may have begun or ended there.
    """

    run: Run
    samples: Samples
    progress: Progress
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

    def until_proven_s(self) -> Interval | None:
        """From the newest sample until so many in a row are on target; infinite: never, None: not known.

        None too once the run has ended, and with fewer valid samples than a decay is fitted to.
        """
        end = self.progress.end
        if end is None or self.run.how != RUNNING or self.too_few:
            return None
        last = float(self.samples.time_s[-1]) if len(self.samples.time_s) else 0.0
        more = (self.run.wanted - 1) * self.step_s
        return Interval(*(max(0.0, moment - last) + more for moment in end))


def judge(
    run: Run,
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
    made = progress.judge(samples, run.targets, run.water_limit_percent, tank_l, flow_l_min, solubility)
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


def _interval(found: Interval | None) -> dict[str, float | None] | None:
    return None if found is None else {name: _plain(value) for name, value in found._asdict().items()}
