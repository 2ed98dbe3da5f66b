"""How sure the headline is, and every reason that takes something away from it."""

import datetime

import numpy as np

from skidwright.report.model import ABSENT, VALID, AssetReport
from skidwright.samples.history import JUDGED

RECENT = 20


def sureness(data: AssetReport) -> tuple[str, list[str]]:
    """High, fair, low or none, and why: every reason that takes something away is named."""
    samples, integrity = data.samples, data.integrity
    verdicts = samples.counts_verdict[-RECENT:]
    valid = int((verdicts == VALID).sum())
    if not valid:
        return "none", [f"None of the newest {len(verdicts)} samples has a valid count."]
    doubts = 0
    reasons = [f"{valid} of the newest {len(verdicts)} samples have valid counts."]
    if valid < len(verdicts) / 2 or valid < JUDGED:
        doubts += 2
    elif valid < 0.8 * len(verdicts):
        doubts += 1
    since = int(np.flatnonzero(samples.counts_verdict[::-1] == VALID)[0])
    if since >= JUDGED:
        doubts += 2
        reasons.append(f"The newest {since} samples are not valid, so the present state may have moved on.")
    doubts += _water(data, reasons)
    codes = samples.code[samples.counts_verdict == VALID][-JUDGED:, :3].astype(int)
    spread = int((codes.max(axis=0) - codes.min(axis=0)).max())
    if spread <= 1:
        reasons.append("The newest valid samples agree within one scale number.")
    else:
        doubts += 1
        reasons.append(f"The newest valid samples differ by up to {spread} scale numbers.")
    for words, over in _calibrations(data):
        doubts += over
        reasons.append(words)
    if integrity.unread:
        doubts += 2
        reasons.append(
            "Records that cannot be read may be newer than what is judged; see the statement on integrity."
        )
    elif not integrity.chain_ok or integrity.bad_records or integrity.missing_records:
        doubts += 1
        reasons.append("The log is not complete; see the statement on integrity.")
    else:
        reasons.append("The log is complete and every record was verified.")
    return ("high" if doubts == 0 else "fair" if doubts == 1 else "low"), reasons


def _water(data: AssetReport, reasons: list[str]) -> int:
    """Doubts about the water readings, where any are taken; why goes to `reasons`."""
    verdicts = data.samples.water_verdict[-RECENT:]
    measured = verdicts[verdicts != ABSENT]
    if not len(measured):
        return 0
    valid = int((measured == VALID).sum())
    reasons.append(f"{valid} of the newest {len(measured)} have valid water.")
    return 1 if valid < 0.8 * len(measured) or not (measured[-JUDGED:] == VALID).any() else 0


def _calibrations(data: AssetReport) -> list[tuple[str, bool]]:
    """What is known of each calibration that a count rests on, and whether that takes something away.

    A loop's input counts for water only, and is told with it where its date has gone by.
    """
    last = data.samples.when[~np.isnat(data.samples.when)]
    day = last[-1].astype("datetime64[D]").astype(datetime.date) if len(last) else None

    def state(due: datetime.date | None, what: str, never: str) -> tuple[str, bool]:
        if due is None:
            return never, True
        over = bool(day and day > due)
        return f"The {what}'s calibration {'ran out on' if over else 'runs until'} {due}.", over

    told = [
        state(data.calibration_due, "counter", "Nobody said when the counter's calibration runs out, so "
              "absolute numbers are unproven."),
        state(data.meter_due, "flow meter", "The flow meter was never calibrated, by the board's settings: "
              "every concentration rests on it."),
    ]  # fmt: skip
    if data.asset.water_limit_percent is not None:
        loops = state(
            data.loops_due, "current loop input", "The current loops' inputs were never calibrated."
        )
        told.append((loops[0], False))
    return told
