"""Clean-up runs as they stand in the log: what was aimed at, when, how it ended, with which samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skidboard import cleanup, records

from skidwright.samples import unreadable
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import VALID, History

RUNNING = 0
# How a run ended, by the code of its record.
ENDS = {
    RUNNING: "running",
    cleanup.ON_TARGET: "on target",
    cleanup.BY_COMMAND: "stopped by command",
    cleanup.TOO_LONG: "stopped: the longest time was over",
    cleanup.NO_PROGRESS: "stopped: no progress",
    cleanup.TRIP: "stopped: an interlock tripped",
    cleanup.POWER: "stopped: power was lost or the board reset",
    cleanup.SETTINGS: "stopped: settings were changed",
    cleanup.LEFT: "stopped: the firmware was left",
}


def end_text(code: int) -> str:
    """How a run ended, in words."""
    return ENDS.get(code, f"ended in a way this version does not know ({code})")


@dataclass(frozen=True)
class CleanupRun:
    """One run. Times are datetime64[ms] in UTC, NaT where no time is known; `ended` also while it runs.

    `targets` are scale numbers for >=4, >=6, >=14 um(c), None where not asked, as is `water_limit_percent`.
    `rows` are the places of its samples in the asset's History; `valid` says which of them count.
    """

    asset: int
    targets: tuple[int | None, int | None, int | None]
    water_limit_percent: float | None
    wanted: int
    output: int
    begun: np.datetime64
    ended: np.datetime64
    how: int
    run_s: int
    log: Assessment
    first_seq: int
    last_seq: int
    rows: NDArray[np.intp]
    valid: NDArray[np.bool_]

    @property
    def target_text(self) -> str:
        """Such as "16/14/11"; "-" where not asked."""
        return "/".join("-" if number is None else str(number) for number in self.targets)


def runs_of(history: History, logs: Sequence[Assessment]) -> list[CleanupRun]:
    """All clean-up runs of the history's asset in `logs`, oldest first."""
    found = []
    for log in logs:
        kinds = log.events["kind"] == records.CLEANUP
        mine = np.flatnonzero(kinds & (log.events["asset"] == history.asset))
        utc_ms = log.event_times()[0]
        for k, i in enumerate(mine.tolist()):
            if int(log.events["code"][i]):
                continue
            over = mine[k + 1] if k + 1 < len(mine) else None
            found.append(_run(history, log, utc_ms, i, None if over is None else int(over)))
    return sorted(found, key=lambda run: (np.isnat(run.begun), run.begun.astype(np.int64), run.first_seq))


def proven_since(
    history: History, logs: Sequence[Assessment], row: int, now: np.datetime64, oldest_days: float
) -> bool:
    """Whether sample `row` and those after it are of a clean-up that ended on target, or came after it.

    A clean-up that ended longer ago than `oldest_days` before `now` says nothing of the machine any more.
    """
    done = [run for run in runs_of(history, logs) if run.how == cleanup.ON_TARGET and len(run.rows)]
    if not done:
        return False
    newest = done[-1]
    ended = newest.ended if not np.isnat(newest.ended) else history.when[newest.rows[-1]]
    old = bool((now - ended) / np.timedelta64(1, "D") > oldest_days) if not np.isnat(ended) else True
    return row >= int(newest.rows[0]) and not old


def unread_since(run: CleanupRun | None, history: History, logs: Sequence[Assessment]) -> tuple[str, ...]:
    """What cannot be read of the asset's boards since a run began, a line each; without a run, at all.

    The end of the run or another run may have stood there. Raises OSError.
    """
    boards = {log.path.parent.name for log in history.logs}
    of_boards = [log for log in logs if log.path.parent.name in boards]
    if run is None:
        return tuple(unreadable.listed([one for log in of_boards for one in unreadable.unread(log)]))
    begun_ms = None if np.isnat(run.begun) else int(run.begun.astype(np.int64))
    return tuple(unreadable.listed(unreadable.after(of_boards, run.log.path, run.first_seq, begun_ms)))


def _run(
    history: History, log: Assessment, utc_ms: NDArray[np.int64], i: int, over: int | None
) -> CleanupRun:
    begin = log.events[i]
    end = None if over is None or int(log.events["code"][over]) == RUNNING else log.events[over]
    first = int(begin["seq"])
    last = int(end["seq"]) if end is not None else np.iinfo(np.uint32).max
    if (
        over is not None and end is None
    ):  # a new run without an end of this one: only a damaged record does that
        last = int(log.events["seq"][over])
    here = np.array([one is log for one in history.logs], np.bool_)
    inside = here[history.which_log] if len(here) else np.zeros(len(history), np.bool_)
    rows = np.flatnonzero(inside & (history.seq > first) & (history.seq < last))
    aim = int(begin["a"])
    targets = tuple(aim >> shift & 0xFF or None for shift in (0, 8, 16))
    limit = int(begin["b"]) / 100 or None
    valid = history.counts_verdict[rows] == VALID
    times = utc_ms.astype("datetime64[ms]")
    nothing = np.datetime64("NaT", "ms")
    return CleanupRun(
        asset=history.asset,
        targets=(targets[0], targets[1], targets[2]),
        water_limit_percent=limit,
        wanted=aim >> 24,
        output=int(begin["c"]),
        begun=times[i],
        ended=times[over] if over is not None and end is not None else nothing,
        how=RUNNING if end is None else int(end["code"]),
        run_s=0 if end is None else int(end["a"]),
        log=log,
        first_seq=first,
        last_seq=last,
        rows=rows,
        valid=valid,
    )
