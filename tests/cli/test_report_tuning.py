"""`skidwright report` with the file of a tuning: found by itself, given by name, refused when it is none."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from skidwright.tuning import tuning_file
from skidwright.tuning.identify import identify
from skidwright.tuning.proposal import propose
from tuning.plants import Plant, step_test

PLANT = Plant(2.5, 1.2, 0.5, 730.0, 150.0)
DEVICE = sl.DEVICE.hex()


@pytest.fixture(scope="module")
def content() -> dict:
    """A tuning of the board of the synthetic log, from a plant whose truth is known."""
    trace = step_test(PLANT, 5, np.random.default_rng(3))
    proposal = propose(identify(trace), None, {"gain_ppm_per_ul_s": 100, "integral_ms": 700})
    board = {"device": DEVICE, "firmware": "0.1.0", "settings": {}}
    made = tuning_file.document(trace, proposal, "2026-03-02T09:00:00Z", board=board)
    made["written"] = True
    made["verification"] = {
        "good": True, "iae_ul": 300.0, "iae_predicted_ul": 280.0,
        "overshoot": 0.08, "overshoot_predicted": 0.1,
        "in_band": 1.0, "time_s": [0.0], "predicted_ul_s": [800.0], "set_time_s": [0.0], "set_ul_s": [800.0],
    }  # fmt: skip
    return made


def page(answer) -> str:
    """The one report that was written, as text."""
    (row,) = answer.json["reports"]
    return Path(row["report"]).read_text("utf-8")


def section(html: str) -> str:
    """The part about flow control, without its markup."""
    part = html.split('<section class="tuning">')[1].split("</section>")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", "", part, flags=re.S)).split())


def test_the_boards_newest_tuning_beside_the_archive_is_shown(run, good_archive: Path, content: dict) -> None:
    for name, made in (("tuning-1", "2026-03-01T09:00:00Z"), ("tuning-2", content["made_utc"])):
        tuning_file.save({**content, "made_utc": made}, good_archive.parent / name)
    other = {**content, "made_utc": "2027-01-01T00:00:00Z", "board": {**content["board"], "device": "00" * 8}}
    tuning_file.save(other, good_archive.parent / "tuning-3")
    (good_archive.parent / "tuning-4").mkdir()
    (good_archive.parent / "tuning-4" / "tuning.json").write_text("{")
    html = page(run("report", "--archive", good_archive, "--asset", 1, "--json"))
    text = section(html)
    assert f"written to the board; verified. 2026-03-02 09:00 UTC , board {DEVICE}" in text
    model = content["model"]["time_constant_s"]
    assert f"{model['value']:.2f} s {model['low']:.2f} to {model['high']:.2f}" in text
    proposed = content["proposed"]
    for name, value in proposed["settings"].items():
        assert re.search(rf"{name} \d+ {value} ", text), name
    # SIMC with the closed-loop time at the dead time: Skogestad (2003), table 1.
    for name, value in (("gain margin", 3.14), ("phase margin", 61.4), ("peak sensitivity", 1.59)):
        shown = float(re.search(name + r" [\d.]+°? ([\d.]+)", text)[1])
        assert shown == pytest.approx(value, rel=0.03), name
    assert html.count('id="tuning-') > 5 and "Set-point steps on the skid went as predicted" in text


def test_a_named_file_is_shown_with_whose_it_is(
    run, good_archive: Path, content: dict, tmp_path: Path
) -> None:
    foreign = {**content, "board": None, "written": False, "verification": None}
    path = tuning_file.save(foreign, tmp_path / "elsewhere")
    text = section(page(run("report", "--archive", good_archive, "--asset", 1, "--tuning", path, "--json")))
    assert "Robust gains were proposed and not written." in text
    assert f"The newest sample is from another board, {DEVICE}." in text


def test_a_refusal_to_propose_is_shown_as_such(
    run, good_archive: Path, content: dict, tmp_path: Path
) -> None:
    verdict = {"acceptable": False, "statements": ["no step seen"]}
    nothing = {
        **content, "model": None, "present": None, "proposed": None, "written": False, "verification": None,
        "verdict": verdict,
    }  # fmt: skip
    path = tuning_file.save(nothing, tmp_path / "none")
    text = section(page(run("report", "--archive", good_archive, "--asset", 1, "--tuning", path, "--json")))
    assert "No gains could be proposed." in text and "no step seen" in text


def test_without_a_tuning_there_is_no_such_section(run, good_archive: Path) -> None:
    assert '<section class="tuning">' not in page(
        run("report", "--archive", good_archive, "--asset", 1, "--json")
    )


def test_what_is_no_tuning_is_refused_in_one_line(
    run, one_line, good_archive: Path, content: dict, tmp_path: Path
) -> None:
    path = tmp_path / "wrong.json"
    for text in ("{", "[]", json.dumps({**content, "trace": {}}), json.dumps({**content, "model": {}})):
        path.write_text(text)
        one_line(run("report", "--archive", good_archive, "--asset", 1, "--tuning", path), "wrong.json")
    one_line(run("report", "--archive", good_archive, "--tuning", tmp_path / "gone.json"), "gone.json")
