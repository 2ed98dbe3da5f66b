"""Files that anybody may have written, given to the commands that read one: bounded, believed no further.

Every reader's memory is measured by `tracemalloc` on a device that never ends, against a bound of its own.
"""

import json
import sqlite3
import tracemalloc
import zipfile
from pathlib import Path

import pytest
import synthetic_log as sl
from command_line import one_line, run  # noqa: F401  (fixtures)
from skidboard import records
from skidwright import config
from skidwright.archive import salvage as salvaging
from skidwright.archive.folder import Archive
from skidwright.archive.log_file import LogWriter
from skidwright.calibration.flow import read_runs
from skidwright.errors import ArchiveUnreadable, BackupError, ConfigError
from skidwright.log import seal
from skidwright.log.dataset import decode
from skidwright.papers import certificate
from skidwright.register import backup, kept_calibrations
from skidwright.tuning import tuning_file

ENDLESS = Path("/dev/zero")
needs_zero = pytest.mark.skipif(not ENDLESS.exists(), reason="no /dev/zero here")
SEGMENT, HEAD, SLOT = records.SEGMENT_BYTES, records.HEADER_BYTES, records.RECORD_BYTES
READERS = {  # what reads, and how many MB it may take at most
    "salvage --image": (salvaging.read_image, 140),
    "backup --calibration": (lambda path: kept_calibrations.found_in([], [path]), 4),
    "kept calibrations": (lambda path: kept_calibrations.read([path]), 4),
    "calibrate --runs": (read_runs, 4),
    "restore": (backup.read, 4),
    "skid.toml": (config.load, 4),
    "verify": (certificate.read, 10),
    "--key": (seal.read_key, 1),
    "tuning.json": (tuning_file.load, 140),
}


@needs_zero
@pytest.mark.parametrize("name", READERS)
def test_a_reader_of_an_endless_file_stays_within_its_bound(name):
    read, most_mb = READERS[name]
    tracemalloc.start()
    try:
        with pytest.raises(Exception) as refused:  # noqa: PT011, B017  (which one is below)
            read(ENDLESS)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert isinstance(refused.value, (OSError,)) or type(refused.value).__module__ == "skidwright.errors"
    assert 0 < peak < most_mb << 20, f"{peak / (1 << 20):.0f} MB"


@needs_zero
def test_an_endless_archive_json_is_refused(tmp_path):
    (tmp_path / "archive.json").symlink_to(ENDLESS)
    with pytest.raises(ArchiveUnreadable, match="not a file of skidwright"):
        Archive.open(tmp_path)


@needs_zero
def test_commands_refuse_endless_files_in_one_line(run, one_line):  # noqa: F811
    one_line(run("salvage", "--image", ENDLESS), "too large for the flash")
    one_line(run("restore", ENDLESS), "no backup")
    one_line(run("backup", "kept.zip", "--calibration", ENDLESS), "no file of `skidwright calibrate`")
    facts = ("--density", "0.86", "--by", "A", "--reference", "B", "--due", "2030-01-01")
    one_line(run("calibrate", "flow", "--runs", ENDLESS, *facts), "without an end")


