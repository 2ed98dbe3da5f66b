"""UTC for records that hold only boot number and uptime, each with how far it may be off.

Every clock contact says what UTC was at one uptime of one boot, within an
uncertainty. The board's crystal runs off by at most `drift_ppm`. A boot begins
after the last record of the boot before it. Written as limits on UTC at a row
of knots (contacts, and both ends of each boot) these are difference
constraints along a path: one pass forward and one backward tighten them as far
as they go, and what is left is an interval for each knot. Middles of those
intervals never run backward, so the order of records is never inverted.
"""

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.arrays import Floats


@dataclass(frozen=True)
class Contact:
    """A clock contact: at `uptime_ms` of `boot` UTC was `utc_ms`, give or take `uncertainty_ms`."""

    boot: int
    uptime_ms: int
    utc_ms: int
    uncertainty_ms: int
    seq: int = -1


class Agreement:
    """Which contacts (in order; `ends` in the order of the boots) can all be true, taken two at a time.

    Limits on a path can be met together when every two contacts can (a contradiction is a cycle through
    two contacts and the way between them), so pairs are all that need be looked at.
    """

    def __init__(self, contacts: list[Contact], ends: dict[int, int], drift: float) -> None:
        self._drift = drift
        self._boot = np.array([c.boot for c in contacts], np.int64)
        self._utc = np.array([c.utc_ms for c in contacts], np.float64)
        self._error = np.array([c.uncertainty_ms for c in contacts], np.float64)
        # uptimes laid end to end over the boots: at least this much has passed between two contacts
        begins = np.cumsum([0, *ends.values()])
        start = dict(zip(ends, begins.tolist(), strict=False))
        self._run = np.array([start[c.boot] + c.uptime_ms for c in contacts], np.float64)

    def disagree(self, i: int) -> NDArray[np.bool_]:
        """Which contacts contradict contact `i`."""
        later = np.where(np.arange(len(self._run)) > i, 1.0, -1.0)
        passed, ran = (self._utc - self._utc[i]) * later, (self._run - self._run[i]) * later
        slack = self._error + self._error[i] + 0.5
        short = passed < ran * (1 - self._drift) - slack
        return np.asarray(short | (self._boot == self._boot[i]) & (passed > ran * (1 + self._drift) + slack))

    def outvoted(self) -> list[int]:
        """Contacts to leave out so that the rest agree: each time the one that most others contradict.

        On a tie the one with the larger uncertainty goes, then the earlier one.
        """
        n = len(self._run)
        against = np.array([int(self.disagree(i).sum()) for i in range(n)], np.int64)
        out: list[int] = []
        while against.max(initial=0) > 0:
            worst = int(np.lexsort((-np.arange(n), self._error, against))[-1])
            against -= self.disagree(worst)
            against[worst] = -n
            out.append(worst)
        return out


# A common crystal's tolerance over temperature with ageing (common practice, no source); see its data sheet.
DRIFT_PPM = 100
# A clock chip's watch crystal: 20 ppm, and 0.035 ppm for each square kelvin off 25 degC (the usual figure of
# tuning-fork crystals' data sheets), 126 ppm at 85 degC.
CHIP_DRIFT_PPM = 150
# It is set and read in whole seconds: half a second each time, and what the board takes to write the record.
CHIP_STEP_MS = 1100
UNKNOWN_UTC_MS = np.iinfo(np.int64).min  # also numpy's NaT
UNBOUNDED_MS = np.iinfo(np.int64).max
_BOOT_SHIFT = 1 << 44
_INF = np.inf
_FAR_MS = float(1 << 62)
_RUN = 200  # records between two knots from which it pays to take them together


def _possible(uptime_ms: NDArray[np.integer]) -> NDArray[np.int64]:
    """Uptimes cut to the five hundred years for which boots stay apart: a record may say anything."""
    return np.minimum(uptime_ms.astype(np.uint64), np.uint64(_BOOT_SHIFT - 1)).astype(np.int64)


