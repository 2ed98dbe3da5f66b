"""Following a clean-up run on a board. The board is watched whatever becomes of the archive."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.config import Config
from skidwright.errors import LinkError, PortError, PumpMayRun, SkidwrightError

if TYPE_CHECKING:
    from skidwright.link.session import Session

# After a sample the log is pulled and fitted again, but not more often than this.
_FIT_S = 60.0


def attach(port: str, asset: int | None, archive: Path, config: Callable[[], Config], as_json: bool,
           given: dict[str, Any]) -> int:  # fmt: skip
    """Follow the run that goes on at `port`, of `asset` when one is named. The exit status.

    Raises UsageError when none goes on, or one of another asset.
    """
    from skidwright.link.session import Session

    with Session.open(port) as session:
        session.hello()
        run = session.status().get("cleanup", {})
        if not run.get("running"):
            raise click.UsageError("--follow: no clean-up is running; start one without --follow")
        running = int(run.get("asset", 0))
        if asset not in (None, running):
            raise click.UsageError(
                f"--asset {asset}: the clean-up that is running is of asset {running}; leave --asset out, or "
                f"give --asset {running}"
            )
        click.echo(f"following the clean-up of asset {running}", err=True)
        return follow(session, running, archive, config, as_json, given)


def follow(session: Session, asset: int, archive: Path, config: Callable[[], Config], as_json: bool,
           given: dict[str, Any]) -> int:  # fmt: skip
    """Look until the run has ended, the looks are over, or Ctrl-C; then judge it. The exit status."""
    from skidwright.cli import cleanup_view
    from skidwright.link.pump import HARDWARE_STOP

    pulled = _Pulled(session, asset, archive, config, given)
    how = 0
    try:
        how = _look(session, pulled, given, as_json)
    except KeyboardInterrupt:
        click.echo(
            "left; the board goes on by itself. Follow it with --follow, end it with --stop.", err=True
        )
    except (LinkError, PortError) as lost:
        raise PumpMayRun(
            f"{lost.what}; the clean-up goes on by itself: the pump may be running",
            lost.where,
            f"`skidwright cleanup {session.where} --stop` ends it; without the board, {HARDWARE_STOP}",
        ) from None
    judged = pulled.judged() if given["picture"] is not None or as_json else None
    if pulled.problem:
        click.echo(f"note: the archive could not be brought up to date: {pulled.problem}", err=True)
        return 1
    if judged is None:
        return 0 if how == 1 else 1
    run, stands = judged
    return cleanup_view.show(run, stands, given["picture"], as_json)


class _Pulled:
    """The run as it stands in the archive, pulled anew when asked. `problem`: why that failed, "" if not."""

    def __init__(self, session: Session, asset: int, archive: Path, config: Callable[[], Config],
                 given: dict[str, Any]) -> None:  # fmt: skip
        self.problem = ""
        self._session = session
        self._asset = asset
        self._archive = archive
        self._config = config
        self._given = given

    def judged(self) -> Any:
        """Pull and judge; None when that is not possible. Raises PortError, LinkError."""
        from skidwright.archive import folder as archives
        from skidwright.archive import pull as pulling
        from skidwright.cli import app, cleanup_view
        from skidwright.log import keys as log_keys
        from skidwright.register import thresholds_today

        try:
            known = self._given["keys"] or log_keys.of(self._session.hello().device)
            place = archives.Archive.create(self._archive)
            config = self._config()
            thresholds = thresholds_today(config, self._archive)
            pulling.pull(self._session, place, key=known[-1] if known else None, thresholds=thresholds)
            found = cleanup_view.last_run(self._archive, config, self._asset, self._given)
        except (PortError, LinkError):
            raise
        except (SkidwrightError, OSError, MemoryError) as error:
            if not self.problem:
                click.echo(f"note: no forecast, the board is watched on: {app.one_line(error)}", err=True)
            self.problem = app.one_line(error)
            return None
        self.problem = ""
        return found


def _look(session: Session, pulled: _Pulled, given: dict[str, Any], as_json: bool) -> int:
    """Look again and again until the run has ended or the looks are over; how it ended, 0 while it runs."""
    from skidwright.cleanup.runs import end_text
    from skidwright.cli import cleanup_view

    seen, fitted_at, looks, forecast, how = -1, -_FIT_S, 0, "", 0
    while given["times"] is None or looks < given["times"]:
        if looks:
            time.sleep(given["every"])
        looks += 1
        run = session.status().get("cleanup", {})
        running = bool(run.get("running"))
        how = 0 if running else int(run.get("ended", 0))
        samples = int(run.get("samples", 0))
        if running and samples != seen and samples and time.monotonic() - fitted_at >= _FIT_S:
            fitted_at = time.monotonic()
            judged = pulled.judged()
            forecast = "" if judged is None else cleanup_view.summary(judged[0])
        if not as_json and (samples != seen or not running):
            wanted = session.settings()["cleanup_samples"]
            line = (
                f"{cleanup_view.span(int(run.get('run_s', 0)))}: {samples} samples, "
                f"{run.get('valid', 0)} valid, "
                f"{run.get('in_row', 0)} of {wanted} in a row on target, output "
                f"{'on' if run.get('output') else 'off'}"
            )
            # A forecast is of a run that goes on.
            click.echo(f"{line}. {forecast if running else ''}".rstrip())
        seen = samples
        if not running:
            pulled.judged()
            if not as_json:
                click.echo(f"cleanup: {end_text(how)}; output {'on' if run.get('output') else 'off'}")
            break
    return how
