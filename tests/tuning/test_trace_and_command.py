"""Traces as CSV, and `skidwright tune --from-trace`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command_line import one_line, run  # noqa: F401  (fixtures)
from plants import Plant, step_test
from skidwright.errors import TraceError
from skidwright.tuning import trace as traces
from skidwright.tuning import tuning_file
from skidwright.tuning.trace import Trace

PLANT = Plant(2.5, 1.2, 0.5, 730.0, 150.0)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """A trace of a rig without edges, with a remark about its gains."""
    trace = step_test(PLANT, 5, np.random.default_rng(3), edges=False)
    noted = Trace(trace.time_s, trace.duty_permille, trace.flow_ul_s,
                  notes=("gain_ppm_per_ul_s = 100", "integral_ms = 700"))  # fmt: skip
    traces.write(noted, tmp_path / "rig.csv")
    return tmp_path / "rig.csv"


def test_what_is_written_is_read(tmp_path: Path) -> None:
    trace = step_test(PLANT, 2, np.random.default_rng(3))
    traces.write(trace, tmp_path / "t.csv")
    again = traces.read(tmp_path / "t.csv")
    for name in ("time_s", "duty_permille", "flow_ul_s", "edge_s", "volume_ul"):
        assert getattr(again, name) == pytest.approx(getattr(trace, name), rel=1e-8)


def test_other_units_separators_and_decimal_commas() -> None:
    rows = "\n".join(f"{k / 10:.1f}\t{30 + k % 2}\t{48.5 + k:.1f}".replace(".", ",") for k in range(30))
    trace = traces.parse("# remark\ntime_s\tduty_percent\tflow_ml_min\n" + rows)
    assert trace.time_s[1] == pytest.approx(0.1)
    assert trace.duty_permille[1] == pytest.approx(310.0)
    assert trace.flow_ul_s[0] == pytest.approx(48.5 / 60 * 1000)
    assert trace.notes == ("remark",)


def rows(change: Any = None) -> str:
    lines = ["time_s,duty_permille,flow_ul_s"] + [f"{k},300,800" for k in range(30)]
    if change:
        change(lines)
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("time_s,duty_permille\n1,2", "no column for flow"),
        ("time_s,duty_permille,flow_ul_s,flow_l_h\n", "two columns for flow"),
        (rows(lambda r: r.__delitem__(slice(10, None))), "9 rows"),
        (rows(lambda r: r.__setitem__(5, "4,300")), "line 6 has 2 cells"),
        (rows(lambda r: r.__setitem__(5, "4,300,x")), "line 6, flow_ul_s: 'x' is no number"),
        (rows(lambda r: r.__setitem__(5, "4,300,nan")), "line 6: flow_ul_s"),
        (rows(lambda r: r.__setitem__(5, "2,300,800")), "line 6: the times run backwards, from 3 to 2 s"),
        (rows(lambda r: r.__setitem__(5, "3,300,800")), "line 6: time stands still at 3 s"),
        (rows(lambda r: r.insert(0, "# made here")).replace("\n9,", "\n7.5,"), "line 12: the times run back"),
        (rows(lambda r: r.__setitem__(slice(1, None), r[:0:-1])), "line 3: the times run backwards"),
        (rows(lambda r: r.__setitem__(5, "4,1300,800")), "duty"),
        (rows(lambda r: r.__setitem__(5, "4,300,-1")), "below zero"),
        (rows(lambda r: r.__setitem__(0, "time_s,edge_s,flow_ul_s")), "no column for duty"),
    ],
)
def test_what_is_no_trace_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(TraceError) as why:
        traces.parse(text, "rig.csv")
    assert words in str(why.value) and "\n" not in str(why.value) and str(why.value).startswith("rig.csv: ")


def test_command_proposes_and_keeps(run: Any, rig: Path, tmp_path: Path) -> None:  # noqa: F811
    out = tmp_path / "kept"
    answer = run("tune", "--from-trace", rig, "--out", out, "--json")
    assert answer.status == 0, answer
    found = answer.json
    assert found["model"]["gain_ul_s_per_permille"]["value"] == pytest.approx(2.5, rel=0.05)
    # SIMC for the model as the board's estimator shows it, with tau_c equal to that dead time.
    model = found["model"]
    kc = model["time_constant_s"]["value"] / (2.5 * 2 * model["loop_dead_time_s"])
    assert found["proposed"]["settings"]["gain_ppm_per_ul_s"] == pytest.approx(1000 * kc, rel=0.03)
    assert found["present"]["settings"] == {"gain_ppm_per_ul_s": 100, "integral_ms": 700}
    assert found["proposed"]["margins"]["gain_margin"] == pytest.approx(3.14, abs=0.03)
    kept = tuning_file.load(out / "tuning.json")
    ours = {"format": "skidwright tune", "version": 1, "document_format": kept["format"]}
    assert {**kept, **ours} == json.loads(answer.out)
    assert tuning_file.trace_of(kept).time_s == pytest.approx(traces.read(rig).time_s)
    for name in ("step_test.svg", "answer.svg"):
        assert (out / name).read_text("utf-8").count("<path") > 5
    text = run("tune", "--from-trace", rig, "--closed-loop-s", "3").out
    assert "time constant" in text and "gain margin" in text and "present" in text and "3.00 s" in text


def test_a_trace_that_begins_before_flow(run: Any, tmp_path: Path) -> None:  # noqa: F811
    """The pump at rest, then started, then stepped: the model is that of the steps."""
    plant = Plant(2.5, 1.2, 0.5, 730.0, 50.0)
    steps = step_test(plant, 6, np.random.default_rng(3))
    rest_s = np.arange(0, 5, 0.1)
    start_s = np.arange(5, 15, 0.1)
    began = steps.time_s - steps.time_s[0] + 15
    low = steps.duty_permille[0]
    time_s = np.concatenate([rest_s, start_s, began])
    duty = np.concatenate([0 * rest_s, 0 * start_s + low, steps.duty_permille])
    flow = np.concatenate([0 * rest_s, 730 * (1 - np.exp(-(start_s - 5) / 1.2)), steps.flow_ul_s])
    whole = Trace(time_s, duty, flow)
    traces.write(whole, tmp_path / "Rig.csv")
    found = run("tune", "--from-trace", tmp_path / "Rig.csv", "--json")
    assert found.status == 0, found
    assert found.json["model"]["gain_ul_s_per_permille"]["value"] == pytest.approx(2.5, rel=0.07)
    assert "in which flow began" in found.json["trace"]["notes"][-1]
    assert traces.from_flow_on(steps) is steps
    nothing = Trace(time_s, duty, 0 * flow)
    traces.write(nothing, tmp_path / "rig.csv")
    answer = run("tune", "--from-trace", tmp_path / "rig.csv")
    assert answer.status == 1 and f"No gains proposed. {tmp_path / 'rig.csv'}: no step seen" in answer.out


def test_a_slower_closed_loop_has_smaller_gain(run: Any, rig: Path) -> None:  # noqa: F811
    fast = run("tune", "--from-trace", rig, "--json").json["proposed"]
    slow = run("tune", "--from-trace", rig, "--closed-loop-s", 3, "--json").json["proposed"]
    assert slow["settings"]["gain_ppm_per_ul_s"] < fast["settings"]["gain_ppm_per_ul_s"] / 2
    assert slow["margins"]["gain_margin"] > 2 * fast["margins"]["gain_margin"]


def test_no_model_is_status_1_and_kept_with_the_reason(run: Any, tmp_path: Path) -> None:  # noqa: F811
    path = tmp_path / "flat.csv"
    path.write_text(rows())
    answer = run("tune", "--from-trace", path, "--out", tmp_path / "flat")
    assert answer.status == 1 and "No gains proposed" in answer.out and "never changes" in answer.out
    kept = tuning_file.load(tmp_path / "flat" / "tuning.json")
    assert kept["proposed"] is None and "never changes" in kept["verdict"]["statements"][0]


def test_wrong_uses_are_one_line(run: Any, one_line: Any, rig: Path, tmp_path: Path) -> None:  # noqa: F811
    one_line(run("tune"), "PORT", "--from-trace")
    one_line(run("tune", "/dev/x", "--from-trace", rig), "one of them")
    one_line(run("tune", "--from-trace", tmp_path / "none.csv"), "none.csv", "check the name")
    one_line(run("tune", "--from-trace", rig, "--closed-loop-s", "-1"), "closed-loop time")
    one_line(run("tune", "--from-trace", rig, "--present", 9999, 700), "gain_ppm_per_ul_s", "outside")
    one_line(run("tune", str(tmp_path / "ttyNONE"), "--yes"), "ttyNONE")
    (tmp_path / "other.json").write_text("{}")
    with pytest.raises(TraceError, match="not the file of a tuning"):
        tuning_file.load(tmp_path / "other.json")
