"""Random clean-up runs on the virtual skid, and whether the board stopped at the right sample.

The right sample is made out afresh from the log: by the host's checks and codes, which share no code with
the board's judgement, the last of so many valid samples in a row at or below every target. What truly was in
the tank, in the line and in the flow comes from the plant, which neither of them sees.
"""

from __future__ import annotations

import random
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from score.join import facts, place_boots
from skidboard import cleanup, records
from skidboard import settings as board_settings
from skidwright.checks import SettingsHistory, judge
from skidwright.formulas import iso4406
from skidwright.log import dataset
from skidwright.log.timeline import TimelineBuilder
from skidwright.sim.play import config_of
from skidwright.sim.scenario import from_table
from skidwright.sim.scenario_keys import Scenario
from skidwright.sim.truth import Rows

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "fault"))
from skid_in_process import Done, SkidInProcess  # noqa: E402

HOUR_S = 3600
START_S = 20
# What goes wrong without stopping the skid, and what stops it.
DISTURBING = ("air", "blocked_line", "water_loop_broken", "temp_loop_broken", "hot_fluid")
STOPPING = ("pump_stall", "stop_input", "over_pressure")


@dataclass
class Outcome:
    """One run: how it ended, its samples, by how many the board was late (None: it did not stop)."""

    seed: int
    how: int
    samples: int
    invalid: int
    late: int | None
    problems: list[str]
    truth_late: int | None = None
    below: float = 0.0  # tank against the nearest limit at the stop
    air: bool = False  # bubbles among the particles of the deciding samples


def table_of(seed: int) -> dict[str, Any]:
    """A scenario by chance: fluid, filter, ingress, targets, and a few faults."""
    dice = random.Random(seed)
    target = dice.randint(14, 17)
    codes = (target, target - 2, target - dice.randint(4, 5))
    slope = dice.uniform(2.4, 3.1)
    limits = [float(iso4406.UPPER_PER_ML[code]) for code in codes]
    # the level >=4 um(c) at which all three channels are at their limits
    level = min(limit / share**-slope for limit, share in zip(limits, (1, 1.5, 3.5), strict=True))
    tank_l, flow_l_min = dice.uniform(40, 120), dice.uniform(10, 25)
    ratios = sorted(10 ** dice.uniform(0.2, 2.2) for _ in range(4))
    never = dice.random() < 0.1
    rate_h = flow_l_min * 60 / tank_l * (1 - 1 / ratios[0])
    floor = level * (dice.uniform(1.3, 3) if never else dice.uniform(0.02, 0.6))
    dries = dice.random() < 0.5
    settings = {
        "assets": [1],
        "autostart": 0,
        "sample_volume_ul": 20000,
        "purge_volume_ul": dice.choice((60000, 90000)),
        "settle_ms": 3000,
        "cleanup_4um": codes[0],
        "cleanup_6um": codes[1],
        "cleanup_14um": codes[2],
        "cleanup_water_cpct": 3000 if dries else 0,
        "cleanup_samples": dice.randint(1, 4),
        "cleanup_rest_s": dice.choice((0, 5, 20)),
        "cleanup_limit_s": 3 * HOUR_S,
        "cleanup_stall_s": 1500,
        "cleanup_output": 8,
    }
    given = []
    for _ in range(dice.choice((0, 1, 1, 2, 3))):
        kind = dice.choice(DISTURBING)
        start = dice.uniform(100, 4000)
        fault: dict[str, Any] = {"kind": kind, "start": start, "end": start + 10 ** dice.uniform(0.5, 2.5)}
        if kind == "air":
            fault["amount"] = 10 ** dice.uniform(0.5, 2.3)
        elif kind == "blocked_line":
            fault["amount"] = dice.uniform(0.1, 0.5)
        elif kind == "hot_fluid":
            fault["amount"] = dice.uniform(5, 20)
        given.append(fault)
    if dice.random() < 0.1:
        start = dice.uniform(300, 3000)
        given.append({"kind": dice.choice(STOPPING), "start": start, "end": start + 60})
    return {
        "title": f"clean-up by chance, {seed}",
        "duration": 4 * HOUR_S,
        "settings": settings,
        "asset": [{
            "number": 1, "name": "unit", "tank_l": tank_l, "filter_l_min": 0, "slope": slope,
            "particles_4um_per_ml": min(level * 10 ** dice.uniform(0.3, 1.3), 8000.0),
            "water_percent": dice.uniform(20, 70),
        }],
        "cart": [{
            "asset": 1, "output": 8, "flow_l_min": flow_l_min, "filtration_ratio": ratios,
            "ingress_4um_per_ml_h": floor * rate_h,
            "drying": dice.uniform(600, 2400) if dries else 0, "dries_to_percent": dice.uniform(5, 25),
        }],
        "fault": given,
    }  # fmt: skip


