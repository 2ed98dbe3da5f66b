"""Plays families of scenarios and adds up what the checks made of them: `score --families`."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from score.confusion import (
    ALL_VALID,
    CONDITIONS,
    MANY,
    MEANT_FOR,
    NOTHING_WRONG,
    Confusion,
    confusion,
    of_plain,
)
from score.families import FAMILIES, drawn
from score.join import facts, place_boots
from skidwright.archive.folder import Archive
from skidwright.errors import SimError
from skidwright.log.timeline import TimelineBuilder
from skidwright.samples.assessment import Assessment
from skidwright.sim import truth
from skidwright.sim.play import config_of, play
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario_keys import Scenario

_COLUMNS = (
    ("detected", 9),
    ("missed", 8),
    ("missed_valid", 9),
    ("false", 7),
    ("elsewhere", 10),
    ("quiet", 7),
)
COVERAGE_LEAST, COVERAGE_MOST = 0.93, 0.97

NOTES = (
    "machine: the limits with what the line may have left over or let settle, against the machine;",
    "counter: those without, against what flowed through the counter, after carry-over and settling.",
    "Exact Poisson limits cover more than they state where counts are few, by their nature. Limits speak of",
    "counting, volume, coincidence, carry-over and settling. Where something was wrong that no check saw (a",
    "meter wrong by less than meter against pump can tell) they hold less often than stated, and",
    "how often that is depends on how many families of such scenarios there are.",
)


def score_archive(
    archive: Path, truth_file: Path, played: Scenario, commissioned: dict[str, float]
) -> Confusion:
    """Judge an archive and compare it with its truth. Raises SkidwrightError, OSError."""
    config = config_of(played, archive)
    limits = replace(config.limits(), **commissioned)
    settings: dict[str, Any] = dict(config.board_in_force())
    band = (settings["flow_low_ul_s"] / 1000, settings["flow_high_ul_s"] / 1000)
    rows, starts, _ = truth.load(truth_file)
    total = Confusion()
    place = Archive.open(archive)
    for device in place.devices():
        for log in place.logs(device):
            assessment = Assessment(place.log_path(device, log), limits, settings)
            data, verdicts = assessment.whole()
            builder = TimelineBuilder()
            builder.add(data.samples, data.events)
            last_us = {boot: ms * 1000 for boot, ms in builder.last_uptime_ms.items()}
            known = facts(data.samples, rows, starts, place_boots(last_us, starts))
            total.add(confusion(data.samples, verdicts, known, limits, band))
    return total


def score_one(family: str, seed: int) -> Confusion:
    """Play one family's scenario of one seed in a folder that is thrown away, and score it.

    On a machine so busy that the board's process gets no turn for half a minute it counts as hung: one that
    did is played once more, from the start, with the same outcome.
    """
    try:
        return _score_once(family, seed)
    except SimError:
        return _score_once(family, seed)


def _score_once(family: str, seed: int) -> Confusion:
    played, commissioned = drawn(family, seed)
    with tempfile.TemporaryDirectory(prefix="skidwright-score-") as folder:
        place = Path(folder)
        with VirtualSkid(played, place / "skid", seed) as skid:
            play(skid, place / "archive")
        return score_archive(place / "archive", place / "skid" / "truth.npz", played, commissioned)


def sweep(
    seeds: Iterable[int],
    jobs: int,
    families: Sequence[str] = tuple(FAMILIES),
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Score all families with all seeds, `jobs` at a time: totals, each family's own, and the aims.

    `progress` gets how many scenarios are done, and of how many.
    """
    seeds = list(seeds)
    # all families of a seed together, so that progress is even
    tasks = [(family, seed) for seed in seeds for family in families]
    total, by_family = Confusion(), {family: Confusion() for family in families}
    with ProcessPoolExecutor(max(1, jobs)) as pool:
        scored = pool.map(score_one, *zip(*tasks, strict=True), chunksize=4)
        for done, ((family, _), one) in enumerate(zip(tasks, scored, strict=True), 1):
            total.add(one)
            by_family[family].add(one)
            if progress is not None:
                progress(done, len(tasks))
    return _result(seeds, total, by_family)


