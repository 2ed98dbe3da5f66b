"""Accept or refuse a fluid (a delivery, or one that was moved) against a target, on valid samples.

Each quantity is decided by `skidwright.standing`, on terms that ask more than those of a machine: so many
samples, of which none may be outvoted, and a confidence of one's own. The fluid is accepted only when every
quantity that is asked is met, so the chance to accept one that is over its target in any channel is at most
1 - confidence, however many channels there are (an intersection-union test: R. L. Berger, Technometrics 24,
1982; from memory).

Samples that differ by more than chance are not of one fluid: then each must be proven by itself. Samples that
are too old prove nothing of the fluid as it is now.

Common practice, no source: fluid is filtered whenever it is moved, new fluid included; clear fluid proves
nothing, since the eye sees particles from about 40 um.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.catalogue import VALID, WORDS, ids_of
from skidwright.formulas.counting import volume_for_number_ml
from skidwright.formulas.iso4406 import FEW_PARTICLES, HIGHEST, code_texts
from skidwright.formulas.water import Solubility
from skidwright.judgement.scatter import Scatter, between_samples
from skidwright.samples import cold_water
from skidwright.samples.counted import Counted
from skidwright.samples.history import History
from skidwright.standing import particles, water, words
from skidwright.standing.goals import MET, NO_GOAL, NOT_MET, Goals, Quantity
from skidwright.standing.urgency import is_old
from skidwright.wording import span

ACCEPTED, REFUSED, OPEN = "accepted", "refused", "not proven"
SIZES_UM = (4, 6, 14, 21)
PRACTICE = (
    "filter fluid whenever it is moved, new fluid included (common practice, no source)",
    "clear fluid proves nothing: the eye sees particles from about 40 um (common practice, no source)",
)
_NOT_ONE_FLUID = (
    "the samples differ by more than chance, so each must be proven by itself: stir, flush the line, and see "
    "whether the count still falls or rises"
)
_OUTCOMES = {MET: ACCEPTED, NOT_MET: REFUSED}


@dataclass(frozen=True)
class Terms:
    """What is asked of the fluid: scale numbers for >=4, >=6, >=14 um(c), and for >=21 um(c) if given.

    `samples`: how many valid ones are needed. `since_ms`, UTC: older samples are not looked at. `confidence`
    is one-sided. `water_limit_percent` of None or 100 asks nothing of water. Water is judged at `coldest_c`,
    the coldest the machine sees, by the fluid's own constants if `solubility` gives them (`samples.coldest`).
    Samples older than `oldest_days` prove nothing.
    """

    target: tuple[int, int, int]
    target_21um: int | None = None
    samples: int = 3
    confidence: float = 0.95
    water_limit_percent: float | None = None
    since_ms: int | None = None
    coldest_c: float | None = None
    solubility: Solubility | None = None
    oldest_days: float = 30.0

    def goals(self) -> Goals:
        """The same as what is asked of each quantity."""
        asks = self.water_limit_percent is not None and self.water_limit_percent < 100
        return Goals(
            (*self.target, self.target_21um), self.water_limit_percent if asks else None, self.coldest_c,
            self.solubility, self.confidence, self.samples, True, self.oldest_days,
        )  # fmt: skip

    @property
    def numbers(self) -> tuple[int, ...]:
        """The worst accepted scale number of each channel that counts."""
        return self.target if self.target_21um is None else (*self.target, self.target_21um)


@dataclass(frozen=True)
class Channel:
    """One channel: what was found against what was asked, in particles per mL.

    Of `low_per_ml` and `high_per_ml` the one that decides is given, the other is NaN.
    """

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
    """`outcome` is ACCEPTED, REFUSED or OPEN, `reasons` say why; it rests on `rows` of the history.

    `quantities` are all seven of `skidwright.standing`, on the terms of this decision.
    """

    outcome: str
    reasons: tuple[str, ...]
    code: str = ""
    channels: tuple[Channel, ...] = ()
    rows: tuple[int, ...] = ()
    one_fluid: bool = True
    left_out: dict[str, int] = field(default_factory=dict)
    quantities: tuple[Quantity, ...] = ()

    @property
    def accepted(self) -> bool:
        """True only for ACCEPTED."""
        return self.outcome == ACCEPTED


def decide(history: History, terms: Terms, now: np.datetime64) -> Decision:
    """Accept, refuse, or say what is missing, at the moment `now` (UTC). ValueError when `terms` ask for what
    cannot be."""
    goals = terms.goals()
    rows = _looked_at(history, terms)
    valid = rows[history.counts_verdict[rows] == VALID]
    used = valid[-terms.samples :]
    left_out = _left_out(history, rows, used)
    if len(used) < terms.samples:
        have = "no valid sample" if not len(used) else f"only {len(used)} valid of {terms.samples} needed"
        return Decision(OPEN, (_since(have, terms), *_why(left_out)), rows=_list(used), left_out=left_out)
    scatter = between_samples(history)
    sizes = particles.of_rows(history, used, goals, now, scatter)
    dry = used[history.water_verdict[used] == VALID]
    wet = water.of_rows(history, dry, goals, now, scatter) if len(dry) else ()
    part = particles.scatter_of(scatter, slice(0, len(terms.numbers)))
    counted = history.counted(used).of(slice(None), slice(0, len(terms.numbers)))
    one_fluid = particles.one_fluid(counted, part)
    channels = _channels(sizes, counted, goals, part, one_fluid)
    said = [(channel.state, _words(channel, terms)) for channel in channels]
    said.append(_water(wet, terms, len(dry), len(used)))
    if is_old(sizes[0], goals):
        said.append((OPEN, _old(sizes[0].age_days, goals)))
    states = [state for state, _ in said]
    outcome = REFUSED if REFUSED in states else OPEN if OPEN in states else ACCEPTED
    # what decided it stands first
    reasons = [text for _, text in sorted(said, key=lambda pair: (REFUSED, OPEN, ACCEPTED).index(pair[0]))]
    if not one_fluid:
        reasons.insert(0, _NOT_ONE_FLUID)
    if outcome == OPEN and any(channel.state == OPEN for channel in channels):
        reasons += _more(channels, counted, terms)
    few = history.counts[used].sum(axis=0)[:3] < FEW_PARTICLES
    code = particles.code_together(history, used) if one_fluid else [channel.number for channel in channels]
    return Decision(
        outcome,
        (*reasons, *_why(left_out)),
        code_texts(np.array([code[:3]]), few)[0],
        tuple(channels),
        _list(used),
        one_fluid,
        left_out,
        (*sizes, *wet),
    )


def unless_hidden(decision: Decision, hidden: Sequence[str]) -> Decision:
    """Accepts nothing where records that cannot be read may be newer samples, a line of `hidden` each."""
    if not hidden:
        return decision
    outcome = OPEN if decision.accepted else decision.outcome
    told = [f"{line}: any may be a newer sample of this fluid" for line in hidden]
    return replace(decision, outcome=outcome, reasons=(*told, *decision.reasons))


def unless_proven(decision: Decision, unproven: Sequence[str]) -> Decision:
    """Accepts nothing where its samples may be anybody's, a line of `unproven` each."""
    if not unproven:
        return decision
    outcome = OPEN if decision.accepted else decision.outcome
    return replace(decision, outcome=outcome, reasons=(*unproven, *decision.reasons))


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