@dataclass
class TimelineBuilder:
    """Gathers what a timeline is made from, piece by piece."""

    drift_ppm: float = DRIFT_PPM
    contacts: list[Contact] = field(default_factory=list)
    chip_readings: list[Contact] = field(default_factory=list)
    last_uptime_ms: dict[int, int] = field(default_factory=dict)
    numbers: dict[int, tuple[int, int]] = field(default_factory=dict)  # lowest and highest of each boot

    def add(self, samples: NDArray[np.void], events: NDArray[np.void]) -> None:
        """Take a piece of a log (structured arrays of `skidwright.log.layouts`), in any order."""
        for rows in (samples, events):
            if not len(rows):
                continue
            boots = np.ascontiguousarray(rows["boot"])
            uptimes = _possible(np.ascontiguousarray(rows["uptime_ms"]))
            seqs = np.ascontiguousarray(rows["seq"])
            if boots[0] == boots[-1] and np.all(boots == boots[0]):
                self._note(int(boots[0]), uptimes, seqs)
                continue
            for boot in np.unique(boots).tolist():
                own = boots == boot
                self._note(boot, uptimes[own], seqs[own])
        kinds = (events["kind"] == records.CONTACT) | (events["kind"] == records.BOOT)
        for row in events[kinds & (events["utc_ms"] > 0)]:
            from_host = row["kind"] == records.CONTACT
            contact = Contact(
                int(row["boot"]),
                min(int(row["uptime_ms"]), _BOOT_SHIFT - 1),
                int(row["utc_ms"]),
                int(row["a"]) if from_host else CHIP_STEP_MS,
                int(row["seq"]),
            )
            (self.contacts if from_host else self.chip_readings).append(contact)

    def _note(self, boot: int, uptimes: NDArray[np.int64], seqs: NDArray[np.unsignedinteger]) -> None:
        self.last_uptime_ms[boot] = max(int(uptimes.max()), self.last_uptime_ms.get(boot, 0))
        low, high = self.numbers.get(boot, (int(seqs[0]), int(seqs[0])))
        self.numbers[boot] = min(low, int(seqs.min())), max(high, int(seqs.max()))

    def _drop_used_again(self) -> None:
        """Boot numbers begin anew after 65,536 boots: what one that was used twice means cannot be told."""
        order = sorted(self.numbers, key=lambda boot: self.numbers[boot])
        twice = {a for a, b in pairwise(order) if self.numbers[a][1] > self.numbers[b][0]}
        if twice:
            self.last_uptime_ms = {b: ms for b, ms in self.last_uptime_ms.items() if b not in twice}
            self.contacts = [c for c in self.contacts if c.boot not in twice]
            self.chip_readings = [c for c in self.chip_readings if c.boot not in twice]

    def build(self) -> "Timeline":
        """The timeline of everything taken so far.

        A host's contact sets the clock chip, so what the chip said at a later start counts like a contact,
        less sure the longer ago it was set. One set by no contact, or by a rejected one, is not believed.
        """
        self._drop_used_again()
        first_boot = min(self.numbers, key=lambda boot: self.numbers[boot], default=0)
        timeline = Timeline(self.contacts, self.last_uptime_ms, self.drift_ppm, first_boot)
        readings = _since_set(self.chip_readings, self.contacts, set(timeline.rejected))
        if readings:
            rejected = timeline.rejected
            known = timeline.contacts + readings
            timeline = Timeline(known, self.last_uptime_ms, self.drift_ppm, first_boot)
            timeline.rejected += rejected
            timeline.chip_readings = len(readings)
        return timeline


def _since_set(readings: list[Contact], contacts: list[Contact], rejected: set[Contact]) -> list[Contact]:
    """What the clock chip said, each with the doubt gathered since the contact before it."""
    found: list[Contact] = []
    by_seq = sorted(contacts, key=lambda c: c.seq)
    for reading in readings:
        at = bisect_left(by_seq, reading.seq, key=lambda c: c.seq)
        if not at or by_seq[at - 1] in rejected:
            continue
        last = by_seq[at - 1]
        since_ms = reading.utc_ms - last.utc_ms
        doubt = reading.uncertainty_ms + last.uncertainty_ms + int(abs(since_ms) * CHIP_DRIFT_PPM * 1e-6)
        found.append(replace(reading, uncertainty_ms=doubt))
    return found


