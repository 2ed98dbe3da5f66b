"""Whether the newest samples support a paper: k valid ones in a row, each at or below the target."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.errors import PaperError
from skidwright.judgement.wetness import FREE, WHEN_COLD, water_state
from skidwright.register import AssetRecord
from skidwright.report.part import iso_time
from skidwright.samples.confidence import chances_at_most, limits_per_ml
from skidwright.samples.history import VALID, History
from skidwright.trade.code_text import format_code

Target = tuple[int, int, int]


@dataclass(frozen=True)
class Claim:
    """The samples (row numbers of the history) that a paper rests on, and what may be said of them.

    `chances` are those that the true scale number of each channel is at or below the target, of all the
    samples' counts together. `excluded` samples between and after them were not valid. `when_cold` says what
    the water comes to at the coldest temperature the machine sees, "" where that is not known.
    """

    rows: NDArray[np.intp]
    target: Target
    water_limit_percent: float | None
    chances: tuple[float, ...]
    excluded: int
    refusals: tuple[str, ...]
    target_21um: int | None = None
    when_cold: str = ""


def claim(
    history: History,
    asset: AssetRecord,
    target: Target,
    water_limit_percent: float | None,
    samples: int,
    limits: CheckLimits,
) -> Claim:
    """The newest `samples` that are valid, counts and, with a limit, water. Raises PaperError for too few.

    `asset` gives the target of >=21 um(c), if it has one, the coldest temperature and the fluid's constants.
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
    refusals = []
    for row in rows.tolist():
        code = history.code[row, :3].tolist()
        name = f"record {history.seq[row]} of {iso_time(history.when[row])}"
        if any(number > most for number, most in zip(code, target, strict=True)):
            refusals.append(f"{name} is {format_code(code)}, the target {format_code(target)}")
        if asset.target_21um is not None and history.code[row, 3] > asset.target_21um:
            refusals.append(f"{name} is {history.code[row, 3]} at >=21 um(c), the target {asset.target_21um}")
        water = float(history.water_percent[row])
        if water_limit_percent is not None and water > water_limit_percent:
            refusals.append(f"{name} is at {water:.1f} % of saturation, the limit {water_limit_percent:g} %")
    wet = water_state(history, replace(asset, water_limit_percent=water_limit_percent))
    when_cold = ""
    if water_limit_percent is not None and np.isfinite(wet.cold_percent).all():
        span = " to ".join(dict.fromkeys(f"{percent:.0f}" for percent in wet.cold_percent))
        when_cold = f"at {wet.cold_c:g} °C, the coldest the fluid gets, {span} %"
        if wet.state in (WHEN_COLD, FREE):
            refusals.append(
                f"the water comes to {span} % at {wet.cold_c:g} °C, the coldest the fluid gets; the limit is "
                f"{water_limit_percent:g} %"
            )
    counts = history.counts[rows].sum(axis=0)[None, :]
    chances = chances_at_most(counts, [history.volume_ml[rows].sum()], target, limits)[0]
    return Claim(
        rows, target, water_limit_percent, tuple(chances.tolist()), int(len(history) - rows[0] - len(rows)),
        tuple(refusals), asset.target_21um, when_cold,
    )  # fmt: skip


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
