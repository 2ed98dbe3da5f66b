"""Confusion of checks with the plant's truth on made-up facts, and a short run of the families themselves."""

from __future__ import annotations

import json
from collections import Counter

import numpy as np
import pytest
import synthetic_log as sl
from score import family_sweep, run
from score.confusion import CONDITIONS, MEANT_FOR, Confusion, conditions, confusion
from score.families import FAMILIES, scenario
from score.join import Facts
from sim.skids import needs_micropython
from skidwright.checks import CATALOGUE, CheckLimits, Verdicts
from skidwright.errors import SimError
from skidwright.sim.scenario import FAULT_BITS

BAND = (0.667, 1.0)
TRUE_PER_ML = (1000.0, 300.0, 30.0, 10.0)


def known(n=4, **columns):
    """Truth about samples with nothing wrong, but for what `columns` change."""
    made = {
        "found": np.ones(n, bool),
        "flow_low_ml_s": np.full(n, 0.82),
        "flow_high_ml_s": np.full(n, 0.84),
        "bubbles": np.zeros(n, np.int64),
        "air": np.zeros(n, bool),
        "water_broken": np.zeros(n, bool),
        "disturbed": np.zeros(n, bool),
        "tank_per_ml": np.tile(TRUE_PER_ML, (n, 1)),
        "sensor_per_ml": np.tile(TRUE_PER_ML, (n, 1)),
        "water_percent": np.full(n, 20.0),
        "faults": np.zeros(n, np.uint32),
        "droplets_per_ml": np.zeros(n),
        "volume_ml": np.full(n, 30.0),
    }
    for name, (at, value) in columns.items():
        made[name][at] = value
    return Facts(**made)


def verdicts(n=4, **spoke):
    """All valid; `spoke` names checks (with _ for -) and the sample that they reject."""
    verdict, reasons = np.zeros((n, 4), np.uint8), np.zeros(n, np.uint64)
    ids = [check.id for check in CATALOGUE]
    for name, at in spoke.items():
        reasons[at] |= np.uint64(1 << ids.index(name.replace("_", "-")))
        verdict[at, 0] = 2
    nothing, left_over, settled = np.zeros((n, 4)), np.zeros((n, 4)), np.zeros((n, 4))
    none = nothing.astype(np.uint8)
    per_sample = nothing[:, 0]
    return Verdicts(verdict, reasons, nothing, left_over, per_sample, settled, none, nothing, per_sample,
                    reasons.astype(np.int64), reasons.astype(np.int64))  # fmt: skip


def samples(n=4, counts=(30_000, 9_000, 900, 300)):
    made = sl.samples(n, seed=1)
    made["counts"], made["volume_ul"] = counts, 30_000
    return made


def judged(facts, said, rows=None, **limits):
    return confusion(samples() if rows is None else rows, said, facts, CheckLimits(**limits), BAND)


def test_each_condition_follows_from_its_fact():
    bits = FAULT_BITS
    crowded = (21_000, 300, 30, 10)  # 1 - exp(-21000 x 2.5e-6) is 5.1 %
    made = {
        "flow out of band": {"flow_low_ml_s": (1, 0.6)},
        "flow unsteady": {"flow_high_ml_s": (1, 0.9)},
        "air": {"bubbles": (1, 2)},
        "droplets": {"droplets_per_ml": (1, 5.0)},
        "coincidence": {"sensor_per_ml": (1, crowded), "tank_per_ml": (1, crowded)},
        "settling": {"faults": (1, bits["settling"]), "sensor_per_ml": (1, (990, 290, 15, 2))},
        "meter wrong": {"volume_ml": (1, 31.6)},
        "swapped channels": {"faults": (1, bits["swapped_channels"])},
        "carry-over": {"sensor_per_ml": (1, (1000, 300, 30, 11.1))},
        "dead channel": {"faults": (1, bits["dead_channel"])},
        "water loop broken": {"water_broken": (1, True)},
    }
    assert set(made) == set(CONDITIONS)
    for name, columns in made.items():
        found = conditions(known(**columns), np.full(4, 30.0), BAND, 2.5e-6)
        expected = {name} | ({"flow unsteady"} if name == "flow out of band" else set())
        assert {n for n, mask in found.items() if mask.any()} == expected
        assert found[name].tolist() == [False, True, False, False]


def test_detected_missed_false_and_quiet():
    facts = known(bubbles=([0, 1], 3))
    out = judged(facts, verdicts(air=[1, 2]))
    wanted = {"detected": 1, "missed": 1, "missed_valid": 1, "false": 1, "elsewhere": 0, "quiet": 1}
    assert dict(out.checks["air"]) == wanted
    # the same alarm on a sample with droplets is no false one, nor is a miss a valid sample that others catch
    wet = known(bubbles=([0, 1], 3), droplets_per_ml=(2, 5.0))
    out = judged(wet, verdicts(air=[1, 2], droplets=[0]))
    assert out.checks["air"] == {**wanted, "missed_valid": 0, "false": 0, "elsewhere": 1}
    out = judged(facts, verdicts(air=[1, 2]))
    assert dict(out.by_condition["air"]) == {"samples": 2, "not_valid": 1}
    assert dict(out.sound) == {"samples": 2, "not_valid": 1}
    assert out.checks["time-poor"] == {"spoke": 0}
    out.add(judged(facts, verdicts(air=[1, 2])))
    assert out.checks["air"]["detected"] == 2 and out.samples == 8


def test_samples_without_truth_are_left_out():
    out = judged(known(found=(0, False), bubbles=(0, 3)), verdicts(air=[0]))
    assert out.unplaced == 1 and sum(out.checks["air"].values()) == 3


