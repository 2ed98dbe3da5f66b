"""What the `calibrate` commands share: the board, runs and readings made on it, and keeping the outcome."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.calibration import document
from skidwright.cli import options, output, pump_state
from skidwright.cli.options import Number
from skidwright.errors import CalibrationError

if TYPE_CHECKING:
    from skidwright.calibration.flow import WeighedRun
    from skidwright.calibration.loop import Point
    from skidwright.link.session import Session

_METER = 6  # place of the flow meter among the edges of a status
_RUN_OUT_S = 3.0
_READINGS = 20


@dataclass(frozen=True)
class CalibrationOutcome:
    """A finished calibration: what is kept in its file, set on the board and marked in the log."""

    what: str
    facts: document.Facts
    measured: Any
    result: Any
    settings: dict[str, int]
    figure: str


@contextlib.contextmanager
def board(port: str | None) -> Iterator[Session | None]:
    """A session with the skid at `port`, or None without one. Raises PortError, LinkError."""
    if port is None:
        yield None
        return
    from skidwright.link.session import Session

    with Session.open(port) as session:
        session.hello()
        yield session


def catch(session: Session, times: int, seconds: int) -> list[WeighedRun]:
    """Pump `times` runs at flows across the band; the mass of each is asked for."""
    from skidwright.calibration.flow import WeighedRun
    from skidwright.link import pump

    options.ask("Masses have to be typed in.", "give --run or --runs")
    click.echo(output.PUMP_RUNS, err=True)
    settings = session.settings()
    low, high = int(settings["flow_low_ul_s"]), int(settings["flow_high_ul_s"])
    flows = [low + (high - low) * (1 + place % 3) // 4 for place in range(times)]
    runs = []
    for place, ul_s in enumerate(flows, 1):
        run = f"Run {place} of {times}, {ul_s * 0.06:.1f} mL/min for {seconds} s."
        if not click.confirm(f"{run} Vessel tared, pump may start?", default=True, err=True):
            break
        before = _meter(session)
        try:
            pump.drive(session, f"hold {ul_s} {seconds}")
            time.sleep(seconds + _RUN_OUT_S)
        except KeyboardInterrupt:
            pump.make_sure_it_stands(session, "the run was interrupted")
            raise
        pulses = (_meter(session) - before) % (1 << 30)
        mass = click.prompt(f"{pulses} pulses. Mass caught, g", type=Number(), err=True)
        runs.append(WeighedRun(pulses, mass, float(seconds)))
    return runs


def _meter(session: Session) -> int:
    edges = session.status().get("edges")
    if not isinstance(edges, list) or len(edges) <= _METER:
        raise click.UsageError("this board does not show its inputs: update it with `skidwright install`")
    return int(edges[_METER])


def read_loop(session: Session, which: str, wanted_ma: Sequence[float]) -> list[Point]:
    """Readings of the board at each current; the user sets the reference."""
    from skidwright.calibration.loop import Point

    options.ask("The reference has to be set by hand.", "give --point")
    points = []
    for current in wanted_ma:
        given = click.prompt(f"Set the reference to {current:g} mA. What does it show, mA", type=Number(),
                             default=current, err=True)  # fmt: skip
        reads = []
        for _ in range(_READINGS):
            reads.append(int(session.status()[f"{which}_ua"]))
            time.sleep(0.1)
        points.append(Point(given * 1000, sum(reads) / len(reads)))
    return points


def uncorrected(session: Session, which: str, points: Sequence[Point]) -> list[Point]:
    """The readings without the correction that is in force on the board."""
    from skidwright.calibration.loop import Point

    settings = session.settings()
    offset, gain = int(settings[f"{which}_offset_ua"]), int(settings[f"{which}_gain_ppm"])
    if offset or gain:
        click.echo(
            f"note: a correction is in force already (offset {offset} uA, gain {gain / 1e4:+.3f} %); these "
            "points are taken as read with it, and it is taken out of them first. Points read before it was "
            "set would be corrected twice.",
            err=True,
        )
    return [Point(p.reference_ua, (p.read_ua - offset) / (1 + gain / 1e6)) for p in points]


def place(what: str, facts: document.Facts, out: Path | None) -> Path:
    """Where the result will go. Raises CalibrationError, before any work, when there is a file already."""
    path = out or Path(f"calibration-{what.split(',')[0].replace(' ', '-')}-{facts.date:%Y%m%d}.json")
    if path.exists():
        raise CalibrationError("there is such a file already", str(path), "give another name with --out")
    return path


def finish(
    work: CalibrationOutcome,
    session: Session | None,
    yes: bool,
    out: Path | None,
    as_json: bool,
    say: Callable[[str], None],
) -> int:
    """Keep the file; with a board, set what follows and mark the log. The exit status."""
    from skidwright.cli import output

    question = "Put this on the board and into its log?"
    if session is not None and not yes:
        options.ask(question)
    content = document.document(work.what, work.facts, work.measured, work.result, work.settings)
    path = place(work.what, work.facts, out)
    document.save(content, path)
    written = False
    _say_the_change(work, session)
    if session is not None and options.agreed(question, yes):
        if work.settings:
            _put(work, session, yes)
        session.command("mark " + document.mark(work.what, work.facts, work.figure))
        written = True
    if as_json:
        output.print_json({**content, "file": str(path), "on_board": written})
        return 0
    lines = ", ".join(f"{key} = {value}" for key, value in work.settings.items())
    say(f"In {path}." + (" On the board and in its log." if written else " Nothing was written to a board."))
    if lines:
        say(f"If you keep a skid.toml, put under [board]: {lines}")
    return 0


def _say_the_change(work: CalibrationOutcome, session: Session | None) -> None:
    """Each setting as it is on the board and as it is going to be."""
    if session is None or not work.settings:
        return
    present = session.settings()
    for name, new in work.settings.items():
        old = present.get(name)
        click.echo(f"{name}: {old} now -> {new}{' (no change)' if old == new else ''}", err=True)


def _put(work: CalibrationOutcome, session: Session, yes: bool) -> None:
    """Set what follows from the work; what that ends is asked before and told after."""
    present = session.settings()
    changes = {name: value for name, value in work.settings.items() if present.get(name) != value}
    if not changes:
        return
    ended = pump_state.ask_before_end(session, yes)
    session.put_settings(changes)
    if ended:
        for line in pump_state.after_settings(session, ended):
            click.echo(line, err=True)
