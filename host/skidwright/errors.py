"""Everything this library raises on purpose, in one tree.

Each message is one line: what is wrong, where, what to do. The library raises
and never prints; only the command line catches.

SkidwrightError
 +-- ConfigError            skid.toml: a misspelt key, a setting out of range, no such file
 +-- PortError              the serial port itself; also a file that is no serial port
 |    +-- PortNotFound      no port of that name; the board is not plugged in
 |    +-- PortBusy          another program, or another skidwright, has it open
 |    +-- PortDenied        the user may not open serial ports
 |    +-- PortGone          the cable was pulled out, or the board lost its power, in mid-talk
 +-- LinkError              talking to what is at the port
 |    +-- NotASkid          nothing answers, or something answers that is no skid (a MicroPython prompt, say)
 |    +-- LinkTimeout       it answered before and does not any more
 |    +-- ProtocolMismatch  board and host are of versions that do not understand each other
 |    +-- BadReply          an answer that no skid gives: too long, not JSON, a number out of range
 |    +-- PumpMayRun        no answer to a command that may have started the pump, nor to the stop after it
 |    +-- Refused           the board understood and says no: an unknown command, a setting out of range
 +-- ArchiveError           the folder of pulled logs; also a folder that is something else
 |    +-- ArchiveVersion    written by another version of skidwright
 |    +-- ArchiveUnreadable a file in it that cannot be read, or not understood
 |    +-- ArchiveBusy       another pull is writing the same log
 |    +-- ArchiveConflict   board and archive disagree about a log that bears the same name
 |    +-- DiskFull          no room left; what was there before is untouched
 +-- RegisterError          the register of assets: a value out of range, a bad line of an imported table
 |    +-- UnknownAsset      no asset of that number, in the register or in skid.toml
 |    +-- RegisterVersion   written by a newer skidwright
 |    +-- RegisterUnreadable  no database, one of something else, or a damaged one
 |    +-- RegisterBusy      another process is writing it
 |    +-- BackupError       a backup that is none, is damaged, or would overwrite what is there
 +-- RigError               rig.toml, wiring.toml or front_end.toml; also ngspice or a drawing library missing
 +-- TuningError            tuning the flow controller
 |    +-- TraceError        a trace of a step test that is none: a column missing, time going back
 |    +-- NoModel           the trace cannot carry a model: no step seen, the meter too coarse
 |    +-- StepTestStopped   a step test on the skid that had to end: an interlock, flow out of its limits
 +-- CalibrationError       runs, points or counts that cannot be, or say too little
 +-- PaperError             a certificate that is none or not supported; no browser to print with
 +-- KeyFileError           a file that should hold the key of a board's log
 +-- SalvageError           raw flash that cannot be read, or holds no segment
 +-- InstallError           the firmware could not be put on the board, or is not there as it was sent
 +-- ScenarioError          a scenario file of the virtual skid: a misspelt key, a value out of range
 +-- SimError               the virtual skid cannot run: no MicroPython here, the firmware crashes or hangs
"""

from __future__ import annotations

_MAX_TEXT = 1000


def printable(text: str) -> str:
    """A text of anybody's with nothing in it that would steer a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _one_line(text: str) -> str:
    """`text` as one printable line: it may quote a file or a board, and those may say anything."""
    line = printable(" ".join(text.split()))
    return line if len(line) <= _MAX_TEXT else f"{line[: _MAX_TEXT // 2]} ... {line[-_MAX_TEXT // 2 :]}"


class SkidwrightError(Exception):
    """Base of all: `what` is wrong, `where`, and the `remedy`. The text is those three in one line."""

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        text = ": ".join(part for part in (where, what) if part)
        super().__init__(_one_line(f"{text}; {remedy}" if remedy else text))


class ConfigError(SkidwrightError):
    """skid.toml or the settings in it."""


class PortError(SkidwrightError):
    """A serial port, or what was taken for one."""


class PortNotFound(PortError):
    """There is no port of that name."""


class PortBusy(PortError):
    """The port is open elsewhere."""


class PortDenied(PortError):
    """The user may not open the port."""


class PortGone(PortError):
    """The port went away while it was in use."""


class LinkError(SkidwrightError):
    """The conversation with the board."""


class NotASkid(LinkError):
    """What is at the port does not answer as a skid does."""


class LinkTimeout(LinkError):
    """The board has stopped answering."""


class ProtocolMismatch(LinkError):
    """Board and host speak different versions."""


class BadReply(LinkError):
    """The board's answer cannot be right."""


class PumpMayRun(LinkError):
    """It cannot be known whether the pump runs; the remedy names what stops it without the board."""


class Refused(LinkError):
    """The board says no, and why."""


class ArchiveError(SkidwrightError):
    """The archive folder."""


class ArchiveVersion(ArchiveError):
    """The archive is of a format this version does not know."""


class ArchiveUnreadable(ArchiveError):
    """A file of the archive cannot be read or understood."""


class ArchiveBusy(ArchiveError):
    """Another process is writing this log."""


class ArchiveConflict(ArchiveError):
    """What the board holds contradicts what the archive holds."""


class DiskFull(ArchiveError):
    """There is no room on the disk; the archive is as it was."""


class TuningError(SkidwrightError):
    """Tuning the flow controller."""


class TraceError(TuningError):
    """What was given is no trace of a step test."""


class NoModel(TuningError):
    """The trace cannot carry a model; nothing is proposed."""


class StepTestStopped(TuningError):
    """A step test on the skid had to end before its time."""


class CalibrationError(SkidwrightError):
    """Calibrating meter, loops or counter: what was given cannot be, or says too little."""


class PaperError(SkidwrightError):
    """A certificate that is none, or that the samples do not support; nothing to print a PDF with."""


class KeyFileError(SkidwrightError):
    """The key of a board's log."""


class SalvageError(SkidwrightError):
    """Recovering a log from raw flash."""


class InstallError(SkidwrightError):
    """Putting firmware or settings on a board."""


class ScenarioError(SkidwrightError):
    """A scenario file of the virtual skid."""


class SimError(SkidwrightError):
    """The virtual skid itself."""


class RigError(SkidwrightError):
    """A file that describes a rig, its wiring or its parts, or a program that computing it needs."""


class RegisterError(SkidwrightError):
    """The register of assets, or what was to go into it."""


class UnknownAsset(RegisterError):
    """Nobody has said anything of an asset of that number."""


class RegisterVersion(RegisterError):
    """The register is of a newer schema than this version knows."""


class RegisterUnreadable(RegisterError):
    """The register cannot be read or written: no database, damaged, no permission."""


class RegisterBusy(RegisterError):
    """Another process is writing the register."""


class BackupError(RegisterError):
    """A backup that is none or is damaged, or one that would overwrite what is there."""
