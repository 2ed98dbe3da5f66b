"""A log explains itself: what skid.toml says later, or that there is none, changes nothing of old samples."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from cli.conftest import write_archive
from skidboard import settings as board_settings
from skidwright.checks import CheckLimits

TABLES = (
    [[5, 206_000], [20, 202_000], [100, 200_000], [1000, 199_999]],
    [[6, 206_001], [21, 202_001], [101, 200_001], [1001, 199_998]],
)
OIL = {"fluid_v40_dmm2_s": 460, "fluid_v100_dmm2_s": 68}
AS_PULLED = """
[[asset]]
number = 1
name = "Pump bench (invented)"
target = "18/16/13"
water_a = 7.3
water_b = 1600

[counter]
band_ml_min = [38, 62]
sensing_volume_ml = 2.5e-6

[checks]
line_volume_ul = 9000
purge_least_volumes = 2
"""


def changed_in_every_key() -> str:
    """A skid.toml that says something else of everything that numbers and verdicts rest on."""
    board: dict[str, object] = {"assets": [1, 2], "meter_table": [[7, 150_000], [90, 155_000]]}
    board |= {"fluid_v40_dmm2_s": 3200, "fluid_v100_dmm2_s": 240, "meter_pulse_nl": 160_000}
    for name, (_, low, high, default) in board_settings.TABLE.items():
        for value in (low, high, (low + high) // 2, default + 1):
            if (
                name not in board
                and value != default
                and not board_settings.check_all({**board, name: value})
            ):
                board[name] = value
                break
    assert len(board) > len(board_settings.TABLE) - 5
    fields = CheckLimits.__dataclass_fields__.values()
    checks = {field.name: field.default * 1.5 + 1 for field in fields}
    return "\n".join(
        [
            'note = "Another note"',
            *("[[asset]]", "number = 1", 'name = "Pump bench (invented)"', 'target = "15/13/10"'),
            *("water_limit_percent = 20", "coldest_c = -20", "water_a = 6", "water_b = 1200"),
            *("[counter]", "band_ml_min = [100, 300]", "sensing_volume_ml = 1e-4"),
            *("[board]", *(f"{name} = {value}" for name, value in board.items())),
            *("[checks]", *(f"{name} = {value}" for name, value in checks.items())),
        ]
    )


def without_names(answer: dict) -> dict:
    """An answer of `check --json` without the names of assets and the place of the archive."""
    for row in answer["assets"] + answer["not_taken"]:
        row.pop("name")
    for row in answer["logs"]:
        row.pop("path")
    return answer


def without_standing(answer) -> str:
    """What `check --json` says of the log, byte by byte: how machines stand is by the goals of today."""
    whole = answer.json
    assert "standing" in whole
    begin = answer.out.index('"standing"')
    end = len(answer.out) - len(answer.out[begin:].lstrip()) + len(json.dumps(whole["standing"], indent=2))
    assert whole.pop("standing") is not None and end > begin
    return json.dumps(whole, indent=2)


@pytest.mark.slow
def test_what_skid_toml_says_later_changes_no_old_sample(run, tmp_path: Path, monkeypatch) -> None:
    from skidwright.link.session import Session
    from skidwright.sim import scenario
    from skidwright.sim.runner import VirtualSkid

    monkeypatch.chdir(tmp_path)
    archive, toml = tmp_path / "archive", tmp_path / "skid.toml"
    toml.write_text(AS_PULLED)
    with VirtualSkid(scenario.load("quick"), tmp_path / "skid") as skid:
        # Twice are settings changed while no host pulls, and each change is longer than a record's text.
        skid.run_until(250)
        for at_s, table, more in ((500, TABLES[0], {"water_high_cpct": 9000}), (720, TABLES[1], {"run": 3})):
            with skid.contact() as port, Session.open(port) as session:
                session.put_settings({**OIL, **more, "meter_table": table})
            skid.run_until(at_s)
        with skid.contact() as port:
            assert run("pull", port, "--archive", archive).status == 0
    before = (
        run("check", "--archive", archive, "--json"),
        run("check", "--archive", archive, "--all", "--json"),
    )
    rows = before[1].json["samples"]
    assert len(rows) >= 6 and not any("settings-unknown" in row["reasons"] for row in rows)
    # By hand: 4 to 20 mA are 0 to 100 %, and 0 to 90 % from the first change on.
    raw = samples_of(next(archive.rglob("*.skidlog")))
    assert len(np.unique(raw["settings_crc"])) == 3
    for row, sample in zip(rows, raw, strict=True):
        top = 100 if sample["settings_crc"] == raw["settings_crc"][0] else 90
        assert row["water_percent"] == pytest.approx(
            (sample["water_mean_ua"] - 4000) / 16000 * top, abs=0.006
        )
        assert row["water_constants"] == "own"

    toml.write_text(changed_in_every_key())
    after = (
        run("check", "--archive", archive, "--json"),
        run("check", "--archive", archive, "--all", "--json"),
    )
    assert [without_standing(answer) for answer in after] == [without_standing(answer) for answer in before]

    # Alone, on a machine without any skid.toml.
    alone = tmp_path / "alone"
    shutil.copytree(archive, alone / "archive")
    monkeypatch.chdir(alone)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(alone))
    there = run("check", "--archive", alone / "archive", "--all", "--json")
    alone_says, pulled_said = (without_names(json.loads(without_standing(a))) for a in (there, before[1]))
    assert alone_says == pulled_said


def samples_of(path: Path) -> np.ndarray:
    from skidwright.log.dataset import decode

    return decode(path.read_bytes()).samples


def test_settings_that_nobody_has_are_said_and_never_taken_from_skid_toml(run, tmp_path: Path) -> None:
    rows = sl.samples(20, assets=(1,))
    rows["settings_crc"][10:] = 0xDEADBEEF
    write_archive(tmp_path / "archive", rows)
    found = []
    for high in (10_000, 5_000):
        toml = tmp_path / "skid.toml"
        toml.write_text(f"[board]\nwater_high_cpct = {high}\n")
        found.append(run("check", "--archive", tmp_path / "archive", "--config", toml, "--all", "--json"))
    assert found[0].out == found[1].out
    samples = found[0].json["samples"]
    assert [("settings-unknown" in row["reasons"]) for row in samples] == [False] * 10 + [True] * 10
    for row in samples[10:]:
        assert {row["verdict"][quantity] for quantity in ("counts", "water", "temperature")} == {"suspect"}


def test_settings_kept_in_the_archive_are_found_and_rotten_ones_are_not_believed(run, tmp_path: Path) -> None:
    values = {**board_settings.defaults(), "water_high_cpct": 5000}
    text = board_settings.canonical(values)
    rows = sl.samples(4, assets=(1,))
    rows["settings_crc"] = board_settings.digest(values)
    path = write_archive(tmp_path / "archive", rows)
    kept = path.parent / f"{board_settings.digest(values):08x}.settings"
    kept.write_bytes(text)
    row = run("check", "--archive", tmp_path / "archive", "--all", "--json").json["samples"][0]
    assert "settings-unknown" not in row["reasons"]
    # By hand: 50 % at 20 mA.
    assert row["water_percent"] == pytest.approx(
        (int(rows["water_mean_ua"][0]) - 4000) / 16000 * 50, abs=0.006
    )
    kept.write_bytes(text.replace(b"water_high_cpct=5000", b"water_high_cpct=6000"))
    row = run("check", "--archive", tmp_path / "archive", "--all", "--json").json["samples"][0]
    assert "settings-unknown" in row["reasons"]


def test_damaged_thresholds_are_an_error_and_not_replaced(run, one_line, tmp_path: Path) -> None:
    path = write_archive(tmp_path / "archive", sl.samples(4))
    kept = path.with_suffix(".thresholds")
    good = {"from_record": 0, "utc_ms": 1, "checks": {}, "water": {}}
    spoilt = [{"checks": {"flow_spread_percent": bad}} for bad in (-1, "x", None)]
    spoilt += [{"water": {"1": [1]}}, {"from_record": -1}, {"utc_ms": "x"}]
    for bad in ("{", "[]", *(json.dumps({**good, **one}) for one in spoilt)):
        kept.write_text(bad + "\n")
        refused = run("check", "--archive", tmp_path / "archive")
        one_line(refused, "the thresholds kept with this log are damaged")
    kept.write_text(json.dumps(good) + "\n")
    assert run("check", "--archive", tmp_path / "archive").status in (0, 1)


def test_each_record_is_read_by_the_thresholds_of_its_pull(run, tmp_path: Path) -> None:
    rows = sl.samples(9, assets=(1,))
    path = write_archive(tmp_path / "archive", rows)
    from skidwright.archive.kept_settings import Thresholds, keep_thresholds

    assert keep_thresholds(path, 5, 1, Thresholds({"line_volume_ul": 1000.0}))
    assert not keep_thresholds(path, 3, 2, Thresholds({"line_volume_ul": 1000.0})), "the same again"
    # 200 mL were purged: less than three times 80 mL.
    assert keep_thresholds(path, 6, 3, Thresholds({"line_volume_ul": 80_000.0}))
    samples = run("check", "--archive", tmp_path / "archive", "--all", "--json").json["samples"]
    assert [("purge" in " ".join(row["reasons"])) for row in samples] == [False] * 6 + [True] * 3, samples[-1]


def test_thresholds_are_shown_and_applied_by_word_only(run, one_line, tmp_path: Path) -> None:
    from skidwright.archive.kept_settings import Thresholds, keep_thresholds

    path = write_archive(tmp_path / "archive", sl.samples(9))
    toml = tmp_path / "skid.toml"
    toml.write_text("[checks]\nline_volume_ul = 80000\n")
    place = ("--archive", tmp_path / "archive")
    assert "nothing kept" in run("thresholds", *place).out
    keep_thresholds(path, 0, 1, Thresholds({**CheckLimits().__dict__}))
    shown = run("thresholds", *place, "--config", toml)
    assert shown.status == 1 and "line_volume_ul 0 (80000)" in shown.out
    judged = run("check", *place, "--config", toml, "--all", "--json")
    assert not any("purge" in " ".join(row["reasons"]) for row in judged.json["samples"])
    assert "another line_volume_ul; what was pulled is read as before" in judged.err
    one_line(run("thresholds", *place, "--apply"), "no skid.toml here")
    assert run("thresholds", *place, "--config", toml, "--apply", "--from", 6).status == 0
    judged = run("check", *place, "--config", toml, "--all", "--json")
    assert ["purge" in " ".join(row["reasons"]) for row in judged.json["samples"]] == [False] * 6 + [True] * 3
    assert judged.err == ""
    rows = run("thresholds", *place, "--config", toml, "--json").json["logs"]
    assert [(row["from_record"], list(row["differs"])) for row in rows] == [(0, ["line_volume_ul"]), (6, [])]
    assert run("thresholds", *place, "--config", toml, "--apply").status == 0
    assert [row["from_record"] for row in run("thresholds", *place, "--json").json["logs"]] == [0]
    assert len(path.with_suffix(".thresholds").read_text().splitlines()) == 3, (
        "what was kept before stays there"
    )
