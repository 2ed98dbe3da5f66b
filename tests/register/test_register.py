"""The register keeps what it is given, refuses what it must, and survives whoever writes it being killed."""

import dataclasses
import datetime
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import filelock
import pytest
from skidwright import config
from skidwright.config import Asset, Config
from skidwright.errors import (
    ArchiveError,
    DiskFull,
    RegisterBusy,
    RegisterError,
    RegisterUnreadable,
    RegisterVersion,
    SkidwrightError,
    UnknownAsset,
)
from skidwright.register import (
    AssetRecord,
    Component,
    CostRange,
    Event,
    Paper,
    Receipt,
    Register,
    database,
    known_assets,
)

MARCH_2 = 1_772_409_600_000  # 2026-03-02T00:00:00Z, by date -d
FULL = AssetRecord(
    12, "Ramp", "bow ramp, 250 L", "ISO VG 46", 46.0, 6.8, 7.3, 1600.0, 250.0, "return line", 200.0, 10.0,
    datetime.date(2026, 1, 5), (19, 17, 14), 11, 50.0, 5.0, "before the filter", 168.0, "two\nlines, ä",
    (Component("servo valve", 210.0, "spool 4 um"), Component("vane pump")),
)  # fmt: skip


def test_what_is_put_in_is_read_back(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put([FULL, AssetRecord(3)])
        event = Event(12, MARCH_2, "top-up", "from drum 4", 20.0, 0.5, 80.0)
        number = register.add_event(event)
        paper = Paper(
            "certificate", MARCH_2, 12, "ab" * 32, "papers/1.html", {"code": [17, 15, 12], "é": None}
        )
        register.add_paper(paper)
        receipt = Receipt(MARCH_2, None, "drum 4", (16, 14, 11), False, {"reasons": ["x"]})
        register.add_receipt(receipt)
        cost = CostRange("fluid_per_l", 2.0, 3.0, 7.5, 12)
        register.put_cost(cost)
    with Register.open(tmp_path) as register:
        assert register.assets() == [AssetRecord(3), FULL]
        assert register.asset(12) == FULL and register.asset(4) is None
        (found,) = register.events(12)
        assert found == Event(**{**event.__dict__, "id": number})
        assert found.words == "topped up, 20 L: from drum 4"
        assert register.papers() == register.papers(12) == [Paper(**{**paper.__dict__, "id": 1})]
        assert register.papers(3) == [] and register.events(3) == []
        assert register.receipts() == [Receipt(**{**receipt.__dict__, "id": 1})]
        assert register.costs(12) == [cost] and register.costs(3) == []


def test_reading_where_there_is_none_finds_nothing_and_makes_nothing(tmp_path: Path) -> None:
    with Register.open(tmp_path) as register:
        assert register.assets() == register.events() == register.papers() == []
        with pytest.raises(RegisterError):
            register.put(FULL)
    assert list(tmp_path.iterdir()) == []


def test_entering_an_asset_again_replaces_it_and_keeps_its_events(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put(FULL)
        register.add_event(Event(12, MARCH_2, "repair"))
        register.put(AssetRecord(12, "Ramp unit"))
        assert register.assets() == [AssetRecord(12, "Ramp unit")]
        assert len(register.events(12)) == 1
        register.ensure(12)
        assert register.asset(12) == AssetRecord(12, "Ramp unit")


def test_a_removed_asset_takes_its_events_along_but_no_papers(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put(FULL)
        register.add_event(Event(12, MARCH_2, "repair"))
        register.add_paper(Paper("certificate", MARCH_2, 12, "", ""))
        register.remove(12)
        assert register.assets() == register.events() == []
        assert len(register.papers(12)) == 1
        with pytest.raises(UnknownAsset):
            register.remove(12)


def test_a_changed_filter_has_its_day(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put(AssetRecord(1))
        register.add_event(Event(1, MARCH_2, "filter"))
        assert register.asset(1).filter_fitted == datetime.date(2026, 3, 2)
        register.add_event(Event(1, MARCH_2 - 86_400_000, "filter"))  # told later, done before
        assert register.asset(1).filter_fitted == datetime.date(2026, 3, 2)


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (AssetRecord(0), "asset 0: number"),
        (AssetRecord(65536), "1 to 65535"),
        (AssetRecord(1, volume_l=float("nan")), "volume_l"),
        (AssetRecord(1, water_limit_percent=101.0), "0 to 100 %"),
        (AssetRecord(1, target=(18, 20, 13)), "target"),
        (AssetRecord(1, name="a\x07b"), "name"),
        (AssetRecord(1, name="x" * 201), "name"),
        (AssetRecord(1, water_a=7.1), "water_b"),
        (AssetRecord(1, components=(Component(""),)), "components"),
        (AssetRecord(1, components=(Component("pump", -1.0),)), "bar"),
    ],
)
def test_values_that_cannot_be_are_refused_by_name(tmp_path: Path, record: AssetRecord, words: str) -> None:
    with Register.open(tmp_path, write=True) as register:
        with pytest.raises(RegisterError, match=words):
            register.put([AssetRecord(7), record])
        assert register.assets() == []


def test_events_that_cannot_be_are_refused(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put(AssetRecord(1))
        for event in (
            Event(1, MARCH_2, "moved"),
            Event(1, -1, "other"),
            Event(1, MARCH_2, "top-up", "", -3.0),
        ):
            with pytest.raises(RegisterError, match="event of asset 1"):
                register.add_event(event)
        with pytest.raises(UnknownAsset, match="asset 2"):
            register.add_event(Event(2, MARCH_2, "other"))
        assert register.events() == []


def test_a_transaction_is_all_or_nothing(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        with pytest.raises(ZeroDivisionError), register.transaction():
            register.put(FULL)
            register.add_event(Event(12, MARCH_2, "repair"))
            raise ZeroDivisionError
        assert register.assets() == register.events() == []


def test_only_one_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("skidwright.register.database.WAIT_S", 0.05)
    with Register.open(tmp_path, write=True) as register:
        register.put(FULL)
        # filelock is re-entrant for one object only; another one stands for another process
        with pytest.raises(RegisterBusy, match="another skidwright"):
            Register.open(tmp_path, write=True)
        with Register.open(tmp_path) as reader:
            assert len(reader.assets()) == 1
    with filelock.FileLock(tmp_path / "register.sqlite.lock", timeout=0), pytest.raises(RegisterBusy):
        Register.open(tmp_path, write=True)
    with Register.open(tmp_path, write=True) as register:
        register.put(AssetRecord(1))


def test_another_program_that_holds_the_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("skidwright.register.database.WAIT_S", 0.05)
    Register.open(tmp_path, write=True).close()
    other = sqlite3.connect(tmp_path / "register.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(RegisterBusy, match="another program"):
        Register.open(tmp_path)
    other.close()


def test_what_is_no_register_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "register.sqlite"
    for write in (False, True):
        path.write_bytes(b"to whom it may concern\n" * 100)
        before = path.read_bytes()
        with pytest.raises(RegisterUnreadable, match="register.sqlite"):
            Register.open(tmp_path, write).assets()
        assert path.read_bytes() == before
        path.unlink()
        (tmp_path / "archive.json").write_text('{"format": 1}\n')
        sqlite3.connect(path).execute("CREATE TABLE photos (name)").connection.close()
        with pytest.raises(RegisterUnreadable, match="something else"):
            Register.open(tmp_path, write)
        path.unlink()


def test_a_newer_register_is_refused_untouched(tmp_path: Path) -> None:
    Register.open(tmp_path, write=True).close()
    path = tmp_path / "register.sqlite"
    other = sqlite3.connect(path)
    other.execute(f"PRAGMA user_version = {database.VERSION + 1}")
    other.close()
    before = path.read_bytes()
    for write in (False, True):
        with pytest.raises(RegisterVersion, match=f"version {database.VERSION + 1}"):
            Register.open(tmp_path, write)
    assert path.read_bytes() == before


def test_a_damaged_register_is_an_error_of_ours(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put([AssetRecord(n, notes="x" * 3000) for n in range(1, 60)])
    path = tmp_path / "register.sqlite"
    data = bytearray(path.read_bytes())
    for at in range(4096, len(data), 4096):
        data[at : at + 64] = os.urandom(64)
    path.write_bytes(data)
    with pytest.raises(RegisterUnreadable), Register.open(tmp_path) as register:
        register.assets()


def test_a_value_that_another_program_spoilt_is_named(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put(FULL)
    other = sqlite3.connect(tmp_path / "register.sqlite")
    other.execute("UPDATE assets SET target = 'clean'")
    other.commit()
    with Register.open(tmp_path) as register, pytest.raises(RegisterUnreadable, match="asset 12"):
        register.assets()
    other.execute("UPDATE assets SET target = NULL")
    other.execute("INSERT INTO papers VALUES (1, 'x', 1, 12, '', '', 'no json')")
    other.commit()
    other.close()
    with Register.open(tmp_path) as register, pytest.raises(RegisterUnreadable, match="papers, entry 1"):
        register.papers()


def test_a_folder_of_something_else_gets_no_register(tmp_path: Path) -> None:
    (tmp_path / "photo.jpg").write_bytes(b"x")
    with pytest.raises(ArchiveError, match="something else"):
        Register.open(tmp_path, write=True)
    assert [path.name for path in tmp_path.iterdir()] == ["photo.jpg"]


def test_foreign_keys_hold(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register, pytest.raises(sqlite3.IntegrityError):
        register._database.execute("INSERT INTO components VALUES (99, 0, 'pump', NULL, '')")


WRITER = """
import os, sys, time
from skidwright.register import AssetRecord, Register
register = Register.open(sys.argv[1], write=True)
register._database.execute("PRAGMA cache_size = 5")  # so that pages reach the file before the commit
with register.transaction():
    for n in range(1, 400):
        register.put(AssetRecord(n, "half done", notes="y" * 3000))
    print("in the middle", flush=True)
    time.sleep(60)
"""


def test_a_writer_killed_in_mid_transaction_leaves_what_was_there(tmp_path: Path) -> None:
    before = [AssetRecord(n, f"asset {n}", notes="x" * 3000) for n in range(1, 200)]
    with Register.open(tmp_path, write=True) as register:
        register.put(before)
    size = (tmp_path / "register.sqlite").stat().st_size
    with subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"in the middle\n"
        assert (tmp_path / "register.sqlite").stat().st_size > size  # it did write into the file
        assert (tmp_path / "register.sqlite-journal").exists()
        process.send_signal(signal.SIGKILL)
        process.wait()
    with Register.open(tmp_path) as register:
        assert register.assets() == before
    with Register.open(tmp_path, write=True) as register:  # its lock died with it
        register.put(AssetRecord(500))
        assert register.assets() == [*before, AssetRecord(500)]
        assert register._database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_register_wins_and_skid_toml_fills_in(tmp_path: Path) -> None:
    given = Config(
        assets={
            12: Asset(12, "Ramp hydraulic unit", "power pack", "VG 46", (20, 18, 15), 50, 5, 7.0, 1500),
            11: Asset(11, "Thruster"),
        }
    )
    assert known_assets(given, tmp_path).config == given
    with Register.open(tmp_path, write=True) as register:
        register.put(AssetRecord(12, "Ramp", target=(19, 17, 14), interval_h=168, water_a=7.3, water_b=1600))
        register.put(AssetRecord(20, "Crane"))
    known = known_assets(given, tmp_path)
    assert list(known) == [12, 11, 20]
    assert known[12] == AssetRecord(
        12, "Ramp", "power pack", "VG 46", target=(19, 17, 14), water_limit_percent=50, coldest_c=5,
        interval_h=168, water_a=7.3, water_b=1600,
    )  # fmt: skip
    assert known.config.asset(12) == Asset(12, "Ramp", "power pack", "VG 46", (19, 17, 14), 50, 5, 7.3, 1600)
    assert known.config.asset(11).name == "Thruster" and known.config.asset(20).name == "Crane"
    assert known.sources[12]["name"] == "register" and known.sources[12]["coldest_c"] == "skid.toml"
    assert "volume_l" not in known.sources[12]
    assert known.asset(99) == AssetRecord(99)


def test_without_a_register_known_assets_are_those_of_skid_toml() -> None:
    given = config.load(Path(__file__).resolve().parents[2] / "docs" / "skid.toml")
    began = time.perf_counter()
    known = known_assets(given, "/nowhere")
    assert time.perf_counter() - began < 0.1
    assert known.config == given


PAIRS = """
import sys
from skidwright.register import AssetRecord, Event, Register
register = Register.open(sys.argv[1], write=True)
n = max((record.number for record in register.assets()), default=0)
print("writing", flush=True)
while True:
    n += 1
    with register.transaction():
        register.put(AssetRecord(n, notes="z" * 2000))
        register.add_event(Event(n, 1, "repair"))
    print(n, flush=True)
"""


def test_writers_killed_at_any_moment_lose_nothing_that_was_committed(tmp_path: Path) -> None:
    kills, said = 12, 0
    for kill in range(kills):
        with subprocess.Popen(
            [sys.executable, "-c", PAIRS, str(tmp_path)], stdout=subprocess.PIPE
        ) as process:
            assert process.stdout.readline() == b"writing\n"
            for _ in range(3):
                process.stdout.readline()
            time.sleep(0.003 * kill)
            process.send_signal(signal.SIGKILL)
            told = process.stdout.read().split()
            process.wait()
        with Register.open(tmp_path) as register:
            numbers = [record.number for record in register.assets()]
            assert numbers == [event.asset for event in register.events()] == list(range(1, len(numbers) + 1))
            assert len(numbers) >= max(said, int(told[-1]) if told else said)
            said = len(numbers)
            assert register._database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    print(f"figure: register: writer killed {kills} times, {said} transactions, none lost or halved")


def test_a_full_disk_leaves_the_register_as_it_was(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put(FULL)
        # SQLite's own limit gives the error of a full disk
        pages = register._database.execute("PRAGMA page_count").fetchone()[0]
        register._database.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(DiskFull, match="as it was"):
            register.put([AssetRecord(n, notes="x" * 4000) for n in range(20, 40)])
        assert register.assets() == [FULL]


def test_an_empty_file_is_an_empty_register(tmp_path: Path) -> None:
    (tmp_path / "register.sqlite").touch()
    with Register.open(tmp_path) as register:
        assert register.assets() == []
    assert (tmp_path / "register.sqlite").stat().st_size == 0
    (tmp_path / "archive.json").write_text('{"format": 1}\n')
    with Register.open(tmp_path, write=True) as register:
        register.put(FULL)
        assert register.assets() == [FULL]


def test_two_hundred_assets_are_known_at_once(tmp_path: Path) -> None:
    parts = (Component("servo valve", 210.0), Component("vane pump", 70.0), Component("cylinder", 210.0))
    with Register.open(tmp_path, write=True) as register:
        register.put([dataclasses.replace(FULL, number=n, components=parts) for n in range(1, 201)])
    given = Config(assets={n: Asset(n, f"asset {n}") for n in range(1, 201)})
    took = []
    for _ in range(5):
        began = time.perf_counter()
        assert len(known_assets(given, tmp_path)) == 200
        took.append(time.perf_counter() - began)
    print(f"figure: register: 200 assets with three components known in {1000 * min(took):.0f} ms")
    assert min(took) < 1.0


def test_whatever_a_bad_disk_makes_of_it_is_an_error_of_ours(tmp_path: Path) -> None:
    with Register.open(tmp_path, write=True) as register:
        register.put([dataclasses.replace(FULL, number=n) for n in range(1, 20)])
        register.add_event(Event(3, MARCH_2, "filter"))
        register.add_paper(Paper("certificate", MARCH_2, 3, "d", "p", {"a": 1}))
        register.put_cost(CostRange("first_cost", 1, 2, 3, 3))
    path = tmp_path / "register.sqlite"
    good = path.read_bytes()
    # the text of the tables' columns stands in the first page: a changed name there is the hardest to foresee
    rng = random.Random(1)
    places = [rng.randrange(len(good)) for _ in range(100)] + [rng.randrange(100, 4096) for _ in range(60)]
    refused = 0
    for at in places:
        path.write_bytes(good[:at] + bytes([rng.randrange(32, 127)]) + good[at + 1 :])
        try:
            with Register.open(tmp_path) as register:
                register.assets()
                for event in register.events():
                    assert event.words and event.when
                register.papers()
                register.costs(3)
        except SkidwrightError as error:
            refused += 1
            assert "\n" not in str(error)
    assert refused > 10