class Timeline:
    """Maps boot and uptime to UTC, within one log.

    `last_uptime_ms` gives each boot's last known uptime; `first_boot` is the log's first, for 65535 is
    followed by 0. `rejected` holds the contacts that contradict
    the others, as after a jump of a host's clock; `chip_readings` is how many of the contacts given are
    a clock chip's. Raises ValueError for a negative drift.
    """

    def __init__(
        self,
        contacts: Iterable[Contact],
        last_uptime_ms: dict[int, int],
        drift_ppm: float = DRIFT_PPM,
        first_boot: int = 0,
    ) -> None:
        if drift_ppm < 0:
            raise ValueError("drift_ppm must be 0 or more")
        self._drift = drift_ppm * 1e-6
        self._first_boot = first_boot
        self.chip_readings = 0
        ordered = sorted(set(contacts), key=lambda c: (self._place(c.boot), c.uptime_ms, c.seq))
        ends = dict(last_uptime_ms)
        for contact in ordered:
            ends[contact.boot] = max(ends.get(contact.boot, 0), contact.uptime_ms)
        self.contacts, self.rejected = ordered, list[Contact]()
        self._make_knots(ends)
        if np.any(self._low > self._high + 0.5):
            in_order = sorted(ends, key=self._place)
            out = set(Agreement(ordered, {boot: ends[boot] for boot in in_order}, self._drift).outvoted())
            self.contacts = [c for i, c in enumerate(ordered) if i not in out]
            self.rejected = [c for i, c in enumerate(ordered) if i in out]
            self._make_knots(ends)

    def _place(self, boot: int) -> int:
        """The boot's place in the order of the log's boots."""
        return (boot - self._first_boot) & 0xFFFF

    def _make_knots(self, ends: dict[int, int]) -> None:
        place = self._place
        rows = [(place(boot), uptime, -_INF, _INF) for boot, end in ends.items() for uptime in (0, end)]
        for c in self.contacts:
            rows.append(
                (place(c.boot), c.uptime_ms, c.utc_ms - c.uncertainty_ms, c.utc_ms + c.uncertainty_ms)
            )
        rows.sort(key=lambda row: row[:2])
        boot = np.array([row[0] for row in rows], np.int64)
        uptime = np.array([row[1] for row in rows], np.int64)
        low = [row[2] for row in rows]
        high = [row[3] for row in rows]
        step = np.diff(uptime).astype(np.float64)
        same = np.diff(boot) == 0
        # UTC passes by `least` or more between two knots, and by no more than `most` within a boot
        least = np.where(same, step * (1 - self._drift), 0.0).tolist()
        most = np.where(same, step * (1 + self._drift), _INF).tolist()
        n = len(rows)
        for i in range(1, n):
            low[i] = max(low[i], low[i - 1] + least[i - 1])
            high[i] = min(high[i], high[i - 1] + most[i - 1])
        for i in range(n - 2, -1, -1):
            high[i] = min(high[i], high[i + 1] - least[i])
            low[i] = max(low[i], low[i + 1] - most[i])
        self._boot = boot
        self._key = boot * _BOOT_SHIFT + uptime
        self._low, self._high = np.array(low), np.array(high)
        self._make_spans(uptime, self._estimates(least), same)

    def _make_spans(self, uptime: NDArray[np.int64], middle: Floats, same: NDArray[np.bool_]) -> None:
        """What holds from each knot to the next of its boot, as lines over the time since the knot.

        Rows: uptime, UTC, its rate, then how far below and above it the limits are, each as seen from the
        knot and from the next. Past a boot's last knot there is no next one.
        """
        if not len(uptime):
            return
        step = np.append(np.diff(uptime).astype(np.float64), 0.0)
        has_next = np.append(same, False)
        fast, slow = 1 + self._drift, 1 - self._drift
        with np.errstate(invalid="ignore"):
            rise = np.append(np.diff(middle), 0.0)
            rate = np.where(has_next & (step > 0), rise / np.maximum(step, 1), 1.0)
            next_low = np.where(has_next, np.append(self._low[1:], 0.0) - step * fast, -_INF)
            next_high = np.where(has_next, np.append(self._high[1:], 0.0) - step * slow, _INF)
            below, above = middle - self._low, self._high - middle
            rows = (uptime, middle, rate, below, middle - next_low, above, next_high - middle)
            self._spans = np.stack([np.asarray(row, np.float64) for row in rows])

    def _estimates(self, least: list[float]) -> Floats:
        """Middles where both limits are known; else as near to the known limit as order allows."""
        low, high = self._low, self._high
        both = np.isfinite(low) & np.isfinite(high)
        with np.errstate(invalid="ignore"):
            middle = np.where(both, (low + high) / 2, np.where(np.isfinite(low), low, high))
        n = len(middle)
        for i in range(n - 2, -1, -1):
            if not np.isfinite(low[i]) and np.isfinite(middle[i + 1]):
                middle[i] = min(middle[i], middle[i + 1] - least[i])
        for i in range(1, n):
            if not np.isfinite(high[i]) and np.isfinite(middle[i - 1]):
                middle[i] = max(middle[i], middle[i - 1] + least[i - 1])
        return np.asarray(middle)

    def _knot_before(self, keys: NDArray[np.int64]) -> NDArray[np.intp]:
        """Index of the last knot at or before each key; 0 where there is none."""
        if np.all(keys[1:] >= keys[:-1]):
            # records in order, the usual case: place the few knots among them
            starts = np.searchsorted(keys, self._key, side="left")
            counts = np.diff(np.concatenate(([0], starts, [len(keys)])))
            after = np.repeat(np.arange(len(counts)), counts)
        else:
            after = np.searchsorted(self._key, keys, side="right")
        return np.maximum(after - 1, 0)

    def _between(self, knot: NDArray[np.intp], at: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Time at uptimes `at` after their knots, and how far it may be off, in ms."""
        starts = np.flatnonzero(np.concatenate(([True], knot[1:] != knot[:-1])))
        if len(starts) > len(knot) // _RUN:
            return self._along(self._spans[:, knot], at)
        # long runs between two knots, the usual case: one span's figures for all of a run
        parts = [
            self._along(self._spans[:, knot[start]], at[start:end])
            for start, end in pairwise([*starts.tolist(), len(knot)])
        ]
        return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])

    def _along(self, spans: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """`_between` with the spans' figures, (7,) for all or (7, n)."""
        base, middle, rate, below, below_next, above, above_next = spans
        since = at - base
        fast, slow = 1 + self._drift, 1 - self._drift
        with np.errstate(invalid="ignore"):
            down = np.minimum(below + since * (rate - slow), below_next + since * (rate - fast))
            up = np.minimum(above + since * (fast - rate), above_next + since * (slow - rate))
            return middle + since * rate, np.maximum(down, up)

    def utc(
        self, boot: NDArray[np.integer], uptime_ms: NDArray[np.unsignedinteger]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """UTC in ms since 1970 and its uncertainty in ms, both int64, for arrays of boot and uptime.

        Where only one side is bounded the time given is at that bound and the uncertainty UNBOUNDED_MS;
        where nothing is known the time is UNKNOWN_UTC_MS. A boot that the timeline has not seen is unknown.
        """
        n = len(boot)
        result = np.full(n, UNKNOWN_UTC_MS, np.int64)
        error = np.full(n, UNBOUNDED_MS, np.int64)
        if not len(self._key) or not n:
            return result, error
        at = _possible(np.asarray(uptime_ms))
        boots = (np.asarray(boot).astype(np.int64) - self._first_boot) & 0xFFFF
        knot = self._knot_before(boots * _BOOT_SHIFT + at)
        known = self._boot[knot] == boots
        middle, worst = self._between(knot, at)
        placed = known & np.isfinite(middle)
        bounded = placed & np.isfinite(worst)
        # a forged contact may name any time; what does not fit is as far as can be said
        middle, worst = np.clip(middle, -_FAR_MS, _FAR_MS), np.minimum(worst, _FAR_MS)
        # rounding to whole milliseconds may add up to one
        if bounded.all():
            return np.rint(middle).astype(np.int64), np.ceil(worst).astype(np.int64) + 1
        result[placed] = np.rint(middle[placed]).astype(np.int64)
        error[bounded] = np.ceil(worst[bounded]).astype(np.int64) + 1
        return result, error
