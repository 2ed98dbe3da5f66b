"""`skidwright assess` on archives whose content the test wrote."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from command_line import one_line, run  # noqa: F401  (fixtures)
from skidboard import records
from skidwright.register import Event, Register

SETTINGS = """
[[asset]]
number = 1
name = "Press"
target = "19/17/14"
water_limit_percent = 60
coldest_c = 40

[[asset]]
number = 2
name = "Gearbox"
target = "17/15/12"
water_limit_percent = 60
coldest_c = 40

[[asset]]
number = 7
name = "Never seen"
"""
DIRTY = tuple(8 * x for x in sl.PER_ML)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """30 days of two assets every two hours; dirt in asset 1 from day 29 on, and an operator's mark then."""
    n = 30 * 24
    body = sl.samples(n, first_seq=10, assets=(1, 2), interval_ms=3_600_000)
    dirty = sl.samples(n, seed=2, first_seq=10, assets=(1, 2), interval_ms=3_600_000, per_ml=DIRTY)
    late = np.flatnonzero((np.arange(n) >= 29 * 24) & (body["asset"] == 1))
    body[late] = dirty[late]
    body["calibration_due_day"] = 20_000
    moment = int(body["uptime_ms"][29 * 24]) - 60_000
    rows = sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        sl.event(records.MARK, 2, 1, moment, text="topped up, 20 L"),
        body,
    )
    path = tmp_path / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    (tmp_path / "archive" / "archive.json").write_text('{"format": 1}\n')
    path.write_bytes(sl.log_bytes(rows))
    (tmp_path / "skid.toml").write_text(SETTINGS)
    return tmp_path


def arguments(place: Path, *more):
    return [
        "assess",
        "--archive",
        place / "archive",
        "--config",
        place / "skid.toml",
        "--at",
        "2026-01-31",
        *more,
    ]


def test_ranking_in_words(run, place: Path) -> None:  # noqa: F811
    answer = run(*arguments(place))
    assert answer.status == 1
    lines = answer.out.splitlines()
    order = [line.split()[1] for line in lines if line.strip()[:1].isdigit() and "assets" not in line]
    assert order == ["Press", "Gearbox", "Never"]
    assert "dirtier than target" in answer.out and "never sampled" in answer.out
    assert "3 assets: 2 act, 0 look soon, 1 watch, 0 in order." in answer.out
    assert max(len(line.rstrip()) for line in lines) <= 140


def test_json_says_the_same(run, place: Path) -> None:  # noqa: F811
    found = run(*arguments(place, "--json")).json
    press, gearbox, never = found["assets"]
    assert (press["asset"], gearbox["asset"], never["asset"]) == (1, 2, 7)
    # 8 times 1800, 420 and 38 per mL are 14400, 3360 and 304: 21, 19 and 15 (ISO 4406:2021, table 1)
    sizes = press["quantities"][:3]
    assert press["iso4406_code"] == "21/19/15"
    assert [one["scale_number"] - one["scale_number_asked"] for one in sizes] == [2, 2, 1]
    # 19/17/14 allows 5000, 1300 and 160 per mL (ISO 4406:2021, table 1)
    assert [one["limit"] for one in sizes] == [5000, 1300, 160]
    assert {one["state"] for one in sizes} == {"not met"} and {one["needs"] for one in sizes} == {"act"}
    assert max(one["chance_at_or_below"] for one in sizes) < 0.05
    assert gearbox["iso4406_code"] == "18/16/12"
    assert [hint["pattern"] for hint in press["hints"]] == ["dirt with new fluid"]
    assert gearbox["hints"] == []
    assert json.dumps(found).count("NaN") == 0


def test_one_asset_in_full(run, place: Path) -> None:  # noqa: F811
    answer = run(*arguments(place, "--asset", "1"))
    assert answer.status == 1
    for word in (
        "Press (asset 1): Act: dirtier than its target",
        "target 19/17/14: not met",
        "under 1 %",
        "Hint, no diagnosis",
        "Or else:",
    ):
        assert word in answer.out, answer.out


def test_as_things_stood_before_the_dirt(run, place: Path) -> None:  # noqa: F811
    answer = run(*arguments(place)[:-1], "2026-01-29", "--json")
    press = next(one for one in answer.json["assets"] if one["asset"] == 1)
    assert (press["needs"], press["iso4406_code"], press["hints"]) == ("in order", "18/16/12", [])
    assert press["newest"] <= "2026-01-29"


def test_the_register_is_asked_for_targets_intervals_and_events(run, place: Path) -> None:  # noqa: F811
    assert run(
        "asset", "add", "2", "--archive", place / "archive", "--target", "20/18/15", "--interval-h", "1",
    ).status == 0  # fmt: skip
    with Register.open(place / "archive", write=True) as register:
        register.ensure(1)
        register.add_event(Event(1, sl.START_UTC_MS + 20 * 86_400_000, "filter", "return line"))
    found = run(*arguments(place, "--json")).json["assets"]
    gearbox = next(one for one in found if one["asset"] == 2)
    assert gearbox["target"] == "20/18/15" and {one["state"] for one in gearbox["quantities"][:3]} == {"met"}
    assert [reason["text"] for reason in gearbox["reasons"] if "overdue" in reason["text"]] == []


def test_what_cannot_be_done_is_one_line(run, one_line, place: Path) -> None:  # noqa: F811
    one_line(run(*arguments(place, "--asset", "5")), "no samples of asset 5")
    one_line(run("assess", "--archive", place / "nowhere"), "nowhere")
    one_line(run(*arguments(place)[:-1], "soon"), "--at")


@pytest.mark.parametrize(("coldest_c", "free"), [(-10, True), (30, False), (None, False)])
def test_no_saturation_above_100_percent_is_ever_said(
    run,  # noqa: F811
    place: Path,
    coldest_c,
    free: bool,
) -> None:
    """20 % at 45 degC is more than 100 % at -10 degC by either published pair: that is free water."""
    toml = (place / "skid.toml").read_text()
    line = "" if coldest_c is None else f"coldest_c = {coldest_c}"
    (place / "skid.toml").write_text(toml.replace("coldest_c = 40", line))
    said = " ".join(run(*arguments(place, "--asset", "2")).out.split())
    numbers = [float(found) for found in re.findall(r"([\d.]+) %(?= of saturation)", said)]
    assert numbers and max(numbers) <= 100
    rows = run(*arguments(place, "--json")).json["assets"]
    (row,) = [row for row in rows if row["asset"] == 2]
    if free:
        assert "water at the coldest: free water at -10 degC" in said
        cold, free_water = row["quantities"][5:]
        assert cold["value"] == cold["value_high"] == 100.0
        assert free_water["state"] == "not met" and free_water["needs"] == "act"
        assert not re.search(r"\d{3,}\.\d %", said), said
    elif coldest_c is None:
        assert "nobody said how cold it gets" in said
    else:
        # B of 1567 and 1670 K: 20 % become 35.0 and 36.4 %, by hand; the readings are near 20 %
        low, high = re.search(r"at the coldest: ([\d.]+) to ([\d.]+) % of saturation", said).groups()
        assert abs(float(low) - 35.0) < 1 and abs(float(high) - 36.4) < 1
