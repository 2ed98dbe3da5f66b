"""The part of `skidwright tune` that runs a skid: test, propose, write, verify, keep."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import click

_CAUTION = (
    "The pump will run, and its duty will step: stop chain within reach, hands off fittings, lines secured. "
    "A line under pressure can inject fluid through the skin. See docs/safety.md."
)


def run(
    port: str,
    closed_loop_s: float | None,
    longest_s: float,
    propose_only: bool,
    yes: bool,
    folder: Path,
    pictures: str,
    as_json: bool,
) -> int:
    """The exit status; see `skidwright tune --help`."""
    from skidwright.cli import consent, output, tune_view
    from skidwright.errors import StepTestStopped
    from skidwright.link.session import Session
    from skidwright.tuning import trace as traces
    from skidwright.tuning import tuning_file
    from skidwright.tuning.bench import Bench
    from skidwright.tuning.proposal import propose

    def tell(text: str, seconds: float = 0.0) -> None:
        click.echo(f"{seconds:6.0f} s  {text}" if seconds else f"          {text}", err=True)

    if not yes:
        consent.ask("Start the pump?")
    with Session.open(port) as session:
        hello = session.hello()
        settings = session.settings()
        band = (float(settings["flow_low_ul_s"]), float(settings["flow_high_ul_s"]))
        click.echo(_CAUTION, err=True)
        if not consent.agreed("Start the pump?", yes):
            raise click.Abort
        bench = Bench(session, settings, longest_s, tell)
        try:
            trace, model, refusal = bench.step_test()
        except (StepTestStopped, KeyboardInterrupt):
            partly = bench.recorded()
            if partly is not None:
                folder.mkdir(parents=True, exist_ok=True)
                traces.write(partly, folder / "trace.csv")
            raise
        present = tuning_file.noted_gains(trace)
        proposal = propose(model, closed_loop_s, present) if model is not None else None
        board = {"device": hello.device, "firmware": hello.firmware, "settings": settings}
        content = tuning_file.document(
            trace, proposal, output.iso(datetime.datetime.now(datetime.UTC)), refusal, board
        )
        # From here on an interruption loses nothing of what was measured.
        tuning_file.save(content, folder)
        traces.write(trace, folder / "trace.csv")
        tune_view.draw(folder, pictures, trace, proposal, band)
        if not as_json:
            tune_view.show(proposal, refusal)
        good = bool(content["verdict"]["acceptable"])
        if proposal is not None and model is not None and good and not propose_only:
            asked = "Write these gains and verify them with a set-point step?"
            if consent.agreed(asked, yes):
                session.put_settings(proposal.board_values())
                content["written"] = True
                content["written_settings"] = proposal.board_values()
                # At once: what follows may be interrupted.
                click.echo(_written(content, port), err=as_json)
                tuning_file.save(content, folder)
                bench.settings = session.settings()
                good = _verify(bench, model, content, folder, pictures, band, as_json)
        if as_json:
            output.print_json(content)
        else:
            output.say(f"In {folder}: tuning.json, trace.csv and pictures.")
    return 0 if good else 1


def _written(content: dict[str, Any], port: str) -> str:
    """What stands on the board now, what stood there before, and how that comes back."""
    before = content["board"]["settings"]

    def said(values: dict[str, Any]) -> str:
        return ", ".join(f"{name} = {value}" for name, value in values.items())

    new = content["written_settings"]
    return (
        f"written: {said(new)}. If you keep a skid.toml, put them under [board] there too. The way back: put "
        f"{said({name: before[name] for name in new})} under [board] instead, then `skidwright settings "
        f"{port} --send`."
    )


def _verify(
    bench: Any, model: Any, content: dict[str, Any], folder: Path, kind: str, band: tuple[float, float],
    as_json: bool,
) -> bool:  # fmt: skip
    """Verify what was written, keep that too; whether it went as foretold."""
    from skidwright.cli import output
    from skidwright.tuning import picture, tuning_file
    from skidwright.tuning import trace as traces

    trace, found = bench.verify(model)
    content["verification"] = found
    tuning_file.save(content, folder)
    traces.write(trace, folder / "verification.csv")
    picture.save(picture.verification(trace, found, band), folder / f"verification.{kind}")
    if not as_json:
        output.say(
            f"Verified: IAE {found['iae_ul']:.0f} uL, foretold {found['iae_foretold_ul']:.0f}; overshoot "
            f"{found['overshoot']:.0%}, foretold {found['overshoot_foretold']:.0%}; in the band "
            f"{found['in_band']:.1%} of the time: {'as foretold' if found['good'] else 'not as foretold'}."
        )
        if not found["good"]:
            output.say("They are written all the same; the way back is named above.")
    return bool(found["good"])
