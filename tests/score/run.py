"""Scores the checks against the plant's own truth: `python -m score.run --seeds 1-20`.

Each seed plays the scenario on the virtual skid, pulls, judges, and joins every
sample with what truly happened. Exit status 1 when an aim is missed or nothing
could be judged, 2 when the scoring could not be carried out.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

from score import family_sweep
from score.tally import Tally, score_archive
from skidwright.errors import SkidwrightError
from skidwright.sim.play import play
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import load
from skidwright.sim.scenario_keys import Scenario

BAD_FLOW_OR_AIR_VALID = 0
BROKEN_LOOP_VALID = 0
GOOD_NOT_VALID_SHARE = 0.02
WITHIN_ONE_SHARE = 0.99
EQUAL_SHARE = 0.90


def score_seed(scenario_file: str, seed: int) -> Tally:
    """Play one seed in a folder that is thrown away, and score it. Raises SkidwrightError."""
    scenario = load(scenario_file)
    with tempfile.TemporaryDirectory(prefix="skidwright-score-") as folder:
        place = Path(folder)
        with VirtualSkid(scenario, place / "skid", seed) as skid:
            play(skid, place / "archive")
        return score_archive(place / "archive", place / "skid" / "truth.npz", scenario)


def aims(total: Tally, scenario: Scenario) -> list[dict[str, Any]]:
    """Each aim with what was found, its limit and whether it was met; an aim that judged nothing is missed
    where the scenario was to try it."""
    kinds = {f.kind for f in scenario.fault}
    disturbs_flow = bool(kinds & {"air", "blocked_line"})

    def row(name: str, found: int, of: int, limit: float, most: bool, needed: bool = True) -> dict[str, Any]:
        share = found / of if of else None
        met = not needed
        if share is not None:
            met = share <= limit if most else share >= limit
        return {"aim": name, "found": found, "of": of, "share": share, "limit": limit,
                "at_most": most, "met": met}  # fmt: skip

    return [
        row("flow out of band or air, passed as valid counts", total.bad_flow_or_air_valid,
            total.bad_flow_or_air, BAD_FLOW_OR_AIR_VALID, True, disturbs_flow),
        row("water loop broken, passed as valid water", total.loop_broken_valid, total.loop_broken,
            BROKEN_LOOP_VALID, True, "water_loop_broken" in kinds),
        row("nothing wrong, not valid", total.good_not_valid, total.good, GOOD_NOT_VALID_SHARE, True),
        row("scale numbers of valid counts within one", total.numbers_within_one, total.numbers,
            WITHIN_ONE_SHARE, False),
        row("scale numbers of valid counts equal", total.numbers_equal, total.numbers, EQUAL_SHARE, False),
    ]  # fmt: skip


def seeds_of(text: str) -> list[int]:
    """Seeds from text such as "1-20" or "3,5,8-9". Raises ValueError."""
    seeds: list[int] = []
    for part in text.split(","):
        first, dash, last = part.partition("-")
        more = range(int(first), int(last if dash else first) + 1)
        if not more:
            raise ValueError(part)
        seeds += more
    return seeds


def sweep(scenario_file: str, seeds: Iterable[int], jobs: int) -> dict[str, Any]:
    """Score all seeds, `jobs` at a time: a table with totals, aims and each seed's tally."""
    seeds = list(seeds)
    scenario = load(scenario_file)
    with ProcessPoolExecutor(max(1, jobs)) as pool:
        tallies = list(pool.map(score_seed, [scenario_file] * len(seeds), seeds))
    total = Tally()
    for one in tallies:
        total.add(one)
    table = aims(total, scenario)
    return {
        "scenario": scenario_file,
        "seeds": seeds,
        "met": all(row["met"] for row in table),
        "aims": table,
        "total": asdict(total),
        "by_seed": {seed: asdict(one) for seed, one in zip(seeds, tallies, strict=True)},
    }


def main(arguments: list[str] | None = None) -> int:
    """The command line. Returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m score.run", description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="1-20", help="such as 1-20 or 3,5,8-9")
    parser.add_argument(
        "--scenario", default="ferry", help="a scenario file, or the name of one that comes along"
    )
    parser.add_argument(
        "--families",
        action="store_true",
        help="short scenarios of one condition each, in place of one scenario",
    )
    parser.add_argument(
        "--join",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="add up results of --families over other seeds, in place of a run",
    )
    parser.add_argument("--jobs", type=int, default=2, help="how many seeds at a time")
    parser.add_argument(
        "--out",
        type=Path,
        help="where the JSON goes (default: build/score.json or build/score_families.json)",
    )
    given = parser.parse_args(arguments)
    try:
        seeds = seeds_of(given.seeds)
    except ValueError:
        parser.error(f"--seeds: {given.seeds!r} is not understood; write 1-20 or 3,5,8-9")
    families = given.families or bool(given.join)
    out = given.out or Path("build/score_families.json" if families else "build/score.json")
    try:
        if given.join:
            result = _joined(given.join)
        elif given.families:
            result = family_sweep.sweep(seeds, given.jobs, progress=_Progress())
        else:
            result = sweep(given.scenario, seeds, given.jobs)
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    except (SkidwrightError, OSError, ValueError) as problem:
        print(f"score: {problem}", file=sys.stderr)
        return 2
    print("\n".join(family_sweep.lines(result) if families else _lines(given.scenario, result)))
    print(f"written to {out}")
    return 0 if result["met"] else 1


def _joined(files: list[Path]) -> dict[str, Any]:
    """The results in `files` as one. Raises OSError, and ValueError that names what is no such result."""
    results = []
    for file in files:
        try:
            results.append(json.loads(file.read_text(encoding="utf-8")))
        except ValueError as problem:
            raise ValueError(f"{file}: no JSON: {problem}") from None
    try:
        return family_sweep.joined(results)
    except (KeyError, TypeError, AttributeError):
        names = ", ".join(map(str, files))
        raise ValueError(f"{names}: not all are results of --families") from None


class _Progress:
    """Says on standard error how far a long sweep is: at most twenty lines."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._said = 0

    def __call__(self, done: int, of: int) -> None:
        twentieths = 20 * done // of
        if twentieths > self._said:
            self._said = twentieths
            took_s = time.monotonic() - self._began
            left_s = took_s * (of - done) / done
            print(f"{done} of {of} scenarios, {took_s:.0f} s, {left_s:.0f} s to go", file=sys.stderr)


def _lines(scenario_file: str, result: dict[str, Any]) -> list[str]:
    """A result of `sweep` as text."""
    total = result["total"]
    out = [f"{scenario_file}: {len(result['seeds'])} seeds, {total['samples']} samples, "
           f"{total['unplaced']} without truth"]  # fmt: skip
    for row in result["aims"]:
        share = "nothing judged" if row["share"] is None else f"{row['share']:.3%}"
        limit = f"{'at most' if row['at_most'] else 'at least'} {row['limit']:.0%}"
        verdict = "met   " if row["met"] else "MISSED"
        out.append(f"  {verdict} {row['aim']}: {row['found']} of {row['of']}, {share} ({limit})")
    return out


if __name__ == "__main__":
    sys.exit(main())
