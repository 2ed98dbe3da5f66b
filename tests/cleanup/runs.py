"""Many random clean-up runs: `python tests/cleanup/runs.py --runs 200`.

Each is played with the real firmware against the plant, in this process under CPython, and some more under
MicroPython behind a terminal; every one must have stopped at the right sample or the one after it, never
early. Then many tanks of `intervals`: do the limits hold what docs/cleanup.md states? Exit status 1 when one
did not.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "judgement"))
from intervals import report
from trial import Outcome, figures, run_behind_terminal, run_here


def main(arguments: list[str] | None = None) -> int:
    """Run them and print what came of it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=200, help="in this process")
    parser.add_argument("--micropython", type=int, default=10, help="more, under MicroPython")
    parser.add_argument("--tanks", type=int, default=100, help="of each kind, for the limits")
    parser.add_argument("--first-seed", type=int, default=0)
    given = parser.parse_args(arguments)
    outcomes: list[Outcome] = []
    with tempfile.TemporaryDirectory(prefix="skidwright-cleanup-") as folder:
        for i in range(given.runs + given.micropython):
            seed = given.first_seed + i
            run = run_here if i < given.runs else run_behind_terminal
            outcomes.append(run(seed, Path(folder) / str(seed)))
            for problem in outcomes[-1].problems:
                print(f"seed {seed}: {problem}", flush=True)
            if (i + 1) % 20 == 0:
                print(f"{i + 1} runs", flush=True)
    for line in figures(outcomes):
        print(line)
    told = report(given.tanks)
    print("\n".join(told))
    return 1 if any(outcome.problems for outcome in outcomes) or "MISSED" in " ".join(told) else 0


if __name__ == "__main__":
    sys.exit(main())