def test_coverage_counts_limits_that_hold_the_truth():
    # of 300 counts in 30 mL Garwood's limits are 8.9 to 11.2 per mL; 11.5 is outside
    off = known(tank_per_ml=(0, (1000, 300, 30, 11.5)), sensor_per_ml=(0, (1000, 300, 30, 11.5)))
    out = judged(off, verdicts(air=[3]), volume_uncertainty_percent=0)
    assert out.coverage["valid"] == {"limits": 12, "machine": 11, "counter": 11}
    wide = judged(off, verdicts(air=[3]), volume_uncertainty_percent=10)
    assert wide.coverage["valid"]["machine"] == 12
    few = judged(known(), verdicts(), samples(counts=(30_000, 9_000, 900, 30)))
    assert few.coverage["  nothing wrong, 10 to 49 counts"]["limits"] == 4
    assert few.coverage["  nothing wrong, >=21 um(c)"]["limits"] == 4


def test_leftovers_widen_the_limits_towards_what_was_before():
    # a line that keeps 5 % of a fluid with twice the particles: the machine's own level is 5 % lower
    facts = known(tank_per_ml=([0, 1, 2, 3], (950, 285, 28.5, 9.5)))
    said = verdicts()
    assert judged(facts, said).coverage["valid"]["machine"] < 12
    said.left_over_per_ml[:] = [-50, -15, -1.5, -0.5]
    assert judged(facts, said).coverage["valid"] == {"limits": 16, "machine": 16, "counter": 16}


def test_what_may_have_settled_lifts_the_upper_limit():
    facts = known(tank_per_ml=([0, 1, 2, 3], (1000, 300, 34, 12.5)))
    said = verdicts()
    assert judged(facts, said).coverage["valid"]["machine"] < 16
    said.settled_share[:] = [0, 0, 0.1, 0.2]
    assert judged(facts, said).coverage["valid"] == {"limits": 16, "machine": 16, "counter": 16}


def test_every_check_named_exists_and_is_tried_by_a_condition():
    ids = {check.id for check in CATALOGUE}
    assert set(MEANT_FOR) <= ids
    assert {name for names in MEANT_FOR.values() for name in names} <= set(CONDITIONS)


@pytest.mark.parametrize("family", FAMILIES)
def test_families_are_drawn_from_the_seed(family):
    assert scenario(family, 3) == scenario(family, 3)
    assert scenario(family, 3) != scenario(family, 4)


@needs_micropython
def test_families_in_short():
    short = family_sweep.sweep([1], 2, ("steady", "swapped channels"))
    steady, swapped = short["by_family"]["steady"], short["by_family"]["swapped channels"]
    assert steady["samples"] >= 3 and steady["valid"] == steady["samples"]
    assert swapped["by_condition"]["swapped channels"]["samples"] >= 3
    assert swapped["valid"] == 0 and swapped["checks"]["channel-order"]["missed"] == 0
    text = "\n".join(family_sweep.lines(short))
    assert "channel-order" in text and "95 % limits" in text


def test_an_aim_without_samples_is_missed():
    assert [row["met"] for row in family_sweep.aims(family_sweep.Confusion())] == [False] * 3


def test_a_board_that_hung_is_played_once_more(monkeypatch):
    tries = []

    def once(family, seed):
        tries.append((family, seed))
        if len(tries) < 2:
            raise SimError("board.log: the board has hung")
        return Confusion(samples=5)

    monkeypatch.setattr(family_sweep, "_score_once", once)
    assert family_sweep.score_one("air", 7).samples == 5 and tries == [("air", 7)] * 2
    tries.clear()
    monkeypatch.setattr(family_sweep, "_score_once", lambda family, seed: once(tries.clear() or family, seed))
    with pytest.raises(SimError):
        family_sweep.score_one("air", 7)


def test_results_of_other_seeds_are_added_up(tmp_path, capsys):
    one, files = Confusion(), []
    one.add(judged(known(bubbles=([0, 1], 3)), verdicts(air=[1, 2])))
    for seed in (1, 2):
        made = {"seeds": [seed], "total": one.plain(), "by_family": {"air": one.plain()}}
        files.append(tmp_path / f"{seed}.json")
        files[-1].write_text(json.dumps(made))
    out = tmp_path / "both.json"
    assert run.main(["--join", *map(str, files), "--out", str(out)]) == 1  # every limit holds: above 97 %
    both = json.loads(out.read_text())
    assert both["seeds"] == [1, 2] and both["total"]["samples"] == 8
    assert both["by_family"]["air"]["checks"]["air"]["detected"] == 2
    assert "2 seeds of 1 families" in capsys.readouterr().out
    assert run.main(["--join", str(files[0]), str(files[0]), "--out", str(out)]) == 2
    assert "seed 1 is in two" in capsys.readouterr().err
    files[0].write_text("[]")
    assert run.main(["--join", str(files[0]), "--out", str(out)]) == 2
    assert str(files[0]) in capsys.readouterr().err


def test_command_line_writes_where_told(tmp_path, monkeypatch, capsys):
    empty = family_sweep.Confusion(sound=Counter(samples=0, not_valid=0))
    result = {"seeds": [1], "met": True, "aims": [], "meant_for": {}, "total": empty.plain(), "by_family": {}}
    monkeypatch.setattr(family_sweep, "sweep", lambda seeds, jobs, progress: result)
    out = tmp_path / "deep" / "families.json"
    assert run.main(["--families", "--seeds", "1", "--out", str(out)]) == 0
    assert out.exists() and str(out) in capsys.readouterr().out
