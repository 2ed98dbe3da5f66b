"""The command group, and what becomes of errors: one line that says what, where and what to do."""

import contextlib
import errno
import importlib
import io
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path

import click
from skidboard import VERSION

from skidwright.cli import ended

# Command -> module of this package and the name of the command in it. A module is read when it is needed.
COMMANDS = {
    "demo": "demo_command:demo",
    "sim": "sim_command:sim",
    "ports": "ports_command:ports",
    "install": "install_commands:install",
    "settings": "install_commands:settings",
    "status": "board_commands:status",
    "watch": "board_commands:watch",
    "tell": "board_commands:tell",
    "mark": "board_commands:mark",
    "cleanup": "cleanup_command:cleanup",
    "pull": "pull_command:pull",
    "salvage": "salvage_command:salvage",
    "check": "check_command:check",
    "order": "order_command:order",
    "thresholds": "thresholds_command:thresholds",
    "report": "report_command:report",
    "export": "export_command:export",
    "assess": "assess_command:assess",
    "asset": "asset_commands:asset",
    "receive": "receive_command:receive",
    "certificate": "paper_commands:certificate",
    "verify": "paper_commands:verify",
    "slip": "paper_commands:slip",
    "payback": "money_commands:payback",
    "backup": "backup_commands:backup",
    "restore": "backup_commands:restore",
    "code": "code_command:code",
    "fluid": "fluid_command:fluid",
    "water": "water_command:water",
    "size": "rig_commands:size",
    "wiring": "rig_commands:wiring",
    "bill": "rig_commands:bill",
    "tune": "tune_command:tune",
    "calibrate": "calibrate_commands:calibrate",
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
        module, _, name = COMMANDS[cmd_name].partition(":")
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
                rows = [(name, self.get_command(ctx, name)) for name in names]
                formatter.write_dl([(name, made.get_short_help_str(80)) for name, made in rows if made])


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
    by_signal = ended.Ended()
    by_signal.listen()
    status = by_signal.status(run())
    ended.flush()
    sys.exit(status)