def run_here(seed: int, folder: Path) -> Outcome:
    """One run in this process, the firmware under CPython."""
    table = table_of(seed)
    folder.mkdir(parents=True)
    skid = SkidInProcess(table, seed, folder)
    state = {"begun": False, "over_s": 0.0}
    problems: list[str] = []

    def watch() -> None:
        t_s, run = skid.plant.t_us * 1e-6, skid.app.process.cleanup
        if not state["begun"] and t_s > START_S:
            refused = skid.app.command("cleanup start 1")
            assert refused is None, refused
            state["begun"] = True
        on = bool(skid.outputs >> 7 & 1)
        if on and not run.running:
            problems.append(f"output on at {t_s:.1f} s after the run")
        if state["begun"] and not run.running:
            state["over_s"] = state["over_s"] or t_s
            if t_s > state["over_s"] + 5:
                raise Done

    skid.watch = watch
    skid.run()
    truth = skid.plant.truth
    data = dataset.decode(skid.log_bytes())
    return judged(seed, from_table(table), data, truth.rows(), truth.start_table(skid.plant.t_us), problems)


def run_behind_terminal(seed: int, folder: Path) -> Outcome:
    """One run with the firmware under MicroPython behind a terminal; a host starts it and pulls the log."""
    from skidwright.archive.folder import Archive
    from skidwright.sim import truth
    from skidwright.sim.play import play
    from skidwright.sim.runner import VirtualSkid

    table = table_of(seed)
    duration_s = 3 * HOUR_S + 600
    table |= {
        "duration": duration_s,
        "contact": [
            {"at": START_S, "commands": ["cleanup start 1"], "pull": False},
            {"at": duration_s, "pull": True},
        ],
    }
    scenario = from_table(table)
    with VirtualSkid(scenario, folder / "skid", seed) as skid:
        played = play(skid, folder / "archive")
    assert not played.refused, played.refused
    archive = Archive.open(folder / "archive")
    device = archive.devices()[0]
    path = archive.log_path(device, archive.logs(device)[0])
    data = dataset.join(list(dataset.read_log(path, dataset.verify_chain(path))))
    rows, starts, _ = truth.load(folder / "skid" / "truth.npz")
    problems = []
    cart = truth.load_carts(folder / "skid" / "truth.npz")
    over = data.events[data.events["kind"] == records.CLEANUP][1]
    late_s = int(cart["end_us"][-1]) * 1e-6 - int(over["uptime_ms"]) * 1e-3
    if len(cart) != 1 or not -0.2 < late_s < 1.2:
        problems.append(f"the cart ran {late_s:.1f} s longer than the record says")
    return judged(seed, scenario, data, rows, starts, problems)


