"""Events of a log in words, for one asset: trips, faults with their end, power losses, marks."""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from skidboard import faults, records, sequence

from skidwright.cleanup.runs import end_text
from skidwright.log.timeline import UNKNOWN_UTC_MS
from skidwright.meanings.faults import by_name
from skidwright.report.model import ExcludedReason, Happening

SHOWN = 60
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
BOOT_CAUSES = ("power came on", "soft reset", "watchdog", "reset by command")
# Faults that concern the whole skid; the others are shown only with the asset that was being sampled.
_OF_ALL = (
    1 << faults.UNWANTED_FLOW
    | 1 << faults.OVER_PRESSURE
    | 1 << faults.STOP_INPUT
    | 1 << faults.WATER_LOOP
    | 1 << faults.TEMP_SENSOR
    | 1 << faults.STORAGE
    | 1 << faults.LOG_OVERWROTE
    | 1 << faults.SETTINGS_BAD
    | 1 << faults.WATCHDOG
)
_BY_COMMAND = 0xFFFF


class Occurrence(NamedTuple):
    """Something that happened, in words. Only what `deserves_letter` is marked in the pictures."""

    utc_ms: int
    what: str
    detail: str
    deserves_letter: bool


def iso(utc_ms: int) -> str:
    """ISO 8601 UTC to the second, or "time unknown"."""
    if utc_ms == UNKNOWN_UTC_MS:
        return "time unknown"
    return f"{np.datetime64(utc_ms // 1000, 's')}Z"


def text_of(row: Any) -> str:
    """The text of an event record, printable."""
    text = bytes(row["text"]).decode("utf-8", "replace")
    return "".join(c if c.isprintable() else "?" for c in text)


def fault_name(code: int) -> str:
    """A fault's name; firmware newer than this tool may know more."""
    return faults.NAMES[code] if code < len(faults.NAMES) else f"fault {code}"


def of_asset(
    events: NDArray[np.void], utc_ms: NDArray[np.int64], boot_ends: Mapping[int, int], asset: int
) -> list[Occurrence]:
    """What happened that concerns `asset`, in order, from all events of a log and their times.

    `boot_ends` gives the time of each boot's last record.
    """
    return [Occurrence(*told) for told in _told(events, utc_ms, boot_ends, asset)]


def lettered(told: list[Occurrence]) -> list[Happening]:
    """The newest `SHOWN` in order of time; the newest 26 of them that deserve one get a letter."""
    shown = sorted(told, key=lambda one: one.utc_ms)[-SHOWN:]
    deserving = [i for i, one in enumerate(shown) if one.deserves_letter][-len(LETTERS) :]
    letters = {place: LETTERS[n] for n, place in enumerate(deserving)}
    return [
        Happening(np.datetime64(one.utc_ms, "ms"), iso(one.utc_ms), letters.get(i, ""), one.what, one.detail)
        for i, one in enumerate(shown)
    ]


def skipped(events: NDArray[np.void], utc_ms: NDArray[np.int64], asset: int) -> list[ExcludedReason]:
    """Cycles of `asset` that ended without a sample, counted by cause."""
    mine = np.flatnonzero((events["kind"] == records.SKIPPED) & (events["asset"] == asset))
    found = []
    for code in np.unique(events["code"][mine]).tolist():
        when = utc_ms[mine[events["code"][mine] == code]]
        fault = by_name(fault_name(code))
        found.append(
            ExcludedReason(
                "by command" if code == _BY_COMMAND else fault_name(code),
                "the whole sample",
                "not taken",
                len(when),
                iso(int(when[0])),
                iso(int(when[-1])),
                fault.meaning if fault else "The cycle was given up by command.",
                fault.remedy if fault else "Nothing to remedy.",
            )
        )
    return found