def joined(results: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Results of `sweep` over different seeds as one, wherever and whenever they were made.

    ValueError when a seed is in two of them or there are none, KeyError for what is no such result.
    """
    seeds: list[int] = []
    total = Confusion()
    by_family: dict[str, Confusion] = {}
    for result in results:
        if twice := set(seeds) & set(result["seeds"]):
            raise ValueError(f"seed {min(twice)} is in two of the results")
        seeds += result["seeds"]
        total.add(of_plain(result["total"]))
        for family, table in result["by_family"].items():
            by_family.setdefault(family, Confusion()).add(of_plain(table))
    if not seeds:
        raise ValueError("no results were given")
    return _result(sorted(seeds), total, by_family)


def _result(seeds: list[int], total: Confusion, by_family: dict[str, Confusion]) -> dict[str, Any]:
    table = aims(total)
    return {
        "seeds": seeds,
        "met": all(row["met"] for row in table),
        "aims": table,
        "conditions": CONDITIONS,
        "meant_for": MEANT_FOR,
        "total": total.plain(),
        "by_family": {family: one.plain() for family, one in by_family.items()},
    }


def aims(total: Confusion) -> list[dict[str, Any]]:
    """The aims with what was found; one that nothing speaks to is missed."""
    rows = []
    for stratum in (ALL_VALID, NOTHING_WRONG, MANY):
        judged = total.coverage.get(stratum)
        share = judged["machine"] / judged["limits"] if judged and judged["limits"] else None
        rows.append(
            {
                "aim": f"95 % limits hold the true concentration in the machine ({stratum})",
                "share": share,
                "least": COVERAGE_LEAST,
                "most": COVERAGE_MOST,
                "met": share is not None and COVERAGE_LEAST <= share <= COVERAGE_MOST,
            }
        )
    return rows


def lines(result: dict[str, Any]) -> list[str]:
    """A result of `sweep` as text: a line a check, a condition, a stratum and an aim."""
    total = result["total"]
    out = [f"{len(result['seeds'])} seeds of {len(result['by_family'])} families: "
           f"{total['samples']} samples, {total['valid']} valid counts, {total['unplaced']} without truth",
           "",
           f"{'check':18}{'detected':>9}{'missed':>8}{'of them':>9}{'false':>7}{'on other':>10}{'quiet':>7}"
           "  meant for",
           f"{'':18}{'':9}{'':8}{'valid':>9}{'':7}{'faults':>10}"]  # fmt: skip
    others = []
    for check, counts in total["checks"].items():
        if "spoke" in counts:
            others.append(f"{check} {counts['spoke']}")
            continue
        numbers = "".join(f"{counts[key]:{width}}" for key, width in _COLUMNS)
        out.append(f"{check:18}{numbers}  {', '.join(result['meant_for'][check])}")
    out += ["", "samples on which checks spoke whose condition the plant does not know:",
            "  " + ", ".join(text for text in others if not text.endswith(" 0")),
            "  never: " + ", ".join(text[:-2] for text in others if text.endswith(" 0"))]  # fmt: skip
    out += ["", f"{'condition':22}{'samples':>9}{'not valid':>11}   share kept from being valid by any check"]
    rows = [*total["by_condition"].items(), ("nothing wrong", total["sound"])]
    for name, counts in rows:
        share = f"{counts['not_valid'] / counts['samples']:.1%}" if counts["samples"] else "never present"
        out.append(f"{name:22}{counts['samples']:9}{counts['not_valid']:11}   {share}")
    out += ["", f"{'95 % limits':47}{'number':>8}{'hold machine':>14}{'hold counter':>14}"]
    strata = [(name, counts) for name, counts in total["coverage"].items()]
    for stratum in (ALL_VALID, NOTHING_WRONG):
        strata.append((f"by family, {stratum}:", None))
        strata += [
            (f"  {family}", one["coverage"].get(stratum)) for family, one in result["by_family"].items()
        ]
    for name, counts in strata:
        if counts is None or not counts["limits"]:
            out.append(f"{name:47}" + ("" if name.endswith(":") else f"{0:8}"))
            continue
        shares = "".join(f"{counts[key] / counts['limits']:14.2%}" for key in ("machine", "counter"))
        out.append(f"{name:47}{counts['limits']:8}{shares}")
    out += ["", *NOTES]
    for row in result["aims"]:
        share = "nothing judged" if row["share"] is None else f"{row['share']:.2%}"
        verdict = "met   " if row["met"] else "MISSED"
        out.append(f"{verdict} {row['aim']}: {share} ({row['least']:.0%} to {row['most']:.0%})")
    return out
