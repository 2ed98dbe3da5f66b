"""The file of one calibration: who, when, against what, until when, what was measured and what follows.

JSON, format 1. Everything that was computed can be computed again from the `measured` in it.
"""

import dataclasses
import datetime
import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from skidwright import __version__
from skidwright.config import Config
from skidwright.errors import CalibrationError
from skidwright.samples.history import History
from skidwright.whole_file import write_whole

KIND = "skidwright calibration"
FORMAT = 1
DAY_ZERO = datetime.date(2000, 1, 1)
_MARK_BYTES = 88
_TEXT = 200
_LAST_DAY = 65535  # what a board keeps


@dataclass(frozen=True)
class Facts:
    """Who calibrated, with what reference, on which day, and the day on which it runs out."""

    by: str
    reference: str
    date: datetime.date
    due: datetime.date
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name, text in (("by", self.by), ("reference", self.reference)):
            if not text.strip() or len(text) > _TEXT or not text.isprintable():
                raise CalibrationError(
                    f"{text[:40]!r} is no name", name, f"give up to {_TEXT} printable characters"
                )
        today = datetime.datetime.now(datetime.UTC).date()
        if self.date > today + datetime.timedelta(days=1):
            # Clocks differ by time zones, not by more.
            raise CalibrationError(
                f"{self.date} is yet to come: by this computer's clock today is {today}", "date",
                "give the day on which it was done",
            )  # fmt: skip
        if (self.due - DAY_ZERO).days > _LAST_DAY:
            raise CalibrationError(
                f"{self.due} is too far ahead", "due", "give a day the calibration holds to"
            )
        if self.due <= self.date or self.due <= DAY_ZERO:
            raise CalibrationError(f"{self.due} is not after {self.date}", "due", "give a later day")

    @property
    def due_day(self) -> int:
        """Days from 2000-01-01, as the board keeps it."""
        return (self.due - DAY_ZERO).days


def document(what: str, facts: Facts, measured: Any, result: Any, settings: dict[str, int]) -> dict[str, Any]:
    """The file's content. `what` is flow, water loop, temperature loop or counter."""
    return {
        "kind": KIND,
        "format": FORMAT,
        "skidwright": __version__,
        "what": what,
        "by": facts.by,
        "reference": facts.reference,
        "date": facts.date.isoformat(),
        "due": facts.due.isoformat(),
        "notes": list(facts.notes),
        "measured": _plain(measured),
        "result": _plain(result),
        "settings": settings,
    }


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return {name: _plain(item) for name, item in value._asdict().items()}
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def is_calibration(data: bytes) -> bool:
    """Whether these are the bytes of a calibration's file, of whatever format."""
    if KIND.encode() not in data:
        return False
    try:
        content = json.loads(data)
    except (ValueError, RecursionError):
        return False
    return isinstance(content, dict) and content.get("kind") == KIND


def mark(what: str, facts: Facts, figure: str) -> str:
    """One line for the log, cut to what a record has room for."""
    text = f"calibrated {what}: {figure}, due {facts.due}, {facts.by}, {facts.reference}"
    return text.encode()[:_MARK_BYTES].decode("utf-8", "ignore")


def save(content: dict[str, Any], path: Path) -> None:
    """Write the file, whole or not at all. Raises CalibrationError when there is one already, OSError."""
    if path.exists():
        raise CalibrationError("there is such a file already", str(path), "give another name with --out")
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(path, text.encode())


def due_days(history: History, config: Config) -> dict[str, datetime.date | None]:
    """The day on which each calibration runs out, by the settings in force at the newest sample.

    None for one that was never made, as far as the board and skid.toml say.
    """
    log = history.logs[-1]
    in_force = log.settings.of(int(history.settings_crc[-1])) or log.settings.fallback
    return {
        "counter": _day(int(history.due_day[-1])) or config.counter.calibration_due,
        "flow meter": _day(in_force["meter_due_day"]),
        "current loops": _day(in_force["loops_due_day"]),
    }


def _day(number: int) -> datetime.date | None:
    """The day of that number, counted from 2000-01-01; None for 0."""
    return DAY_ZERO + datetime.timedelta(days=number) if number else None
