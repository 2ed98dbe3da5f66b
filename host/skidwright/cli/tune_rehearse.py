"""`skidwright tune --rehearse`: the job without hardware, then an hour of what disturbs flow."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

SEED = 1
# Not at either end of what the fluid will do: gains found warm are safe in the cold.
_TUNED_AT_C = 40.0


def run(closed_loop_s: float | None, present: dict[str, int] | None, out: Path | None, pictures: str,
        as_json: bool) -> int:  # fmt: skip
    """The exit status; see `skidwright tune --help`."""
    from skidboard import settings as board_settings

    from skidwright.cli import output, tune_view
    from skidwright.tuning import picture, rehearsal, rehearsal_picture, tuning_file
    from skidwright.tuning import trace as traces
    from skidwright.tuning.identify import identify
    from skidwright.tuning.proposal import propose

    whole = board_settings.defaults()
    band = (float(whole["flow_low_ul_s"]), float(whole["flow_high_ul_s"]))
    trace = rehearsal.step_test(SEED, _TUNED_AT_C)
    proposal = propose(identify(trace), closed_loop_s, present)
    made = rehearsal.rehearse(proposal.board_values(), SEED)
    found: dict[str, Any] = {
        "in_band": made.in_band(*band),
        "iae_ul": made.iae_ul(),
        "beyond_top_ul_s": made.above(band[1]),
        "counting_s": float(made.counting().sum()) * rehearsal.TICK_US * 1e-6,
    }
    content = tuning_file.document(trace, proposal, output.iso(datetime.datetime.now(datetime.UTC)))
    content["rehearsal"] = found
    if out is not None:
        tuning_file.save(content, out)
        traces.write(trace, out / "trace.csv")
        tune_view.draw(out, pictures, trace, proposal, band)
        picture.save(rehearsal_picture.rehearsal(made, band), out / f"rehearsal.{pictures}")
        picture.save(rehearsal_picture.changes(made, band), out / f"changes.{pictures}")
    if as_json:
        output.print_json(content)
    else:
        tune_view.show(proposal, "")
        output.say(
            f"Rehearsed on the virtual skid, {found['counting_s'] / 60:.0f} min of counting time from 1000 "
            f"to 5 mm2/s with changes of set-point, supply pressure and a half-closed valve: flow in its "
            f"band {found['in_band']:.2%} of the time, beyond its top by {found['beyond_top_ul_s']:.0f} uL/s."
        )
        if out is not None:
            output.say(f"In {out}: tuning.json, trace.csv and pictures.")
    return 0 if content["verdict"]["acceptable"] else 1
