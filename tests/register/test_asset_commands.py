"""`skidwright asset`, `backup` and `restore` as their users meet them."""

import datetime
import os
import sqlite3
from pathlib import Path

import filelock
import pytest
from skidwright.register import database as register_database

TOML = '[[asset]]\nnumber = 11\nname = "Thruster"\ntarget = "20/18/15"\ncoldest_c = 0\n'


@pytest.fixture
def here(run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The command line with an archive of its own; asset 11 in skid.toml, 12 in the register."""
    monkeypatch.setenv("SKIDWRIGHT_ARCHIVE", str(tmp_path / "archive"))
    Path("skid.toml").write_text(TOML)
    done = run("asset", "add", 12, "--name", "Ramp unit", "--volume-l", 250, "--target", "19/17/14",
               "--component", "servo valve@210: spool 4 um", "--component", "cylinder")  # fmt: skip
    assert (done.status, done.err) == (0, "")
    return run


def test_list_show_and_edit(here) -> None:
    rows = here("asset", "list", "--json").json["assets"]
    assert [(row["number"], row["name"], row["target_iso4406"]) for row in rows] == [
        (11, "Thruster", "20/18/15"), (12, "Ramp unit", "19/17/14")]  # fmt: skip
    assert "Thruster" in here("asset", "list").out
    assert here("asset", "edit", 11, "--target", "19/16/13", "--interval-h", 168).status == 0
    shown = here("asset", "show", 11, "--json").json
    assert (shown["target_iso4406"], shown["coldest_c"], shown["interval_h"]) == ("19/16/13", 0, 168)
    assert shown["sources"] == {
        "name": "skid.toml",
        "coldest_c": "skid.toml",
        "target": "register",
        "interval_h": "register",
    }
    assert here("asset", "edit", 11, "--clear", "target").status == 0
    assert here("asset", "show", 11, "--json").json["target_iso4406"] == "20/18/15"
    here("asset", "edit", 12, "--component", "vane pump@70")
    shown = here("asset", "show", 12, "--json").json
    assert shown["components"] == [{"type": "vane pump", "pressure_bar": 70.0, "note": ""}]
    assert "vane pump" in here("asset", "show", 12).out


def test_events_are_shown_and_an_asset_of_skid_toml_may_have_them(here) -> None:
    done = here("asset", "event", 11, "top-up", "--volume-l", 20, "--text", "drum 4", "--when", "2026-03-02")
    assert done.out == "asset 11, 2026-03-02T00:00:00Z: topped up, 20 L: drum 4\n"
    # 14:30 at +02:00 is 12:30 in UTC
    here("asset", "event", 11, "filter", "--when", "2026-03-03T14:30+02:00")
    events = here("asset", "show", 11, "--json").json["events"]
    assert [event["utc"] for event in events] == ["2026-03-02T00:00:00Z", "2026-03-03T12:30:00Z"]
    shown = here("asset", "show", 11)
    assert "filter changed" in shown.out and "2026-03-03" in shown.out


def test_tomorrow_may_be_entered_and_the_day_after_not(here, one_line) -> None:
    """Where the sun has risen already it is tomorrow; nowhere is it the day after."""
    today = datetime.datetime.now(datetime.UTC).date()
    tomorrow, later = (today + datetime.timedelta(days=days) for days in (1, 3))
    assert here("asset", "event", 11, "filter", "--when", tomorrow).status == 0
    assert here("asset", "edit", 12, "--filter-fitted", tomorrow).status == 0
    one_line(here("asset", "event", 11, "filter", "--when", later), "--when", "yet to come")
    one_line(here("asset", "edit", 12, "--filter-fitted", later), "yet to come")


def test_check_and_report_take_the_register_s_word(here, tmp_path: Path) -> None:
    import synthetic_log as sl

    path = tmp_path / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir()
    path.write_bytes(sl.good_log(40, assets=(11, 12)))
    assert [a["name"] for a in here("check", "--json").json["assets"]] == ["Thruster", "Ramp unit"]
    here("asset", "edit", 11, "--name", "Stern thruster", "--target", "10/8/6")
    assert [a["name"] for a in here("check", "--json").json["assets"]] == ["Stern thruster", "Ramp unit"]
    answer = here("report", "--asset", 11, "--json")
    assert answer.status == 1 and answer.json["reports"][0]["name"] == "Stern thruster"
    assert "10/8/6" in Path(answer.json["reports"][0]["report"]).read_text("utf-8")


def test_a_table_goes_out_and_comes_back(here) -> None:
    assert here("asset", "export", "machines.csv").out == "1 machine written to machines.csv\n"
    text = Path("machines.csv").read_bytes()
    assert text.startswith(b"\xef\xbb\xbfnumber,")
    assert here("asset", "export", "-").out.splitlines() == text[3:].decode().splitlines()
    Path("machines.csv").write_bytes(text.replace(b"Ramp unit", b"Ramp") + b"13,Crane" + b"," * 24 + b"\r\n")
    answer = here("asset", "import", "machines.csv", "--dry-run", "--json").json
    head = {"format": "skidwright asset import", "version": 1}
    assert answer == {**head, "new": [13], "changed": [12], "rows": 2, "dry_run": True}
    assert len(here("asset", "list", "--json").json["assets"]) == 2
    assert here("asset", "import", "machines.csv").out == "2 machines in machines.csv: 1 new, 1 changed\n"
    rows = here("asset", "list", "--json").json["assets"]
    assert [row["name"] for row in rows] == ["Thruster", "Ramp", "Crane"]


def test_a_bad_row_keeps_all_others_out(here, one_line) -> None:
    Path("m.csv").write_text("number,name,volume_l\n20,a,1\n21,b,ten\n22,c,3\n")
    one_line(here("asset", "import", "m.csv"), "m.csv: line 3, column volume_l", "'ten' is not a number")
    assert [row["number"] for row in here("asset", "list", "--json").json["assets"]] == [11, 12]
    Path("m.csv").write_bytes(b"number,name\n20,a\n21,\xe4\n")
    one_line(here("asset", "import", "m.csv"), "m.csv: line 3", "UTF-8")
    one_line(here("asset", "import", "none.csv"), "none.csv")


def test_suggested_targets_are_accepted(here) -> None:
    answer = here("asset", "suggest", 12, "--json")
    assert answer.status == 0
    assert answer.json["needed"] == "15/13/10" and answer.json["targets"] == {"1": "14/12/9", "2": "13/11/8"}
    assert here("asset", "show", 12, "--json").json["target_iso4406"] == "19/17/14"
    here("asset", "suggest", 12, "--margin", 2, "--accept")
    assert here("asset", "show", 12, "--json").json["target_iso4406"] == "13/11/8"
    assert here("asset", "suggest", 11).status == 1  # no components


def test_a_table_of_one_s_own(here, one_line, tmp_path: Path) -> None:
    row = '{ code = "17/14/11", mark = "published", source = "S" }'
    own = f'[[component]]\ntype = "servo valve"\nrows = [{row}]\n'
    Path("own.toml").write_text(own)
    assert here("asset", "suggest", 12, "--table", "own.toml", "--json").json["needed"] == "17/14/11"
    place = tmp_path / "config" / "skidwright" / "component_targets.toml"
    place.parent.mkdir(parents=True)
    place.write_text(own.replace("17/14/11", "16/14/12"))
    assert here("asset", "suggest", 12, "--json").json["needed"] == "16/14/12"
    place.write_text("[[component]]\ntype = 3\n")
    one_line(here("asset", "suggest", 12), "component_targets.toml", "type is missing")
    shown = here("asset", "suggest", "--show-table").out
    place.write_text(shown, "utf-8")
    assert here("asset", "suggest", 12, "--json").json["needed"] == "15/13/10"


def test_tags_are_written(here, one_line) -> None:
    assert here("asset", "tags").out == "2 tags written to tags.html\n"
    assert "Ramp unit" in Path("tags.html").read_text("utf-8")
    here("asset", "import", _many())
    answer = here("asset", "tags", "-o", "t.svg", "--paper", "letter", "--json").json
    assert answer["tags"] == 40 and answer["files"] == ["t.svg", "t-2.svg", "t-3.svg", "t-4.svg"]
    assert all(Path(name).exists() for name in answer["files"])
    one_line(here("asset", "tags", "-o", "t.bmp"), ".html or .svg")
    one_line(here("asset", "tags", "--link", "x" * 4000), "--link")
    one_line(here("asset", "tags", "--asset", 99), "no asset 99")


def _many() -> str:
    Path("many.csv").write_text("number\n" + "".join(f"{n}\n" for n in range(100, 138)))
    return "many.csv"


def test_backup_and_restore(here, one_line) -> None:
    assert "1 machine" in here("backup", "b.zip").out
    here("asset", "edit", 12, "--name", "other")
    one_line(here("restore", "b.zip"), "register.sqlite", "--overwrite")
    assert here("restore", "b.zip", "--verify").status == 0
    assert here("asset", "show", 12, "--json").json["name"] == "other"
    assert here("restore", "b.zip", "--overwrite", "--json").json["assets"] == 1
    assert here("asset", "show", 12, "--json").json["name"] == "Ramp unit"
    Path("b.zip").write_bytes(Path("b.zip").read_bytes()[:-10])
    one_line(here("restore", "b.zip"), "b.zip", "no backup")
    one_line(here("restore", "none.zip"), "none.zip")
    one_line(here("backup", "no/folder/b.zip"), "no/folder/b.zip")


def test_what_calibrate_wrote_is_backed_up_and_restored(here, one_line, tmp_path: Path) -> None:
    made = here(
        "calibrate", "flow", "--run", 1000, 172.0, 60, "--run", 1000, 172.1, 60, "--run", 1000, 171.9, 60,
        "--density", 0.861, "--by", "A. Moe", "--reference", "balance 3", "--date", "2026-03-02",
        "--due", "2027-03-02",
    )  # fmt: skip
    assert made.status == 0, made.err
    (written,) = Path().glob("calibration-*.json")
    was = written.read_bytes()
    assert "1 calibration written to b.zip" in here("backup", "b.zip").out
    assert here("restore", "b.zip", "--verify", "--json").json["calibrations"] == [written.name]
    written.unlink()
    assert f"restored {written.name}" in here("restore", "b.zip").out
    assert written.read_bytes() == was
    written.write_bytes(was + b"\n")
    one_line(here("restore", "b.zip"), written.name, "--overwrite")
    elsewhere = tmp_path / "kept elsewhere"
    elsewhere.mkdir()
    written.rename(elsewhere / written.name)
    assert here("backup", "c.zip", "--json").json["calibrations"] == []
    assert here("backup", "c.zip", "--calibration", elsewhere, "--json").json["calibrations"] == [
        written.name
    ]


def test_remove_asks_first(here, one_line) -> None:
    here("asset", "event", 12, "repair")
    one_line(here("asset", "remove", 12), "1 event", "--yes")
    assert here("asset", "remove", 12, "--yes").status == 0
    one_line(here("asset", "remove", 12, "--yes"), "no asset 12")
    one_line(here("asset", "show", 12), "no asset 12", "there are: 11")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("add", 12), ("already", "asset edit 12")),
        (("add", 0), ("NUMBER",)),
        (("add", "x"), ("NUMBER",)),
        (("add", 13, "--volume-l", "ten"), ("--volume-l", "'ten' is not a number")),
        (("add", 13, "--volume-l", "inf"), ("--volume-l", "1e+07 L")),
        (("add", 13, "--target", "18/16"), ("--target", "three whole numbers")),
        (("add", 13, "--filter-fitted", "yesterday"), ("--filter-fitted", "2026-03-31")),
        (("add", 13, "--water-a", "7"), ("water_b",)),
        (("add", 13, "--component", "pump@high"), ("--component", "no pressure in bar")),
        (("add", 13, "--component", "pump@-3"), ("--component", "0 to 2000 bar")),
        (("add", 13, "--name", "a\x1bb"), ("--name", "printable")),
        (("edit", 99, "--name", "x"), ("no asset 99", "there are: 11, 12")),
        (("edit", 12), ("nothing to change",)),
        (("edit", 12, "--clear", "name", "--name", "x"), ("--clear name",)),
        (("edit", 12, "--clear", "nam"), ("--clear",)),  # codespell:ignore
        (("event", 99, "repair"), ("no asset 99",)),
        (("event", 12, "mended"), ("top-up",)),
        (("event", 12, "top-up", "--volume-l", "-1"), ("volume_l",)),
        (("event", 12, "top-up", "--volume-l", "nan"), ("volume-l", "not a finite number")),
        (("event", 12, "repair", "--when", "3.3.2026"), ("--when", "in UTC")),
        (("event", 12, "repair", "--when", "0001-01-01"), ("time",)),
        (("event", 12, "repair", "--when", "2920-01-01T08:00Z"), ("--when", "2920-01-01 is yet to come")),
        (("event", 12, "repair", "--when", "9999-12-31T23:59-12:00"), ("--when",)),
        (("add", 13, "--filter-fitted", "2920-01-01"), ("--filter-fitted", "yet to come")),
        (("edit", 12, "--filter-fitted", "9999-12-31"), ("--filter-fitted", "yet to come")),
        (("suggest",), ("no NUMBER",)),
        (("suggest", 12, "--margin", 3), ("--margin",)),
        (("suggest", 12, "--table", "none.toml"), ("none.toml",)),
    ],
)
def test_bad_requests_end_in_one_line(here, one_line, arguments, words) -> None:
    one_line(here("asset", *arguments), *words)
    assert here("asset", "list", "--json").json["assets"][1]["name"] == "Ramp unit"


READING = [("asset", "list"), ("asset", "show", 12), ("check",), ("report",), ("backup", "b.zip")]
WRITING = [("asset", "edit", 12, "--name", "x"), ("asset", "event", 12, "repair")]


def _spoilt(path: Path, how: str) -> None:
    if how == "newer":
        database = sqlite3.connect(path)
        database.execute(f"PRAGMA user_version = {register_database.VERSION + 1}")
        database.close()
    else:
        path.write_bytes(b"not a database at all, but quite long " * 50)


@pytest.mark.parametrize("command", READING + WRITING, ids=lambda command: " ".join(map(str, command[:2])))
@pytest.mark.parametrize("how", ["newer", "no database"])
def test_a_register_that_cannot_be_read(here, one_line, tmp_path: Path, command, how: str) -> None:
    import synthetic_log as sl

    log = tmp_path / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    log.parent.mkdir()
    log.write_bytes(sl.good_log(40, assets=(12,)))
    path = tmp_path / "archive" / "register.sqlite"
    _spoilt(path, how)
    before = path.read_bytes()
    one_line(here(*command), "register.sqlite", "version" if how == "newer" else "no register")
    assert path.read_bytes() == before


@pytest.mark.parametrize("command", WRITING, ids=lambda command: command[1])
def test_a_register_that_somebody_writes(here, one_line, tmp_path: Path, command, monkeypatch) -> None:
    monkeypatch.setattr("skidwright.register.database.WAIT_S", 0.05)
    with filelock.FileLock(tmp_path / "archive" / "register.sqlite.lock"):
        one_line(here(*command), "register.sqlite", "another skidwright", "wait")
        assert here("asset", "list").status == 0  # reading needs no lock


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
@pytest.mark.parametrize("command", WRITING, ids=lambda command: command[1])
def test_a_folder_that_is_read_only(here, one_line, tmp_path: Path, command, monkeypatch) -> None:
    if os.geteuid() == 0:
        # root may write anywhere: the system's refusal is put in by hand where the lock is made
        def refuse(*_args: object, **_more: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(filelock.FileLock, "acquire", refuse)
    else:
        (tmp_path / "archive").chmod(0o555)
    try:
        one_line(here(*command), "register.sqlite", "Permission denied", "permissions")
        assert here("asset", "list").status == 0
    finally:
        (tmp_path / "archive").chmod(0o755)


def test_no_register_yet_is_no_error(run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("SKIDWRIGHT_ARCHIVE", str(tmp_path / "none"))
    assert run("asset", "list", "--json").json["assets"] == []
    assert not (tmp_path / "none").exists()


def test_the_report_tells_what_was_done_to_the_machine(here, tmp_path: Path) -> None:
    import synthetic_log as sl

    path = tmp_path / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir()
    path.write_bytes(sl.good_log(40, assets=(12,)))
    when = {"before it all": "2025-12-31", "return line": "2026-01-01T03:00Z", "after it all": "2026-02-01"}
    for text, utc in when.items():
        here("asset", "event", 12, "filter", "--text", text, "--when", utc)
    here("asset", "event", 11, "repair", "--text", "of another", "--when", "2026-01-01T03:00Z")
    page = Path(here("report", "--json").json["reports"][0]["report"]).read_text("utf-8")
    assert "return line, by the register" in page and "after it all, by the register" in page
    assert "before it all" not in page and "of another" not in page
