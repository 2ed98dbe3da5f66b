"""The command group, and what becomes of errors: one line that says what, where and what to do.
A pipe that was closed, Ctrl-C and a signal end a command as its host expects."""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import os
import signal
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

import click
from skidboard import VERSION

# Windows has no SIGHUP; SIGBREAK is its own.
_NAMES = ("SIGTERM", "SIGHUP", "SIGBREAK")


class Ended:
    """Which signal has come, 0 for none. `listen()` once, in the main thread."""

    def __init__(self) -> None:
        self.by = 0

    def listen(self) -> None:
        """Take the signals, but for one that our starter wants ignored (`nohup`)."""
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                signal.signal(number, self._come)

    def _come(self, number: int, _frame: FrameType | None) -> None:
        # A closed terminal sends more than one: those behind must not disturb the stopping of a pump.
        if not self.by:
            self.by = number
            raise KeyboardInterrupt

    def status(self, found: int) -> int:
        """The exit status: 128 and the signal when one came, else the one found."""
        return 128 + self.by if self.by else found


def flush() -> None:
    """Write out what is left, also when the terminal is gone: an end must not stumble over it."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


# Command -> module of this package with the name of the command in it, and its line in the list of commands.
# A module is read when its command is called; the list reads none.
COMMANDS = {
    "demo": ("demo:demo", "Show the whole job without hardware: run, pull, check, report."),
    "sim": ("sim:sim", "Run a virtual skid that offers a port like a board's."),
    "ports": ("install:ports", "List serial ports and mark the skids among them."),
    "install": ("install:install", "Put the firmware and your settings on a board."),
    "settings": ("install:settings", "Show the settings of a running skid, or send yours."),
    "status": ("board:status", "Show what a skid is doing now."),
    "watch": ("board:watch", "Watch a skid live until Ctrl-C."),
    "tell": ("board:tell", "Start, stop or reset a skid, or take its pump by hand."),
    "mark": ("board:mark", "Write a remark of yours into the log."),
    "cleanup": ("cleanup:cleanup", "Filter until the fluid is proven clean; judge how that went."),
    "pull": ("pull:pull", "Pull what is new in a skid's log into the archive."),
    "salvage": ("pull:salvage", "Recover a log from raw flash after its file system was lost."),
    "check": ("check:check", "Say which samples may be believed, and why not the others."),
    "order": (
        "order:order",
        "Say in which order to sample the assets, and how much to purge for each.",
    ),
    "thresholds": (
        "thresholds:thresholds",
        "Show by what the pulled samples are read; read them by today's skid.toml.",
    ),
    "report": ("report:report", "Write one report for each asset."),
    "export": ("export:export", "Write the samples as CSV or Parquet, units in the heads."),
    "assess": ("assess:assess", "Say which asset needs attention first, and why."),
    "asset": ("asset:asset", "The register: machines, targets, maintenance, tags."),
    "receive": ("receive:receive", "Accept or refuse a fluid that was delivered or moved."),
    "certificate": ("papers:certificate", "Issue a one-page certificate that a target was met."),
    "verify": ("papers:verify", "Say whether the log still supports a certificate."),
    "slip": ("papers:slip", "A slip of 48 columns for a receipt printer."),
    "payback": ("money:payback", "What cleaner fluid saves and when it has paid, as ranges."),
    "backup": ("backup:backup", "Back up the register, skid.toml and calibrations."),
    "restore": ("backup:restore", "Bring a backup back, or verify it."),
    "code": ("code:code", "Cleanliness code of particle counts (ISO 4406, AS4059, NAS 1638)."),
    "fluid": ("fluid:fluid", "Viscosity at a temperature, viscosity index, ISO grade of an oil."),
    "water": (
        "fluid:water",
        "Water in oil: content, saturation elsewhere, where free water appears.",
    ),
    "size": ("rig:size", "Whether the plumbing of RIG (a rig.toml) works out, cold and hot."),
    "wiring": (
        "rig:wiring",
        "Check the wiring, compute the front end, make pin table, drawings and netlists.",
    ),
    "bill": (
        "rig:bill",
        "What to buy for a build, by rating, with what may replace it, and what it costs.",
    ),
    "tune": ("tune:tune", "Identify pump and flow loop, propose and verify controller gains."),
    "calibrate": (
        "calibrate:calibrate",
        "Calibrate flow meter and loop inputs; compare the counter.",
    ),
}
GROUPS = {
    "Without a skid": ("demo", "sim", "code", "fluid", "water"),
    "Building one": ("size", "wiring", "bill"),
    "At the skid": (
        "ports",
        "install",
        "settings",
        "tune",
        "calibrate",
        "status",
        "watch",
        "tell",
        "mark",
        "cleanup",
        "pull",
        "salvage",
    ),
    "With what was pulled": ("check", "thresholds", "order", "assess", "report", "export"),
    "The programme": (
        "asset",
        "receive",
        "payback",
        "certificate",
        "verify",
        "slip",
        "backup",
        "restore",
    ),
}
SHOW_TRACEBACK = "SKIDWRIGHT_TRACEBACK"
STOPPED = 130
CUT_OFF = 141
# What click raises, with the help as its text, for a group without a command; older ones print it themselves.
_NO_ARGUMENTS: type[click.UsageError] | tuple[()] = getattr(click.exceptions, "NoArgsIsHelpError", ())

_REMEDIES = {
    errno.ENOSPC: "free some space and run it again; what was there before is undamaged",
    errno.EDQUOT: "free some space and run it again; what was there before is undamaged",
    errno.EACCES: "check the permissions, or give another place",
    errno.EPERM: "check the permissions, or give another place",
    errno.EROFS: "give a place that can be written",
    errno.ENOENT: "check the name",
    errno.ENOTDIR: "give a directory",
    errno.EISDIR: "give a file, not a directory",
    errno.EIO: "the device or the disk failed; try another one",
}


class CommandGroup(click.Group):
    """Finds commands by name and lists them by what one needs for them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All command names, in the order of the help."""
        return [name for names in GROUPS.values() for name in names]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, its module read now; None when there is none."""
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(f"skidwright.cli.{module}"), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; for a name that is none, the nearest one is suggested."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            from skidwright.config import suggestion

            near = suggestion(args[0], COMMANDS)
            raise click.UsageError(f"{args[0]}: there is no such command; {near}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands in the help."""
        for heading, names in GROUPS.items():
            with formatter.section(heading):
                formatter.write_dl([(name, COMMANDS[name][1]) for name in names])


@click.group(
    cls=CommandGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(VERSION, "-V", "--version", message="skidwright %(version)s")
def skidwright() -> None:
    """Oil sampling skids: run one, pull its log, prove which samples may be believed, report.

    \b
    First steps without any hardware:
      skidwright demo
    \b
    First steps with a skid on a USB port:
      skidwright ports
      skidwright install /dev/ttyACM0
      skidwright pull /dev/ttyACM0
      skidwright check
      skidwright report

    Exit status: 0 all good; 1 the data fell short; 2 the request could not be carried out.
    """


def one_line(error: BaseException) -> str:
    """What the user is told about an error, without the leading "skidwright: "."""
    if isinstance(error, click.UsageError):
        path = error.ctx.command_path if error.ctx else "skidwright"
        return f"{error.format_message().rstrip('.')}; see `{path} --help`"
    if isinstance(error, click.ClickException):
        return error.format_message()
    if isinstance(error, OSError):
        what = error.strerror or str(error) or type(error).__name__
        where = f"{os.fsdecode(error.filename)}: " if isinstance(error.filename, (str, bytes)) else ""
        remedy = _REMEDIES.get(error.errno or 0, "check the place and try again")
        return f"{where}{what}; {remedy}"
    if isinstance(error, MemoryError):
        return "not enough memory; close other programs, or work on a smaller part of the log"
    return str(error) or type(error).__name__


def _foreseen(error: BaseException) -> bool:
    from skidwright.errors import SkidwrightError

    return isinstance(error, (SkidwrightError, click.ClickException, OSError, MemoryError))


def run(arguments: Sequence[str] | None = None) -> int:
    """Carry out one command line and return its exit status; errors become one line on stderr."""
    try:
        given = list(arguments) if arguments is not None else None
        status = skidwright.main(args=given, prog_name="skidwright", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except (KeyboardInterrupt, click.Abort):
        _say("stopped: what was finished by then is kept")
        return STOPPED
    except (BrokenPipeError, SystemExit):
        # The reader of a pipe, such as `head`, has seen enough: nothing more to say to it. What the answer
        # comes to nobody knows then, so it is not called good: the status is that of any program a pipe ends.
        # (click makes a SystemExit of it, and has no other reason to raise one here.)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return CUT_OFF
    except Exception as error:
        if isinstance(error, _NO_ARGUMENTS):
            print(error.format_message(), file=sys.stderr)
            return 2
        if os.environ.get(SHOW_TRACEBACK):
            traceback.print_exc()
        if _foreseen(error):
            _say(one_line(error))
        else:
            _say(
                f"unexpected {type(error).__name__}: {' '.join(str(error).split())}; this is a fault of "
                f"skidwright: please report it with what {SHOW_TRACEBACK}=1 shows"
            )
        return 2


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # the terminal may be gone
        print(f"skidwright: {' '.join(text.split())}", file=sys.stderr)


def main() -> None:
    """Entry point of the command `skidwright`."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started us
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115
        elif isinstance(stream, io.TextIOWrapper):
            # A sign that the terminal or pipe cannot show (old code pages) becomes "?" and stops nothing.
            stream.reconfigure(errors="replace")
    by_signal = Ended()
    by_signal.listen()
    status = by_signal.status(run())
    flush()
    sys.exit(status)
