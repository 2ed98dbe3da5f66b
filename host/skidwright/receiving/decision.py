"""Accept or refuse a fluid (a delivery, or one that was moved) against a target, on valid samples.

The newest so many valid samples are put together: their counts add up, so do their volumes. A channel is
proven when the one-sided upper limit of its true concentration (Garwood's, `trade.counting`, with the
volume's uncertainty and coincidence) lies at or below the target's limit of ISO 4406; it is over when the
lower limit lies above. The fluid is accepted only when every channel is proven, so the chance to accept one
that is over its target in any channel is at most 1 - confidence, however many channels there are (an
intersection-union test: R. L. Berger, Technometrics 24, 1982; from memory).

Samples that differ by more than chance are not of one fluid: then none of them may be outvoted, and each
must be proven by itself.

Common practice, no source: fluid is filtered whenever it is moved, new fluid included; clear fluid proves
nothing, since the eye sees particles from about 40 um.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.checks.verdicts import VALID, WORDS, ids_of
from skidwright.samples import coldest
from skidwright.samples.history import History
from skidwright.trade.comparison import p_value_of_same
from skidwright.trade.counting import confidence_at_most, interval, volume_for_number_ml
from skidwright.trade.iso4406 import (
    FEW_PARTICLES,
    HIGHEST,
    UPPER_PER_ML,
    code_texts,
    scale_number,
    scale_numbers,
)
from skidwright.trade.water import Solubility

ACCEPTED, REFUSED, OPEN = "accepted", "refused", "not proven"
SIZES_UM = (4, 6, 14, 21)
# Samples of one fluid are told apart wrongly in this share of cases, over all pairs and channels together.
FALSE_DIFFERENCE = 0.01
PRACTICE = (
    "filter fluid whenever it is moved, new fluid included (common practice, no source)",
    "clear fluid proves nothing: the eye sees particles from about 40 um (common practice, no source)",
)
_NOT_ONE_FLUID = (
    "the samples differ by more than chance, so each must be proven by itself: stir, flush the line, and see "
    "whether the count still falls or rises"
)
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Terms:
    """What is asked of the fluid: scale numbers for >=4, >=6, >=14 um(c), and for >=21 um(c) if given.

    `samples`: how many valid ones are needed. `since_ms`, UTC: older samples are not looked at. `confidence`
    is one-sided. `water_limit_percent` of None or 100 asks nothing of water. Water is judged at `coldest_c`,
    the coldest the machine sees, by the fluid's own constants if `solubility` gives them (`samples.coldest`).
    """

    target: tuple[int, int, int]
    target_21um: int | None = None
    samples: int = 3
    confidence: float = 0.95
    water_limit_percent: float | None = None
    since_ms: int | None = None
    coldest_c: float | None = None
    solubility: Solubility | None = None

    @property
    def numbers(self) -> tuple[int, ...]:
        """The worst accepted scale number of each channel that counts."""
        return self.target if self.target_21um is None else (*self.target, self.target_21um)


@dataclass(frozen=True)
class Channel:
    """One channel: what was found against what was asked, in particles per mL."""

    size_um: int
    target: int
    limit_per_ml: float
    number: int
    per_ml: float
    low_per_ml: float
    high_per_ml: float
    state: str


@dataclass(frozen=True)
class Decision:
    """`outcome` is ACCEPTED, REFUSED or OPEN, `reasons` say why; it rests on `rows` of the history."""

    outcome: str
    reasons: tuple[str, ...]
    code: str = ""
    channels: tuple[Channel, ...] = ()
    rows: tuple[int, ...] = ()
    one_fluid: bool = True
    left_out: dict[str, int] = field(default_factory=dict)

    @property
    def accepted(self) -> bool:
        """True only for ACCEPTED."""
        return self.outcome == ACCEPTED


def decide(history: History, terms: Terms, limits: CheckLimits) -> Decision:
    """Accept, refuse, or say what is missing. ValueError when `terms` ask for what cannot be."""
    if terms.samples < 1 or not 0.5 < terms.confidence < 1:
        raise ValueError("at least one sample and a confidence from 50 to 100 % are needed")
    rows = _looked_at(history, terms)
    valid = rows[history.counts_verdict[rows] == VALID]
    used = valid[-terms.samples :]
    left_out = _left_out(history, rows, used)
    if len(used) < terms.samples:
        have = "no valid sample" if not len(used) else f"only {len(used)} valid of {terms.samples} needed"
        return Decision(OPEN, (_since(have, terms), *_why(left_out)), rows=_list(used), left_out=left_out)
    one_fluid = alike(history, used, len(terms.numbers), limits)
    channels = _channels(history, used, terms, limits, one_fluid)
    water, water_words = _water(history, used, terms)
    said = [(channel.state, _words(channel, terms)) for channel in channels] + [(water, water_words)]
    states = [state for state, _ in said]
    outcome = REFUSED if REFUSED in states else OPEN if OPEN in states else ACCEPTED
    # what decided it stands first
    reasons = [text for _, text in sorted(said, key=lambda pair: (REFUSED, OPEN, ACCEPTED).index(pair[0]))]
    if not one_fluid:
        reasons.insert(0, _NOT_ONE_FLUID)
    if outcome == OPEN and OPEN in states[:-1]:
        reasons += _more(channels, history, used, terms, limits)
    numbers = np.array([[channel.number for channel in channels[:3]]])
    few = history.counts[used].sum(axis=0)[:3] < FEW_PARTICLES
    code = code_texts(numbers, few)[0]
    return Decision(
        outcome,
        (*reasons, *_why(left_out)),
        code,
        tuple(channels),
        _list(used),
        one_fluid,
        left_out,
    )


def unless_hidden(decision: Decision, hidden: Sequence[str]) -> Decision:
    """Accepts nothing where records that cannot be read may be newer samples, a line of `hidden` each."""
    if not hidden:
        return decision
    outcome = OPEN if decision.accepted else decision.outcome
    told = [f"{line}: any may be a newer sample of this fluid" for line in hidden]
    return replace(decision, outcome=outcome, reasons=(*told, *decision.reasons))


def _looked_at(history: History, terms: Terms) -> NDArray[np.intp]:
    if terms.since_ms is None:
        return np.arange(len(history))
    dated = ~np.isnat(history.when)
    return np.flatnonzero(dated & (history.utc_ms >= terms.since_ms))


def _left_out(history: History, rows: NDArray[np.intp], used: NDArray[np.intp]) -> dict[str, int]:
    """Checks that spoke against samples among and after those used, with how many; worst first."""
    among = rows[rows >= used[0]] if len(used) else rows
    counts: dict[str, int] = {}
    for row in among[history.counts_verdict[among] != VALID].tolist():
        names = ids_of(int(history.reasons[row]), notes=False)
        for name in names or [WORDS[int(history.counts_verdict[row])]]:
            counts[name] = counts.get(name, 0) + 1
    return dict(sorted(counts.items(), key=lambda item: -item[1]))


def _why(left_out: dict[str, int]) -> tuple[str, ...]:
    if not left_out:
        return ()
    said = ", ".join(f"{name} ({count})" for name, count in left_out.items())
    return (f"samples not believed, by check: {said}; `skidwright check --all` shows them",)


def _since(text: str, terms: Terms) -> str:
    if terms.since_ms is None:
        return text
    return f"{text} since {np.datetime64(terms.since_ms // 1000, 's')}Z"


def reached(
    history: History, rows: NDArray[np.intp], numbers: tuple[int, ...], limits: CheckLimits
) -> tuple[float, ...]:
    """The confidence with which the fluid of these samples is at or below each scale number of `numbers`.

    The same rule as `decide`: all samples together, or the least sure one of each channel when they are not
    of one fluid. Every channel is at or below its number with the lowest of these.
    """
    counts, volumes = history.counts[rows, : len(numbers)].astype(np.float64), history.volume_ml[rows]
    if alike(history, rows, len(numbers), limits):
        counts, volumes = counts.sum(axis=0)[None], volumes.sum(keepdims=True)
    most = UPPER_PER_ML[np.minimum(np.array(numbers), HIGHEST)]
    sure = confidence_at_most(counts, volumes[:, None], most, _spread(limits), limits.sensing_volume_ml)
    return tuple(sure.min(axis=0).tolist())


def alike(history: History, used: NDArray[np.intp], channels: int, limits: CheckLimits) -> bool:
    """Could all these counts come from one fluid? By the two furthest apart, all pairs allowed for."""
    pairs = len(used) * (len(used) - 1) // 2 * channels
    for channel in range(channels):
        counts, volumes = history.counts[used, channel], history.volume_ml[used]
        low, high = int(np.argmin(counts / volumes)), int(np.argmax(counts / volumes))
        if low == high or counts[low] + counts[high] == 0:
            continue
        chance = p_value_of_same(
            int(counts[high]), float(volumes[high]), int(counts[low]), float(volumes[low]), _spread(limits)
        )
        if chance * pairs < FALSE_DIFFERENCE:
            return False
    return True


def _channels(
    history: History, used: NDArray[np.intp], terms: Terms, limits: CheckLimits, one_fluid: bool
) -> list[Channel]:
    """Each channel against its target: all samples together, or the worst if they are not `one_fluid`."""
    many = len(terms.numbers)
    counts, volumes = history.counts[used, :many].astype(np.float64), history.volume_ml[used]
    per_ml = history.per_ml[used, :many]
    if one_fluid:
        per_ml = np.average(per_ml, axis=0, weights=volumes)[None]
        counts, volumes = counts.sum(axis=0)[None], volumes.sum(keepdims=True)
    low, high = interval(
        counts, volumes[:, None], 2 * terms.confidence - 1, _spread(limits), limits.sensing_volume_ml
    )
    high = np.where(np.isnan(high), np.inf, high)
    worst = np.argmax(high, axis=0)
    channels = []
    for c, target in enumerate(terms.numbers):
        limit = float(UPPER_PER_ML[min(target, HIGHEST)])
        state = ACCEPTED if np.all(high[:, c] <= limit) else OPEN
        if np.nanmax(low[:, c], initial=-1.0) > limit:
            state = REFUSED
        found = float(per_ml[worst[c], c])
        ends = float(low[worst[c], c]), float(high[worst[c], c])
        rows = used if one_fluid else used[worst[c]]
        number = _number(history, rows, c, found, limits)
        channels.append(Channel(SIZES_UM[c], target, limit, number, found, *ends, state))
    return channels


def _number(
    history: History, rows: NDArray[np.intp] | np.intp, channel: int, per_ml: float, limits: CheckLimits
) -> int:
    """Scale number of one sample or of several put together; whole counts and volumes decide it exactly.

    A correction for coincidence leaves no whole numbers to decide by: then the corrected figure does.
    """
    if limits.sensing_volume_ml > 0:
        return int(scale_numbers(per_ml))
    count, volume_ul = int(history.counts[rows, channel].sum()), int(history.volume_ul[rows].sum())
    return scale_number(Fraction(count * 1000, volume_ul))


def _words(channel: Channel, terms: Terms) -> str:
    sure = f"{100 * terms.confidence:g} %"
    found = f">={channel.size_um} um(c): {channel.per_ml:.4g} per mL"
    asked = f"{channel.limit_per_ml:g} that scale number {channel.target} allows"
    if channel.state == ACCEPTED:
        return f"{found}, with {sure} confidence at most {channel.high_per_ml:.4g}, within the {asked}"
    if channel.state == REFUSED:
        return f"{found}, with {sure} confidence at least {channel.low_per_ml:.4g}, above the {asked}"
    return (
        f"{found}, but up to {channel.high_per_ml:.4g} cannot be ruled out with {sure} confidence, "
        f"above the {asked}"
    )


def _more(
    channels: list[Channel],
    history: History,
    used: NDArray[np.intp],
    terms: Terms,
    limits: CheckLimits,
) -> list[str]:
    """How much fluid would have to be counted to tell, if it is as clean as it looks."""
    need = 0.0
    for channel in channels:
        if channel.state != OPEN:
            continue
        volume = float(
            volume_for_number_ml(channel.per_ml, terms.confidence, _spread(limits), channel.target)
        ) if channel.target <= HIGHEST else 0.0  # fmt: skip
        if not np.isfinite(volume):
            return [
                f">={channel.size_um} um(c) is too near its limit, or over it: no counting will prove it, "
                "so clean the fluid first"
            ]
        need = max(need, volume)
    have = float(history.volume_ml[used].sum())
    if need <= have:
        return []
    return [f"about {need:.3g} mL would have to be counted to prove it if it is as clean as it looks; "
            f"{have:.3g} mL were (take more samples: --last)"]  # fmt: skip


def _water(history: History, used: NDArray[np.intp], terms: Terms) -> tuple[str, str]:
    limit = terms.water_limit_percent
    if limit is None or limit >= 100:
        return ACCEPTED, "nothing was asked of water"
    rows = used[history.water_verdict[used] == VALID]
    if len(rows) < len(used):
        return OPEN, f"water: only {len(rows)} of {len(used)} samples have a reading that can be believed"
    read, warm = history.water_percent[rows], history.temperature_c[rows]
    at = coldest.at_coldest(read, warm, terms.coldest_c, terms.solubility)
    worst = int(np.argmax(at.high_percent))
    low, high = float(at.low_percent[worst]), float(at.high_percent[worst])
    place = coldest.where(float(warm[worst]), float(at.at_c[worst]), terms.coldest_c)
    found = f"water: {coldest.saturation(low, high, 1)} {place}"
    if at.at_c[worst] < warm[worst]:
        found += f" ({read[worst]:.1f} % as read at {warm[worst]:.0f} degC)"
    state = coldest.state(low, high, limit)
    if state == coldest.OVER:
        return REFUSED, f"{found}, above the {limit:g} % allowed"
    if terms.coldest_c is not None and np.isnan(warm).any():
        return OPEN, f"water: it cannot be told for {terms.coldest_c:g} degC, the coldest: no temperature"
    if state == coldest.OPEN:
        return OPEN, (
            f"{found}, and the published constants do not agree on which side of the {limit:g} % allowed "
            "that is: give the fluid's own (water_a, water_b)"
        )
    return ACCEPTED, f"{found} at most, within the {limit:g} % allowed"


def _list(rows: NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(int(row) for row in rows)


def _spread(limits: CheckLimits) -> float:
    return min(limits.volume_uncertainty_percent / 100, 0.5)
