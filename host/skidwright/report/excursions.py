"""Stretches of valid samples beyond a target or limit: when dirt or water came in and went again."""

import numpy as np
from numpy.typing import NDArray

from skidwright.register.model import AssetRecord
from skidwright.report.happenings import Told, iso
from skidwright.samples.history import VALID, History
from skidwright.standing import particles, water
from skidwright.standing.goals import Goals
from skidwright.trade.code_text import format_code

# So many valid samples within limits end a stretch: one sample on the border does not.
_CALM = 2
SHOWN = 20
KINDS = ("dirtier than target", "wetter than limit")
LASTING = "still so at the end"


def of(samples: History, asset: AssetRecord, goals: Goals) -> list[Told]:
    """The newest stretches beyond the asset's target and water limit, oldest first."""
    found: list[Told] = []
    if goals.has_target:
        rows = np.flatnonzero(samples.counts_verdict == VALID)
        over = np.asarray(particles.above(samples, rows, goals).any(axis=1))
        for first, last, end in _stretches(over):
            worst = format_code(samples.code[rows[first : last + 1], :3].max(axis=0).tolist())
            span = _span(samples, rows, first, last, end)
            target = f" (target {format_code(asset.target)})" if asset.target else ""
            found.append(Told(_ms(samples, rows[first]), KINDS[0], f"{span}, worst {worst}{target}", True))
    if goals.water_limit_percent is not None:
        rows = np.flatnonzero(samples.water_verdict == VALID)
        for first, last, end in _stretches(water.above_as_read(samples, rows, goals)):
            worst_percent = float(samples.water_percent[rows[first : last + 1]].max())
            detail = (
                f"{_span(samples, rows, first, last, end)}, worst {worst_percent:.1f} % "
                f"(limit {goals.water_limit_percent:g} %)"
            )
            found.append(Told(_ms(samples, rows[first]), KINDS[1], detail, True))
    found.sort()
    return found[-SHOWN:]


def _ms(samples: History, row: int) -> int:
    return int(samples.when[row].astype("datetime64[ms]").astype(np.int64))


def _stretches(over: NDArray[np.bool_]) -> list[tuple[int, int, int | None]]:
    """(first over, last over, first calm sample after it or None while it lasts), places in `over`."""
    places = np.flatnonzero(over)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > _CALM)
    firsts = places[np.r_[0, breaks + 1]].tolist()
    lasts = places[np.r_[breaks, len(places) - 1]].tolist()
    return [
        (first, last, last + 1 if last + _CALM < len(over) else None)
        for first, last in zip(firsts, lasts, strict=True)
    ]


def _span(samples: History, rows: NDArray[np.intp], first: int, last: int, end: int | None) -> str:
    count = last - first + 1
    times = f"{count} valid sample{'s' if count > 1 else ''}"
    if end is None:
        return f"{times}, {LASTING}"
    return f"{times}, until {iso(_ms(samples, rows[end]))}"