def _told(
    events: NDArray[np.void], utc_ms: NDArray[np.int64], boot_ends: Mapping[int, int], asset: int
) -> Iterable[tuple[int, str, str, bool]]:
    """(time, what, detail, whether it deserves a letter) for each event worth telling."""
    kinds = events["kind"]
    ends = _fault_ends(events, utc_ms)
    quiet = np.isin(kinds, (records.CONTACT, records.FAULT_CLEARED, records.SKIPPED))
    for i in np.flatnonzero(~quiet).tolist():
        row, when = events[i], int(utc_ms[i])
        kind, code, text = int(row["kind"]), int(row["code"]), text_of(row)
        if kind == records.BOOT:
            first = i == 0
            cause = BOOT_CAUSES[code] if code < len(BOOT_CAUSES) else f"cause {code}"
            what = "log begins" if first else ("power lost" if code == 0 else "board restarted")
            ended = boot_ends.get((int(row["boot"]) - 1) & 0xFFFF)
            before = "" if ended is None else f"; last record before it {iso(ended)}"
            yield when, what, f"{cause}, boot {row['boot']}, {text}{before}", not first
        elif kind == records.FAULT_RAISED:
            if _OF_ALL >> code & 1 or row["asset"] == asset:
                end = ends.get(i)
                until = f"until {iso(end)}" if end is not None else "still standing at the end of the log"
                yield when, f"fault: {fault_name(code)}", f"{_figure(row, text)}{until}", False
        elif kind == records.TRIP:
            detail = f"{fault_name(code)}, while asset {row['asset']} was due"
            yield when, "trip: pump stopped", detail, row["asset"] == asset
        elif kind == records.SETTING:
            if code == 0:
                more = _pieces_after(events, i)
                yield when, "setting changed", text + more, False
        elif kind == records.MARK:
            # A mark is about any machine; which one only the moment can say, while a sample is drawn.
            drawn = row["state"] in (sequence.PRIME, sequence.SETTLE, sequence.COUNT)
            meanwhile = f" (written while asset {row['asset']} was sampled)" if drawn else ""
            yield when, "operator mark", f"{text}{meanwhile}", True
        elif kind == records.RECLAIM:
            held = "a host held them all" if row["d"] else "not all of them had been pulled"
            known = int(row["b"]) or int(row["c"])
            which = f"records {row['b']} to {row['c']}" if known else "its records cannot be told"
            yield when, "oldest segment given up", f"{which}; {held}", False
        elif kind == records.LEAVE:
            yield (
                when,
                "firmware left",
                text or ("a host asked", "mpremote came", "crash")[min(code, 2)],
                code == 2,
            )
        elif kind == records.BY_HAND:
            yield when, "pump by hand" if code else "controller again", text, False
        elif kind == records.CLEANUP and row["asset"] == asset:
            if code:
                yield when, "clean-up ended", f"{end_text(code)}, after {row['d']} samples", True
            else:
                aim = "/".join(str(int(row["a"]) >> shift & 0xFF or "-") for shift in (0, 8, 16))
                yield when, "clean-up begun", f"to {aim}", True
        elif kind == records.RECOVERED:
            yield (
                when,
                "log recovered",
                f"segment {row['a']}, {row['b']} bytes{_lost(row)}; {text}".rstrip("; "),
                False,
            )


def _pieces_after(events: NDArray[np.void], i: int) -> str:
    """What a changed setting's text goes on with in the records behind event `i`."""
    texts: list[str] = []
    for row in events[i + 1 : i + 1 + int(events["b"][i]) // records.TEXT_BYTES]:
        if row["kind"] != records.SETTING or int(row["code"]) != len(texts) + 1:
            break
        texts.append(text_of(row))
    return "".join(texts)


def _lost(row: Any) -> str:
    """The records that a board names as lost from the end of its log."""
    first, following = int(row["c"]), int(row["d"])
    return f", records {first} to {following - 1} lost" if first < following else ""


def _figure(row: Any, text: str) -> str:
    """The value that came with a raised fault, when its text is a unit."""
    return f"{row['a']} {text}, " if text else ""


def _fault_ends(events: NDArray[np.void], utc_ms: NDArray[np.int64]) -> dict[int, int]:
    """For each raised fault, by its place, when it cleared or the board restarted; absent while it stands."""
    ends: dict[int, int] = {}
    standing: dict[int, int] = {}
    wanted = np.isin(events["kind"], (records.FAULT_RAISED, records.FAULT_CLEARED, records.BOOT))
    for i in np.flatnonzero(wanted).tolist():
        kind, code = int(events["kind"][i]), int(events["code"][i])
        if kind == records.FAULT_RAISED:
            standing[code] = i
        elif kind == records.FAULT_CLEARED:
            if code in standing:
                ends[standing.pop(code)] = int(utc_ms[i])
        else:
            ends.update({place: int(utc_ms[i]) for place in standing.values()})
            standing.clear()
    return ends
