"""`status`, `watch`, `tell` and `mark`: short talks with a running board."""

import time
from typing import Any

import click

from skidwright.cli import options, output, pump_state
from skidwright.cli.options import Number

BY_HAND = ("duty", "hold")
# What a record of the log has room for.
_MARK_BYTES = 88
_PUMP_RUNS = ("start", *BY_HAND)
_MAY_START = ("reset", "auto")
COMMANDS = ("start", "stop", "reset", *BY_HAND, "auto")


@click.command(short_help="Show what a skid is doing now.")
@options.port_argument
@options.json_option
def status(port: str, as_json: bool) -> int:
    """Show what the skid at PORT is doing now: state, faults, flow, water, temperature, log.

    \b
    Examples:
      skidwright status /dev/ttyACM0
      skidwright status COM5 --json

    Exit status 1: a fault is standing.
    """
    from skidwright.cli import output, status_view
    from skidwright.link.session import Session

    with Session.open(port) as session:
        hello, state = session.hello(), session.status()
    if as_json:
        who = {"device": hello.device, "firmware": hello.firmware, "log": hello.log}
        output.print_json({**who, **status_view.plain(state)})
    else:
        output.print_table(("", ""), status_view.rows(state, hello))
    return 1 if state.get("faults") else 0


@click.command(short_help="Watch a skid live until Ctrl-C.")
@options.port_argument
@click.option(
    "--every", type=Number(0.2, 3600), default=1.0, show_default=True, help="Seconds between looks."
)
@click.option("--times", type=click.IntRange(1), default=None, help="Stop after so many looks.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for programs.")
def watch(port: str, every: float, times: int | None, as_json: bool) -> None:
    """Watch the skid at PORT live: state, flow against its band, counts, water, temperature. Ends with
    Ctrl-C.

    \b
    Examples:
      skidwright watch /dev/ttyACM0
      skidwright watch /dev/ttyACM0 --every 5 --json > run.jsonl
    """
    from skidwright.link.session import Session

    with Session.open(port) as session:
        hello = session.hello()
        settings = session.settings()
        if as_json:
            _watch_json(session, every, times)
        else:
            _watch_live(session, hello, settings, every, times)


def _looks(session: Any, every: float, times: int | None) -> Any:
    """The board's state again and again, `every` seconds apart; Ctrl-C ends it like any other end."""
    count = 0
    try:
        while times is None or count < times:
            if count:
                time.sleep(every)
            yield session.status()
            count += 1
    except KeyboardInterrupt:
        return


def _watch_json(session: Any, every: float, times: int | None) -> None:
    import datetime

    from skidwright.cli import output, status_view

    for state in _looks(session, every, times):
        now = output.iso(datetime.datetime.now(datetime.UTC))
        output.print_json_line({"utc": now, **status_view.plain(state)})


def _watch_live(session: Any, hello: Any, settings: dict[str, Any], every: float, times: int | None) -> None:
    from rich.live import Live

    from skidwright.cli import output, status_view

    screen = output.console()
    if not screen.is_terminal:
        for state in _looks(session, every, times):
            output.say(status_view.line(state))
        return
    with Live(console=screen, auto_refresh=False) as live:
        for state in _looks(session, every, times):
            live.update(status_view.panel(state, hello, settings), refresh=True)


# A number below 0 is to be refused as a number, not as an option.
@click.command(
    short_help="Start, stop or reset a skid, or take its pump by hand.",
    context_settings={"ignore_unknown_options": True},
)
@options.port_argument
@click.argument("what", type=click.Choice(COMMANDS, case_sensitive=False))
@click.argument("numbers", nargs=-1, metavar="[N [SECONDS]]")
def tell(port: str, what: str, numbers: tuple[str, ...]) -> None:
    """Tell the skid at PORT to start sampling, to stop, to reset a trip, or what to do with its pump.

    \b
    start             begin with the next asset now: the pump runs
    stop              give up whatever runs and stay in standby
    reset             end a trip whose cause is gone; find the cause first
    duty N [SECONDS]  drive the pump with N per mille, for 60 seconds unless said otherwise
    hold N [SECONDS]  hold a flow of N uL/s inside the band, likewise
    auto              controller and cycle have the pump again

    Before the pump runs: hands off fittings, lines secured, stop chain within reach. The interlocks watch as
    ever. Samples taken with a duty by hand are marked so. When the answer is lost the skid is stopped, and
    the last line says whether it is known to stand.

    \b
    Examples:
      skidwright tell /dev/ttyACM0 reset
      skidwright tell /dev/ttyACM0 start
      skidwright tell /dev/ttyACM0 hold 800 120
    """
    if what == "stop":
        with pump_state.opened(port) as session:
            session.insist(what)
        click.echo(f"{what}: done")
        if numbers:
            click.echo(f"note: stop takes nothing more; {' '.join(numbers)} was ignored", err=True)
        return
    _carry_out(port, what, _whole(what, numbers))


