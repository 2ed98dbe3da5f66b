"""`skidwright calibrate` from the command line, with and without a skid."""

import json

import pytest
from command_line import assert_one_line
from skidboard import records
from skidwright.samples.assessment import Assessment

OF_3 = ("--volume-ml", 3, "--reference-counts", "1", "--reference-volume-ml", 3)
WHO = ("--by", "A. Moe", "--reference", "balance 3", "--date", "2026-11-25", "--due", "2027-11-25")
CAUGHT = ("--run", 250, 43.02, 60, "--run", 252, 43.41, 60, "--run", 249, 42.80, 60)


def test_flow_from_runs(run, tmp_path):
    shown = run("calibrate", "flow", *CAUGHT, "--density", 0.861, *WHO)
    assert shown.status == 0, shown.err
    assert "One pulse is" in shown.out and "meter_pulse_nl = " in shown.out
    kept = json.loads((tmp_path / "here" / "calibration-flow-20261125.json").read_text())
    assert kept["by"] == "A. Moe" and kept["due"] == "2027-11-25"
    assert kept["settings"]["meter_due_day"] == 10190  # 2027-11-25, counted from 2000-01-01
    assert kept["settings"]["meter_pulse_nl"] == round(kept["result"]["pulse_nl"])
    assert 1 <= kept["settings"]["meter_uncertainty_cpct"] <= 200
    # Once more would write over it.
    assert_one_line(
        run("calibrate", "flow", *CAUGHT, "--density", 0.861, *WHO), "such a file already", "--out"
    )


def test_loop_and_counter_from_figures(run):
    shown = run("calibrate", "loop", "--point", 4, 3.962, "--point", 20, 19.81, *WHO, "--json")
    assert shown.status == 0
    assert shown.json["settings"]["water_gain_ppm"] == round((16 / (19.81 - 3.962) - 1) * 1e6)
    counts = ("--counts", "9000,3000,150,25", "--volume-ml", 30, "--reference-volume-ml", 30)
    shown = run(
        "calibrate", "counter", *counts, "--reference-counts", "9050,2950,140,30", *WHO, "--out", "a.json"
    )
    assert shown.status == 0 and "no calibration to ISO 11171" in shown.out
    shown = run(
        "calibrate", "counter", *counts, "--reference-counts", "4000,2950,140,30", *WHO, "--out", "b.json"
    )
    assert shown.status == 1 and "4um" in shown.out and "more than half a scale number" in shown.out


def test_onto_a_board_and_into_its_log(run, live_port, tmp_path):
    shown = run("calibrate", "flow", live_port, *CAUGHT, "--density", 0.861, *WHO, "--yes", "--json")
    assert shown.status == 0, shown.err
    assert shown.json["on_board"] is True
    settings = run("settings", live_port, "--json").json
    found = settings.get("settings", settings)
    assert found["meter_pulse_nl"] == shown.json["settings"]["meter_pulse_nl"]
    assert found["meter_due_day"] == 10190
    assert run("pull", live_port, "--archive", tmp_path / "a").status == 0
    (log,) = (tmp_path / "a").glob("*/*.skidlog")
    events = Assessment(log).events
    marks = [text.decode() for text in events["text"][events["kind"] == records.MARK]]
    assert marks[-1].startswith("calibrated flow: 200.1") and "due 2027-11-25, A. Moe" in marks[-1]
    changed = [text.decode() for text in events["text"][events["kind"] == records.SETTING]]
    assert "meter_due_day 0 > 10190" in changed


def test_a_loop_that_is_corrected_already(run, live_port):
    """Readings with a correction in force: it is taken out of them before the new one is found."""
    first = run(
        "calibrate", "loop", live_port, "--point", 4, 3.9, "--point", 20, 19.9, *WHO, "--yes", "--json"
    )
    assert first.status == 0, first.err
    again = run("calibrate", "loop", live_port, "--point", 4, 4, "--point", 20, 20, *WHO, "--yes", "--json",
                "--out", "again.json")  # fmt: skip
    for name in ("water_offset_ua", "water_gain_ppm"):
        assert abs(again.json["settings"][name] - first.json["settings"][name]) <= 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("flow", "--density", 0.86), ("give --runs FILE",)),
        (("flow", "--runs", "none.csv", "--density", 0.86), ("none.csv",)),
        (("flow", *CAUGHT, "--density", 861), ("g/mL",)),
        (("loop", "--point", 4, 3.9), ("two or more",)),
        (("counter", "--counts", "a,b", *OF_3),
         ("--counts", "whole numbers")),
        (("counter", "--counts", "1,2", *OF_3),
         ("as many",)),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line(run, arguments, words):
    assert_one_line(run("calibrate", *arguments, *WHO), *words)


def test_it_must_run_out_after_it_was_made(run):
    late = (*WHO[:-1], "2026-11-25")
    assert_one_line(run("calibrate", "flow", *CAUGHT, "--density", 0.861, *late), "is not after 2026-11-25")


def test_no_work_can_have_been_done_on_a_day_that_is_yet_to_come(run):
    ahead = (*WHO[:4], "--date", "2920-01-01", "--due", "2921-01-01")
    said = run("calibrate", "flow", *CAUGHT, "--density", 0.861, *ahead)
    assert_one_line(said, "date: 2920-01-01 is yet to come")


def test_nobody_to_ask(run, live_port, monkeypatch):
    assert_one_line(run("calibrate", "flow", live_port, *CAUGHT, "--density", 0.861, *WHO), "give --yes")
    assert_one_line(run("calibrate", "flow", live_port, "--density", 0.861, *WHO), "Masses have to be typed")