def _channels(
    sizes: tuple[Quantity, ...],
    counted: Counted,
    goals: Goals,
    scatter: Scatter | None,
    one_fluid: bool,
) -> list[Channel]:
    """Each channel against its target, in the figures that decide it: all samples together, or one of
    them.
    """
    channels = []
    for c in range(counted.counts.shape[1]):
        size, own = sizes[c], particles.scatter_of(scatter, slice(c, c + 1))
        alone = counted.of(slice(None), slice(c, c + 1))
        if not one_fluid:
            alone = alone.of(particles.deciding(alone, size, own))
        upper = size.state != NOT_MET
        end = particles.limit_of_level(alone, goals, own, upper)
        low, high = (float("nan"), end) if upper else (end, float("nan"))
        number = int(particles.numbers_together(alone.counts, alone.volume_ml)[0])
        per_ml = float(alone.counts.sum() / alone.volume_ml.sum())
        target = -1 if size.asked is None else size.asked
        state = _OUTCOMES.get(size.state, OPEN)
        channels.append(Channel(SIZES_UM[c], target, size.limit, number, per_ml, low, high, state))
    return channels


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


def _more(channels: list[Channel], counted: Counted, terms: Terms) -> list[str]:
    """How much fluid would have to be counted to tell, if it is as clean as it looks."""
    need, spread = 0.0, float(counted.volume_spread.max())
    for channel in channels:
        if channel.state != OPEN:
            continue
        volume = float(
            volume_for_number_ml(channel.per_ml, terms.confidence, spread, channel.target)
        ) if channel.target <= HIGHEST else 0.0  # fmt: skip
        if not np.isfinite(volume):
            return [
                f">={channel.size_um} um(c) is too near its limit, or over it: no counting will prove it, "
                "so clean the fluid first"
            ]
        need = max(need, volume)
    have = float(counted.volume_ml.sum())
    if need <= have:
        return []
    return [f"about {need:.3g} mL would have to be counted to prove it if it is as clean as it looks; "
            f"{have:.3g} mL were (take more samples: --last)"]  # fmt: skip


def _water(wet: tuple[Quantity, ...], terms: Terms, valid: int, needed: int) -> tuple[str, str]:
    limit = terms.water_limit_percent
    if limit is None or limit >= 100:
        return ACCEPTED, "nothing was asked of water"
    if valid < needed:
        return OPEN, f"water: only {valid} of {needed} samples have a reading that can be believed"
    read, cold, _ = wet
    one = read if cold.state == NO_GOAL else cold
    warm_c, at_c = read.at_c, one.at_c
    place = cold_water.where(warm_c, at_c, terms.coldest_c)
    found = f"water: {words.amount(one)} {place}"
    if at_c < warm_c:
        found += f" ({read.value:.1f} % as read at {warm_c:.0f} degC)"
    sure = f"{100 * terms.confidence:g} %"
    if one.state == NOT_MET:
        return REFUSED, f"{found}, above the {limit:g} % allowed"
    if one.cause == water.NO_TEMPERATURE:
        return OPEN, f"water: it cannot be told for {terms.coldest_c:g} degC, the coldest: no temperature"
    if one.cause == water.CONSTANTS:
        return OPEN, (
            f"{found}, and the published constants do not agree on which side of the {limit:g} % allowed "
            "that is: give the fluid's own (water_a, water_b)"
        )
    if one.state != MET:
        return OPEN, (
            f"{found}, but above the {limit:g} % allowed cannot be ruled out with {sure} confidence: the "
            "uncertainty of sensor loop and temperature is in it, so calibrate the loop"
        )
    return ACCEPTED, f"{found}, with {sure} confidence within the {limit:g} % allowed"


def _old(age_days: float, goals: Goals) -> str:
    return (
        f"the newest sample is {span(age_days)} old, more than {span(goals.oldest_days)}: take new samples "
        "(sample_age_days of skid.toml)"
    )


def _list(rows: NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(int(row) for row in rows)