def judged(
    seed: int, scenario: Scenario, data: dataset.Dataset, rows: Rows, starts: Rows, problems: list[str]
) -> Outcome:
    """Compare where the board stopped with where it should have, and with the truth."""
    config = config_of(scenario, Path("trial"))
    settings = {**board_settings.defaults(), **scenario.settings}
    builder = TimelineBuilder()
    builder.add(data.samples, data.events)
    verdicts = judge(data, config.limits(), SettingsHistory(settings), builder.build())
    known = facts(
        data.samples,
        rows,
        starts,
        place_boots({b: u * 1000 for b, u in builder.last_uptime_ms.items()}, starts),
    )
    ends = data.events[data.events["kind"] == records.CLEANUP]
    begun, over = ends[0], ends[1]
    how = int(over["code"])
    inside = (data.samples["seq"] > begun["seq"]) & (data.samples["seq"] < over["seq"])
    targets = np.array([settings[f"cleanup_{um}um"] for um in (4, 6, 14)])
    clean = (verdicts.codes[:, :3] <= targets).all(axis=1)
    valid = verdicts.verdict[:, 0] == 0
    limit = settings["cleanup_water_cpct"] / 100
    if limit:
        clean &= ~(verdicts.water_percent > limit)
        valid &= verdicts.verdict[:, 1] == 0
    # the first sample of a run may hold what was in the line before: it never counts
    place = np.flatnonzero(inside)
    wanted = settings["cleanup_samples"]
    right = first_row(place[1:], valid, clean, wanted)
    limits = iso4406.UPPER_PER_ML[targets]
    tank = (known.tank_per_ml[:, :3] / limits).max(axis=1)
    if limit:
        tank = np.maximum(tank, known.water_percent / limit)
    spoilt = ~known.found | known.out_of_band(0.6, 1.1)
    true_right = first_row(place[1:], ~spoilt & (known.bubbles == 0), tank <= 1, wanted)
    outcome = Outcome(seed, how, len(place), int((~valid[place]).sum()), None, problems)
    if len(place) != int(over["d"]):
        problems.append(f"{len(place)} samples in the log, the board counted {over['d']}")
    if how == cleanup.ON_TARGET:
        stopped = int(place[-1])
        row = [i for i in place[1:].tolist() if valid[i] and clean[i]][-wanted:]
        outcome.below = float(tank[row].max())
        if right is None or stopped not in row:
            problems.append("stopped early: by the host not so many valid samples in a row were on target")
        else:
            outcome.late = int(np.searchsorted(place, stopped) - np.searchsorted(place, right))
            if not 0 <= outcome.late <= 1:
                problems.append(f"stopped {outcome.late} samples late")
        if spoilt[row].any():
            problems.append("stopped on a sample of bad flow")
        # a few bubbles that no check sees only add to the counts: the fluid is cleaner still
        outcome.air = bool((known.bubbles[row] > 0).any())
        if tank[row].max() > 1 + 4 * count_error(data.samples["counts"][row, :3]):
            problems.append(f"stopped with {tank[row].max():.2f} of the limit in the tank")
        if true_right is not None:
            outcome.truth_late = int(np.searchsorted(place, stopped) - np.searchsorted(place, true_right))
    elif right is not None and right < place[-1]:
        problems.append(f"did not stop at sample {int(np.searchsorted(place, right)) + 1} of {len(place)}")
    return outcome


def count_error(counts: Any) -> float:
    """Relative standard deviation of the smallest count, a volume uncertain by 1 % included."""
    return float(np.sqrt(1 / max(int(counts.min()), 1) + 0.01**2))


def first_row(place: Any, valid: Any, clean: Any, wanted: int) -> int | None:
    """The sample that makes `wanted` valid ones in a row; one above a target begins the row anew."""
    row = 0
    for i in place.tolist():
        if not clean[i]:
            row = 0
        elif valid[i]:
            row += 1
            if row >= wanted:
                return int(i)
    return None


def figures(outcomes: list[Outcome]) -> list[str]:
    """What a set of runs shows, in lines."""
    stopped = [o for o in outcomes if o.how == cleanup.ON_TARGET]
    late = [o.late for o in stopped if o.late is not None]
    true = [o.truth_late for o in stopped if o.truth_late is not None]
    names = {cleanup.ON_TARGET: "on target", cleanup.TOO_LONG: "longest time",
             cleanup.NO_PROGRESS: "no progress", cleanup.TRIP: "trip"}  # fmt: skip
    how = ", ".join(f"{sum(o.how == code for o in outcomes)} {name}" for code, name in names.items())
    within = sum(abs(n) <= 1 for n in true)
    return [
        f"clean-up runs: {len(outcomes)} ({how}), {sum(o.samples for o in outcomes)} samples, "
        f"{sum(o.invalid for o in outcomes)} of them not valid",
        f"clean-up runs: stopped at the right sample in {late.count(0)} of {len(stopped)}, one late in "
        f"{late.count(1)}, early in {sum('early' in p for o in stopped for p in o.problems)}",
        f"clean-up runs: against what truly was in the tank within one sample in {within} of {len(true)}, "
        f"from {min(true, default=0):+d} to {max(true, default=0):+d}; fullest tank at a stop "
        f"{max((o.below for o in stopped), default=0):.3f} of its limit; bubbles that no check saw in "
        f"{sum(o.air for o in stopped)}",
    ]
