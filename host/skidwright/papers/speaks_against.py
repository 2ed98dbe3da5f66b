"""What a log holds beside a certificate's samples: newer ones over the target, and records nobody can read.

A paper says that the newest samples met the target on the day of its issue. So a sample over it that was
taken at or after the oldest of the paper's, and by the time of issue, speaks against the paper, whether it
had been pulled by then or not. What was taken later says nothing of that day.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright.formulas.iso4406 import parse_code
from skidwright.formulas.water import Solubility
from skidwright.log.timeline import UNKNOWN_UTC_MS
from skidwright.papers.claim import over_target, over_water
from skidwright.samples import unreadable
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import VALID, History, histories
from skidwright.standing.goals import SURE, Goals
from skidwright.wording import moment

_SHOWN = 3


def against(stated: dict[str, Any], logs: Sequence[Assessment]) -> tuple[list[str], list[str]]:
    """What speaks against a paper, and what is only worth a note, a line each; `logs`: all of the archive.

    Raises OSError when a log cannot be read; ValueError, KeyError and such for content of another shape.
    """
    history = histories(logs, [int(stated["asset"]["number"])]).get(int(stated["asset"]["number"]))
    until_ms = issued_ms(stated)
    if history is None:
        return [], []
    named = {
        (str(part["device"]), str(part["log"]), int(seq))
        for part in stated["logs"]
        for seq in part["records"]
    }
    own = _own(history, named)
    if not len(own):
        return [], []
    others = np.setdiff1d(np.arange(own[0], len(history)), own)
    by_then = _by(history, others, until_ms)
    wrong = _over(stated, history, others[by_then])
    lines = [f"{words}: taken before the paper was issued, and left out" for words in wrong[-_SHOWN:]]
    if len(wrong) > len(lines):
        lines.insert(0, f"{len(wrong)} samples over the target or the water limit were left out; the newest:")
    for one in unreadable.since(history, int(own[0]), logs):
        if one.earliest_utc_ms is None or one.earliest_utc_ms <= until_ms:
            lines.append(f"{one}: they may be newer than its samples; {unreadable.REMEDY}")
    return lines, _since(stated, history, others[~by_then])


def _own(history: History, named: set[tuple[str, str, int]]) -> NDArray[np.intp]:
    """The rows of the paper's own records."""
    seqs = np.array(sorted({seq for _, _, seq in named}), np.int64)
    rows = np.flatnonzero(np.isin(history.seq, seqs))
    paths = [history.log_path(row) for row in rows.tolist()]
    mine = [
        (path.parent.name, path.stem, int(history.seq[row])) in named
        for path, row in zip(paths, rows.tolist(), strict=True)
    ]
    return rows[np.array(mine, np.bool_)]


def _by(history: History, rows: NDArray[np.intp], issued_ms: int) -> NDArray[np.bool_]:
    """Which of some samples were taken by the time of issue, or may have been where no time is known.

    A time that is only bounded below is that bound: later than the issue, it is later for certain.
    """
    taken = history.utc_ms[rows]
    return np.asarray((taken == UNKNOWN_UTC_MS) | (taken <= issued_ms))


def _over(stated: dict[str, Any], history: History, rows: NDArray[np.intp]) -> list[str]:
    """The samples among `rows` that are over the target or the limit, a line each, oldest first."""
    goals = stated_goals(stated)
    found = over_target(history, rows, goals)
    for row, text in over_water(history, rows, goals).items():
        found.setdefault(row, []).append(text)
    return ["; ".join(found[row]) for row in sorted(found)]


def stated_goals(stated: dict[str, Any]) -> Goals:
    """What a certificate says was asked. Raises ValueError, KeyError and such for content of another
    shape.
    """
    extra, limit = stated.get("target_21um"), stated["water_limit_percent"]
    target = parse_code(stated["target"])
    first_format = stated["format"] == 1  # which did not judge at the coldest temperature
    named = None if first_format else stated["water_constants"]
    own = None if named is None else Solubility(float(named[0]), float(named[1]), "", "")
    cold = None if first_format or stated["coldest_c"] is None else float(stated["coldest_c"])
    asked = stated.get("confidence_asked")
    return Goals(
        (*target, None if extra is None else int(extra)), None if limit is None else float(limit), cold, own,
        SURE if asked is None else float(asked), len(stated["samples"]) or 1, True,
    )  # fmt: skip


def _since(stated: dict[str, Any], history: History, rows: NDArray[np.intp]) -> list[str]:
    """What samples after the issue come to, in a line; none without any that is valid."""
    valid = rows[history.counts_verdict[rows] == VALID]
    if not len(valid):
        return []
    over = _over(stated, history, valid)
    what = (
        f"{len(over)} of them over its target or limit" if over else "none of them over its target or limit"
    )
    many = "1 valid sample was" if len(valid) == 1 else f"{len(valid)} valid samples were"
    return [f"{many} taken since it was issued, {what}; the newest {moment(history.when[valid[-1]])}"]


def issued_ms(stated: dict[str, Any]) -> int:
    """The time of issue, UTC in ms. Raises ValueError when it is none."""
    issued = datetime.datetime.fromisoformat(str(stated["issued_utc"]))
    if issued.tzinfo is None:
        issued = issued.replace(tzinfo=datetime.UTC)
    return int(issued.timestamp() * 1000)
