"""Whether the newest samples support a paper: k valid ones in a row, each at or below the target.

Two rules, both named on the paper. Each sample by itself must be at or below the target, by its scale
numbers as counted, and its water within the limit at the coldest temperature the machine sees. And the
confidence that the fluid of all of them is at or below the target, as `skidwright receive` reckons it, is
stated; where one is asked for, as for a delivery, it must be reached.

A sample among or after them that is valid for counts or for water alone does not count, but it speaks against
the paper where it is over. Where records at or after the oldest sample cannot be read, nobody knows whether
these are the newest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.errors import PaperError
from skidwright.judgement.wording import moment as iso_time
from skidwright.judgement.wording import size
from skidwright.receiving.decision import alike, reached
from skidwright.register import AssetRecord
from skidwright.samples import coldest, unread
from skidwright.samples.assessment import Assessment
from skidwright.samples.confidence import limits_per_ml
from skidwright.samples.history import VALID, History
from skidwright.trade.code_text import format_code
from skidwright.trade.water import Solubility

Target = tuple[int, int, int]


@dataclass(frozen=True)
class Water:
    """The wettest of a paper's samples where it is judged, in percent of saturation, and in words.

    `low_percent` and `high_percent` differ where the published constants do; `state` is one of
    `samples.coldest`.
    """

    low_percent: float
    high_percent: float
    at_c: float
    state: str
    words: str


@dataclass(frozen=True)
class Claim:
    """The samples (row numbers of the history) that a paper rests on, and what may be said of them.

    `confidences` are those with which each channel is at or below the target, >=21 um(c) as a fourth one
    where it has a target; all of them are with the lowest, `confidence`. They are of all samples together, or
    of the least sure one where these are not of `one_fluid`. `excluded` samples between and after them were
    not valid. `water` is None where no limit is asked. `unread` says which records cannot be read that may be
    newer than the oldest sample: the last of the refusals then.
    """

    rows: NDArray[np.intp]
    target: Target
    water_limit_percent: float | None
    confidences: tuple[float, ...]
    excluded: int
    refusals: tuple[str, ...]
    target_21um: int | None = None
    water: Water | None = None
    confidence_asked: float | None = None
    one_fluid: bool = True
    unread: tuple[str, ...] = ()

    @property
    def confidence(self) -> float:
        """The confidence with which every channel is at or below the target."""
        return min(self.confidences)


def claim(
    history: History,
    asset: AssetRecord,
    target: Target,
    water_limit_percent: float | None,
    samples: int,
    limits: CheckLimits,
    confidence: float | None = None,
    logs: Sequence[Assessment] = (),
) -> Claim:
    """The newest `samples` that are valid, counts and, with a limit, water. Raises PaperError for too few.

    `asset` gives the target of >=21 um(c), if it has one, the coldest temperature and the fluid's constants;
    `confidence` is the least that must be reached, None for whatever it is. `logs` are all of the archive:
    damage in them may hide newer samples. Raises OSError when one cannot be read.
    """
    valid = history.counts_verdict == VALID
    if water_limit_percent is not None:
        valid &= history.water_verdict == VALID
    rows = np.flatnonzero(valid)[-samples:]
    if len(rows) < samples:
        kind = "counts and water" if water_limit_percent is not None else "counts"
        raise PaperError(
            f"{len(rows)} samples with valid {kind}, {samples} are needed",
            f"asset {history.asset}",
            "take more samples; `skidwright check` says why the others are not valid",
        )
    among = np.arange(rows[0], len(history))
    dirty = over_target(history, among, target, asset.target_21um)
    refusals = [words for row in among.tolist() for words in dirty.get(row, ())]
    wet: Water | None = None
    wet_refusals: list[str] = []
    if water_limit_percent is not None:
        wet, wet_refusals = _water(history, rows, asset, water_limit_percent)
        others = np.setdiff1d(among, rows)
        soaked = over_water(history, others, asset.coldest_c, asset.solubility, water_limit_percent)
        wet_refusals += soaked.values()
    numbers = target if asset.target_21um is None else (*target, asset.target_21um)
    sure = reached(history, rows, numbers, limits)
    if confidence is not None and min(sure) < confidence and not refusals:
        worst = int(np.argmin(sure))
        refusals.append(
            f"{size(worst)} is at or below its target with {percent(sure[worst])} confidence only, "
            f"{100 * confidence:g} % are asked for: take more samples, or clean on"
        )
    hidden = unread.listed(unread.since(history, int(rows[0]), logs))
    return Claim(
        rows, target, water_limit_percent, sure, int(len(history) - rows[0] - len(rows)),
        (*refusals, *wet_refusals, *hidden), asset.target_21um, wet, confidence,
        alike(history, rows, len(numbers), limits), tuple(hidden),
    )  # fmt: skip


def over_target(
    history: History, rows: NDArray[np.intp], target: Target, target_21um: int | None
) -> dict[int, list[str]]:
    """Which of some rows have valid counts over a target, with a line for each way in which they are."""
    found: dict[int, list[str]] = {}
    for row in rows[history.counts_verdict[rows] == VALID].tolist():
        code = history.code[row, :3].tolist()
        lines = []
        if any(number > most for number, most in zip(code, target, strict=True)):
            lines.append(f"{_name(history, row)} is {format_code(code)}, the target {format_code(target)}")
        if target_21um is not None and history.code[row, 3] > target_21um:
            at_21um = f"{history.code[row, 3]} at >=21 um(c)"
            lines.append(f"{_name(history, row)} is {at_21um}, the target {target_21um}")
        if lines:
            found[row] = lines
    return found


def over_water(
    history: History,
    rows: NDArray[np.intp],
    coldest_c: float | None,
    own: Solubility | None,
    limit_percent: float,
) -> dict[int, str]:
    """Which of some rows have valid water that is over a limit where it is judged, with a line each."""
    found = {}
    for row in rows[history.water_verdict[rows] == VALID].tolist():
        read, warm = history.water_percent[row : row + 1], history.temperature_c[row : row + 1]
        one = worst_water(read, warm, coldest_c, own, limit_percent)
        if one.state == coldest.OVER:
            found[row] = f"{_name(history, row)} has water, {one.words}; the limit is {limit_percent:g} %"
    return found


def percent(confidence: float) -> str:
    """A confidence for a paper, never rounded up: "97.3 %", "over 99.9 %", "under 0.1 %"."""
    if confidence > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if confidence < 0.001 else f"{int(confidence * 1000) / 10:.1f} %"


def worst_water(
    read_percent: NDArray[np.float64],
    warm_c: NDArray[np.float64],
    coldest_c: float | None,
    own: Solubility | None,
    limit_percent: float,
) -> Water:
    """The wettest of some readings at the coldest temperature, the rule of `samples.coldest`."""
    at = coldest.at_coldest(read_percent, warm_c, coldest_c, own)
    worst = int(np.argmax(at.high_percent))
    low, high = float(at.low_percent[worst]), float(at.high_percent[worst])
    state = coldest.state(low, high, limit_percent)
    if state == coldest.WITHIN and coldest_c is not None and np.isnan(at.at_c).any():
        state = coldest.OPEN
    place = coldest.where(float(warm_c[worst]), float(at.at_c[worst]), coldest_c)
    return Water(low, high, float(at.at_c[worst]), state, f"{coldest.saturation(low, high, 1)} {place}")


def _water(
    history: History, rows: NDArray[np.intp], asset: AssetRecord, limit: float
) -> tuple[Water, list[str]]:
    """The wettest of all the samples, and what speaks against each."""
    read, warm = history.water_percent[rows], history.temperature_c[rows]
    own = asset.solubility
    refusals = []
    for k, row in enumerate(rows.tolist()):
        one = worst_water(read[k : k + 1], warm[k : k + 1], asset.coldest_c, own, limit)
        if one.state == coldest.OVER:
            refusals.append(f"{_name(history, row)} has water, {one.words}; the limit is {limit:g} %")
        elif one.state == coldest.OPEN:
            why = "the published constants do not agree, so give the fluid's own (water_a, water_b)"
            if np.isnan(one.at_c):
                why = f"so nobody knows what it comes to at {asset.coldest_c:g} degC, the coldest it gets"
            refusals.append(
                f"{_name(history, row)} has water, {one.words}, the limit is {limit:g} %, and {why}"
            )
    return worst_water(read, warm, asset.coldest_c, own, limit), refusals


def _name(history: History, row: int) -> str:
    return f"record {history.seq[row]} of {iso_time(history.when[row])}"


def sample_lines(history: History, rows: NDArray[np.intp], limits: CheckLimits) -> list[dict[str, object]]:
    """The samples as plain values, as a paper shows and keeps them."""
    low, high = limits_per_ml(history.counts[rows], history.volume_ml[rows], limits)
    lines: list[dict[str, object]] = []
    for k, row in enumerate(rows.tolist()):
        water, fluid = float(history.water_percent[row]), float(history.temperature_c[row])
        lines.append({
            "record": int(history.seq[row]),
            "utc": iso_time(history.when[row]),
            "iso4406": format_code(history.code[row, :3].tolist()),
            "per_ml": [_rounded(x) for x in history.per_ml[row].tolist()],
            "limits_per_ml": [[_rounded(a), _rounded(b)] for a, b in zip(low[k], high[k], strict=True)],
            "volume_ml": round(float(history.volume_ml[row]), 3),
            "water_percent": None if np.isnan(water) else round(water, 1),
            "temperature_c": None if np.isnan(fluid) else round(fluid, 1),
        })  # fmt: skip
    return lines


def _rounded(value: float) -> float:
    """Four digits: more than the counts carry, and the same text everywhere."""
    return float(f"{value:.4g}")