def _whole(what: str, words: tuple[str, ...]) -> tuple[int, ...]:
    """The numbers of a command by hand. Raises UsageError."""
    if bool(words) != (what in BY_HAND) or len(words) > 2:
        wanted = "a number, and seconds if you like" if what in BY_HAND else "no number"
        raise click.UsageError(f"{what}: takes {wanted}")
    try:
        return tuple(int(word) for word in words)
    except ValueError:
        raise click.UsageError(f"{what}: {' '.join(words)}: whole numbers are needed") from None


def _carry_out(port: str, what: str, numbers: tuple[int, ...]) -> None:
    from skidwright.cli import status_view
    from skidwright.errors import Refused
    from skidwright.link import pump
    from skidwright.link.session import Session

    with Session.open(port) as session:
        session.hello()
        _refuse_beyond(session, what, numbers)
        # A tripped skid is going to refuse: nothing will run that needs a caution.
        caution = output.PUMP_RUNS if what in _PUMP_RUNS else ""
        first = bool(caution) and session.status().get("state") != "tripped"
        if first:
            click.echo(caution)
        try:
            pump.drive(session, " ".join([what, *map(str, numbers)]))
        except Refused as refused:
            raise status_view.with_remedy(refused) from None
        if caution and not first:
            click.echo(caution)
    click.echo(f"{what}: done")
    if what in _MAY_START:
        click.echo(output.MAY_START)


def _refuse_beyond(session: Any, what: str, numbers: tuple[int, ...]) -> None:
    """Raise Refused, as the board would, for numbers by hand that its settings do not allow."""
    from skidwright.errors import Refused

    if what not in BY_HAND:
        return
    ends = ("duty_min_permille", "duty_max_permille", "per mille")
    if what == "hold":
        ends = ("flow_low_ul_s", "flow_high_ul_s", "uL/s")
    settings = session.settings()
    allowed = [(settings.get(ends[0]), settings.get(ends[1]), ends[2]), (1, settings.get("run_limit_s"), "s")]
    for number, (low, high, unit) in zip(numbers, allowed, strict=False):
        if isinstance(low, int) and isinstance(high, int) and not low <= number <= high:
            raise Refused(f"{what}: {number} is outside {low} to {high} {unit}", session.where)


class _TextFirst(click.Command):
    """A command whose text may look like an option: what to do then is said."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as error:
            raise click.UsageError(
                f"{error.option_name}: no such option; a TEXT that begins with - goes behind --, as in "
                f'`{ctx.command_path} PORT -- "-5 L"`',
                ctx,
            ) from None


@click.command(cls=_TextFirst, short_help="Write a remark of yours into the log.")
@options.port_argument
@click.argument("text")
def mark(port: str, text: str) -> None:
    """Write TEXT into the log of the skid at PORT, with the time: a repair, a top-up, a filter change.

    Up to 88 bytes are kept. The report shows marks with a letter in its pictures. A TEXT that begins with -
    goes behind --.

    \b
    Example:
      skidwright mark /dev/ttyACM0 "ramp unit topped up, 25 L"
    """
    from skidwright.link.session import Session

    problem = _unfit(text)
    if problem:
        raise click.UsageError(problem)
    with Session.open(port) as session:
        session.hello()
        session.command(f"mark {text.strip()}")
    cut = len(text.strip().encode()) > _MARK_BYTES
    click.echo("mark: written" + (f", cut to its first {_MARK_BYTES} bytes" if cut else ""))


def _unfit(text: str) -> str:
    """Why a text cannot be a mark, "" when it can."""
    import sys

    if not text.strip():
        return "TEXT must have something in it"
    # What Python makes of bytes that the terminal's encoding does not know.
    if any("\ud800" <= sign <= "\udfff" for sign in text):
        return (
            f"TEXT has letters that the terminal's encoding ({sys.getfilesystemencoding()}) cannot read: set "
            "it to UTF-8 (LC_ALL=C.UTF-8, or PYTHONUTF8=1), then repeat"
        )
    strange = next((sign for sign in text if not sign.isprintable()), "")
    if strange in ("\n", "\r"):
        return "TEXT must be one line: it has a line break in it"
    if strange:
        return f"TEXT has a sign in it that cannot be printed (U+{ord(strange):04X}): leave it out"
    return ""
