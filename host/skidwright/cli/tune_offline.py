"""`skidwright tune --from-trace`: the same without a skid, from the trace of any rig."""

from __future__ import annotations

import datetime
from pathlib import Path


def run(
    path: Path,
    closed_loop_s: float | None,
    present: dict[str, int] | None,
    out: Path | None,
    pictures: str,
    as_json: bool,
) -> int:
    """Propose from a trace in a file; the exit status of the command."""
    from skidwright.cli import output, tune_view
    from skidwright.errors import NoModel
    from skidwright.tuning import trace as traces
    from skidwright.tuning import tuning_file
    from skidwright.tuning.identify import identify
    from skidwright.tuning.proposal import propose

    trace = traces.from_flow_on(traces.read(path))
    proposal, refusal = None, ""
    try:
        proposal = propose(identify(trace), closed_loop_s, present or tuning_file.noted_gains(trace))
    except NoModel as why:
        refusal = str(why)
    content = tuning_file.document(trace, proposal, output.iso(datetime.datetime.now(datetime.UTC)), refusal)
    if out is not None:
        tuning_file.save(content, out)
        tune_view.draw(out, pictures, trace, proposal)
    if as_json:
        output.print_json(content)
    else:
        tune_view.show(proposal, refusal)
        if out is not None:
            output.say(f"In {out}: tuning.json and pictures.")
    return 0 if content["verdict"]["acceptable"] else 1