def _manifest(**files: bytes) -> dict[str, object]:
    import hashlib

    rows = {n: {"bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for n, d in files.items()}
    return {"format": 2, "skidwright": "0.1.0", "utc": "2026-01-01T00:00:00Z", "files": rows}


def _zip(path: Path, manifest: dict[str, object], files: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("manifest.json", json.dumps(manifest))
        for name, data in files.items():
            bundle.writestr(name, data)
    return path


def test_a_small_backup_that_unpacks_to_gigabytes_is_refused_unpacked_no_further(tmp_path, monkeypatch):
    monkeypatch.setattr(backup, "_MOST_BYTES", 20 << 20)  # of 288 MB, which takes long to pack
    files = {f"calibrations/c{i}.json": bytes(1 << 20) for i in range(21)}
    path = _zip(tmp_path / "bomb.zip", _manifest(**files), files)
    assert path.stat().st_size < 1 << 20
    tracemalloc.start()
    try:
        with pytest.raises(BackupError, match="beyond all measure"):
            backup.read(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 4 << 20


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER evil AFTER INSERT ON papers BEGIN DELETE FROM papers; END",
        "CREATE TABLE elsewhere (x)",
        "CREATE VIEW seen AS SELECT * FROM papers",
        "CREATE INDEX slow ON papers (content)",
    ],
)
def test_a_register_with_triggers_or_tables_of_others_is_not_restored(run, one_line, tmp_path, statement):  # noqa: F811
    assert run("asset", "add", 5, "--archive", tmp_path / "a").status == 0
    database = sqlite3.connect(next((tmp_path / "a").glob("*.sqlite")))
    with database:
        database.execute(statement)
    database.close()
    assert run("backup", "kept.zip", "--archive", tmp_path / "a").status == 2
    data = next((tmp_path / "a").glob("*.sqlite")).read_bytes()
    path = _zip(tmp_path / "kept.zip", _manifest(**{"register.sqlite": data}), {"register.sqlite": data})
    answer = run("restore", path, "--archive", tmp_path / "b")
    one_line(answer, "holds what none has", statement.split()[2])
    assert not (tmp_path / "b").exists()


def test_what_a_backup_says_of_itself_steers_no_terminal(run, tmp_path):  # noqa: F811
    manifest = _manifest(**{"skid.toml": b"note = 'x'\n"}) | {"utc": "\x1b[2J\x07now"}
    answer = run("restore", _zip(tmp_path / "kept.zip", manifest, {"skid.toml": b"note = 'x'\n"}), "--verify")
    assert answer.status == 0 and "?[2J?now" in answer.out and "\x1b" not in answer.out


def test_what_an_archive_says_of_itself_steers_no_terminal(run, tmp_path):  # noqa: F811
    path = tmp_path / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    path.write_bytes(sl.good_log(40))
    (tmp_path / "archive" / "archive.json").write_text('{"format": 1, "salvaged_from": "\\u001b[2Jx"}')
    answer = run("check", "--archive", tmp_path / "archive")
    assert "?[2Jx" in answer.out and "\x1b" not in answer.out
    refused = run("receive", "--asset", 1, "--fluid", "\x1b[2Jx", "--archive", tmp_path / "archive")
    assert refused.status == 2 and "printable" in refused.err and "\x1b" not in refused.err


@pytest.mark.parametrize("content", [b"hello", b"a diary\n" * 700, bytes(range(1, 255)) * 40])
def test_a_foreign_file_under_a_logs_name_is_refused_and_left_as_it_is(tmp_path, content):
    path = tmp_path / "5eed0001.skidlog"
    path.write_bytes(content)
    with pytest.raises(ArchiveUnreadable, match="no segment in it can be recognised"):
        LogWriter(path).position()
    assert path.read_bytes() == content


@pytest.mark.parametrize("left", [b"", b"SK", bytes(5000), sl.good_log(30)[:70], sl.good_log(30) + b"\0" * 9])
def test_what_an_interruption_leaves_of_a_log_is_still_put_right(tmp_path, left):
    path = tmp_path / "5eed0001.skidlog"
    path.write_bytes(left)
    with LogWriter(path) as writer:
        assert writer.size in (0, 64, len(sl.good_log(30)))


@pytest.mark.parametrize(
    "text, words",
    [
        ("[board]\nrest_s = 99999999999999999999\n", ("board.rest_s", "beyond 64 bits")),
        ("[[asset]]\nnumber = 1\n[[asset]]\nnumber = 99999999999999999999\n", ("asset 2.number",)),
        (f"\n\n[board]\nrest_s = {'9' * 5000}\n", ("line 4", "5,000 digits")),
    ],
)
def test_a_number_too_large_in_skid_toml_is_refused_with_its_place(tmp_path, text, words):
    (tmp_path / "skid.toml").write_text(text)
    with pytest.raises(ConfigError) as refused:
        config.load(tmp_path / "skid.toml")
    assert all(word in str(refused.value) for word in words), refused.value


def test_a_byte_order_mark_before_skid_toml_is_passed_over(tmp_path):
    (tmp_path / "skid.toml").write_bytes(b"\xef\xbb\xbf[[asset]]\nnumber = 7\n")
    assert 7 in config.load(tmp_path / "skid.toml").assets


@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_no_uncertainty_is_no_number(run, one_line, value):  # noqa: F811
    facts = ("--by", "A", "--reference", "B", "--due", "2030-01-01")
    runs = [word for k in range(3) for word in ("--run", 900 + k, 150, 200)]
    for option in ("--density-u", "--balance-u", "--density"):
        given = {"--density": 0.86, option: value}
        words = [word for pair in given.items() for word in pair]
        one_line(run("calibrate", "flow", *runs, *words, *facts), "not a finite number")
    points = ("--point", 4, 4.01, "--point", 12, 12.01, "--point", 20, 20.01)
    one_line(run("calibrate", "loop", *points, "--reference-u", value, *facts), "not a finite number")
    one_line(run("calibrate", "loop", "--point", 4, value, *facts), "not a finite number")
    assert run("calibrate", "loop", *points, *facts).status == 0, "the defaults are taken"


def test_a_misspelt_archive_is_no_empty_one(run, one_line, tmp_path):  # noqa: F811
    one_line(run("asset", "list", "--archive", tmp_path / "arxive"), "arxive", "no such folder")
    assert run("asset", "list").status == 0, "the place for users' data may still be empty"


def test_a_list_of_thousands_of_machines_has_them_all(run, tmp_path):  # noqa: F811
    with sqlite3.connect(":memory:"):
        assert run("asset", "add", 1, "--archive", tmp_path / "a").status == 0
    database = sqlite3.connect(next((tmp_path / "a").glob("*.sqlite")))
    with database:
        database.executemany("INSERT INTO assets (number, name) VALUES (?, ?)",
                             [(n, f"mill {n}") for n in range(2, 5001)])  # fmt: skip
    database.close()
    lines = run("asset", "list", "--archive", tmp_path / "a").out.splitlines()
    assert len(lines) == 5001 and lines[-1].split()[:3] == ["5000", "mill", "5000"]
    assert lines[0].split()[:2] == ["asset", "name"]


def _segment(number, rows, digest):
    return sl.log_bytes(rows, first_segment=number, previous_digest=digest)


def test_salvage_keeps_the_copy_that_the_next_digest_proves(tmp_path):
    import hashlib

    true = _segment(0, sl.samples(28, seed=1), bytes(32))
    false = _segment(0, sl.samples(28, seed=2), bytes(32))
    after = _segment(1, sl.samples(9, seed=3, first_seq=28), hashlib.sha256(true).digest())
    for image in (false + true + after, true + false + after, after.ljust(SEGMENT, b"\xff") + false + true):
        place = Archive.create(tmp_path / str(len(list(tmp_path.iterdir()))), "a test")
        (log,) = salvaging.salvage(image, place)
        raw = place.log_path(log.device, log.log).read_bytes()
        assert raw[:SEGMENT] == true and (log.proven, log.contradicted) == (1, 1)
        assert decode(raw).report.ok


def test_salvage_of_no_record_is_none(run, one_line, tmp_path):  # noqa: F811
    header = bytearray(HEAD)
    records.pack_header(header, 1, sl.DEVICE, sl.LOG, 1, 0, bytes(32))
    image = tmp_path / "flash.img"
    image.write_bytes(bytes(header).ljust(SEGMENT, b"\xff") * 3)
    one_line(run("salvage", "--image", image, "-o", tmp_path / "out"), "no record of a log is left")
    assert not (tmp_path / "out").exists()
