"""Checks of the record itself: its place in the log, its time, its settings, its arithmetic."""

import numpy as np
from skidboard import records

from skidwright.arrays import Mask
from skidwright.checks.check import ALL, COUNTS, JUDGEMENT, NOTE, REJECTED, STANDARD, SUSPECT, Check
from skidwright.checks.readings import Readings
from skidwright.formulas import iso4406
from skidwright.log import layouts


def _marked(c: Readings, bit: int) -> Mask:
    return np.asarray((c.marks & bit) != 0)


def header_damaged(c: Readings) -> Mask:
    """The segment's header is damaged."""
    return _marked(c, layouts.HEADER_DAMAGED)


def chain_broken(c: Readings) -> Mask:
    """The segment is not the one whose digest the next segment holds."""
    return _marked(c, layouts.CHAIN_BROKEN)


def foreign_segment(c: Readings) -> Mask:
    """The segment names another device or log."""
    return _marked(c, layouts.FOREIGN)


def impossible(c: Readings) -> Mask:
    """A field says what no board measures or may be set to."""
    return _marked(c, layouts.IMPOSSIBLE)


def repeated(c: Readings) -> Mask:
    """The sequence number was there before, or comes after a higher one."""
    return _marked(c, layouts.REPEATED)


def sequence_gap(c: Readings) -> Mask:
    """Records are missing before this one."""
    return _marked(c, layouts.GAP_BEFORE)


def time_poor(c: Readings) -> Mask:
    """UTC is unknown or less certain than wanted."""
    return np.asarray(c.utc_error_ms > c.limits.time_uncertainty_s * 1000)


def settings_unknown(c: Readings) -> Mask:
    """Nothing that is known has the CRC-32 of the settings that the sample was taken with."""
    return c.every(np.asarray(~c.settings_known))


def code_differs(c: Readings) -> Mask:
    """The board's scale numbers or its marks for few particles are not those recomputed here."""
    right = c.code_right.all(axis=0)
    few = (c.counts < iso4406.FEW_PARTICLES).view(np.uint8)
    flags = few[0] | few[1] << 1 | few[2] << 2 | few[3] << 3
    return np.asarray((~right | ((c.whole("flags") & 15) != flags)) & ~c.by_code)


def windows_differ(c: Readings) -> Mask:
    """The eight parts of a count do not add up to the count."""
    # each part of a shifted count stands for its unit's middle, so the sum may be off by half a unit a part
    off = np.abs(c.counts[0] - c.windows_fine.sum(axis=0))
    unit = 2.0**c.window_shift if c.window_shift.any() else 1.0
    coarse = c.windows_14um
    differs = coarse.sum(axis=0) != c.counts[2]
    differs = (off > records.SUB_WINDOWS / 2 * (unit - 1)) | (differs & ~c.windows_full)
    return np.asarray(differs & ~c.by_code)


CHECKS = (
    Check(
        "segment-foreign",
        ALL,
        REJECTED,
        foreign_segment,
        "device and log number of the segment",
        (),
        JUDGEMENT,
        "a sample of another skid proves nothing here",
        "Find out how the segment came into this log; archive each device's log by itself.",
    ),
    Check(
        "record-impossible",
        ALL,
        REJECTED,
        impossible,
        "fields of the record against what any board can say",
        (),
        JUDGEMENT,
        "a board that writes one absurd figure is not believed in the others",
        "Look at the record (`skidwright check --json`); find out what the board, or somebody, wrote there.",
    ),
    Check(
        "record-repeated",
        ALL,
        REJECTED,
        repeated,
        "sequence number against those before it",
        (),
        JUDGEMENT,
        "a sample counts once",
        "Pull the log afresh into a new archive and compare.",
    ),
    Check(
        "segment-chain",
        ALL,
        SUSPECT,
        chain_broken,
        "SHA-256 of the segment against the digest in the next one",
        (),
        STANDARD,
        "FIPS 180-4 (the digest)",
        "Bytes were changed after they had been written: compare with another pull or a flash image.",
    ),
    Check(
        "segment-header",
        ALL,
        SUSPECT,
        header_damaged,
        "CRC-32 of the segment's header",
        (),
        STANDARD,
        "IEEE 802.3 (the CRC)",
        "Pull again; if it stays, the flash is wearing out: replace the board.",
    ),
    Check(
        "sequence-gap",
        ALL,
        NOTE,
        sequence_gap,
        "sequence number against the one before it",
        (),
        JUDGEMENT,
        "the sample itself is sound",
        "Pull more often than the log wraps around; see the records of reclaimed segments.",
    ),
    Check(
        "time-poor",
        ALL,
        NOTE,
        time_poor,
        "uncertainty of the rebuilt UTC",
        ("time_uncertainty_s",),
        JUDGEMENT,
        "a time, not a measured value",
        "Connect a host at least once after each power-up.",
    ),
    Check(
        "settings-unknown",
        ALL,
        SUSPECT,
        settings_unknown,
        "CRC-32 of the settings in force against those in the log, in the archive and in skid.toml",
        (),
        JUDGEMENT,
        "scale of the water loop, flow band and what is fitted rest on them; the defaults stand in",
        "Pull again: the board's settings come along. For older samples give the skid.toml of that time.",
    ),
    Check(
        "board-code",
        COUNTS,
        SUSPECT,
        code_differs,
        "scale numbers from the board against those recomputed from its raw counts",
        (),
        STANDARD,
        "ISO 4406:2021, table 1; fewer than 20 particles marked",
        "Report it with the log: one end computes wrongly.",
    ),
    Check(
        "window-sum",
        COUNTS,
        SUSPECT,
        windows_differ,
        "sum of the eight sub-windows against the count",
        (),
        JUDGEMENT,
        "two records of one thing must agree",
        "Report it with the log: the firmware lost counts.",
    ),
)
