"""A backup brings back what was there, and a spoilt one is refused before anything is written."""

import hashlib
import json
import sqlite3
import zipfile
from pathlib import Path

import pytest
from skidwright.errors import BackupError, RegisterError
from skidwright.register import AssetRecord, Event, Paper, Register, backup, kept_calibrations

MARCH_2 = 1_772_409_600_000
CALIBRATION = b'{"kind": "skidwright calibration", "format": 1}'
TOML = b'[[asset]]\nnumber = 1\nname = "x"\n'


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    with Register.open(folder, write=True) as register:
        register.put([AssetRecord(n, f"asset {n}", notes="kept") for n in range(1, 30)])
        register.add_event(Event(3, MARCH_2, "filter"))
        register.add_paper(Paper("certificate", MARCH_2, 3, "d", "p", {"a": 1}))
    return folder


@pytest.fixture
def kept(archive: Path, tmp_path: Path) -> Path:
    (tmp_path / "skid.toml").write_bytes(TOML)
    backup.write(tmp_path / "b.zip", archive, tmp_path / "skid.toml")
    return tmp_path / "b.zip"


def content(folder: Path) -> list[object]:
    with Register.open(folder) as register:
        return [register.assets(), register.events(), register.papers()]


def test_what_was_backed_up_comes_back(archive: Path, kept: Path, tmp_path: Path) -> None:
    found = backup.read(kept)
    assert (found.assets, found.events, found.papers) == (29, 1, 1)
    written = backup.restore(found, tmp_path / "new", tmp_path / "new" / "skid.toml")
    assert written == [tmp_path / "new" / "register.sqlite", tmp_path / "new" / "skid.toml"]
    assert content(tmp_path / "new") == content(archive)
    assert (tmp_path / "new" / "skid.toml").read_bytes() == TOML


def test_calibrations_come_back_beside_skid_toml(archive: Path, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    shop.mkdir()
    (shop / "skid.toml").write_bytes(TOML)
    (shop / "calibration-flow-20260302.json").write_bytes(CALIBRATION)
    (shop / "other.json").write_text("[1]")
    (shop / "broken.json").write_text('{"kind": "skidwright calibration"')
    found = kept_calibrations.found_in([shop, shop])
    assert [path.name for path in found] == ["calibration-flow-20260302.json"]
    backup.write(tmp_path / "b.zip", archive, shop / "skid.toml", found)
    kept = backup.read(tmp_path / "b.zip")
    assert kept.calibrations == {"calibration-flow-20260302.json": CALIBRATION}
    new = tmp_path / "new"
    written = backup.restore(kept, new / "archive", new / "skid.toml")
    assert written[-1] == new / "calibration-flow-20260302.json"
    assert written[-1].read_bytes() == CALIBRATION
    assert backup.restore(kept, new / "archive", new / "skid.toml")[2:] == []  # the same is there already
    written[-1].write_bytes(CALIBRATION + b"\n")
    with pytest.raises(BackupError, match="calibration-flow-20260302.json: something else is there"):
        backup.restore(kept, new / "archive", new / "skid.toml")
    backup.restore(kept, new / "archive", new / "skid.toml", overwrite=True)
    assert (new / "calibration-flow-20260302.json").read_bytes() == CALIBRATION


def test_calibrations_that_cannot_be_told_apart_or_are_none(tmp_path: Path) -> None:
    for folder, more in (("a", b""), ("b", b"\n")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "c.json").write_bytes(CALIBRATION + more)
    with pytest.raises(BackupError, match="differ.*rename"):
        kept_calibrations.read(kept_calibrations.found_in([tmp_path / "a", tmp_path / "b"]))
    (tmp_path / "x.json").write_text("{}")
    with pytest.raises(BackupError, match="no file of"):
        kept_calibrations.found_in([], [tmp_path / "x.json"])


def test_a_backup_of_format_1_is_still_read(tmp_path: Path) -> None:
    row = {"bytes": len(TOML), "sha256": hashlib.sha256(TOML).hexdigest()}
    forged(tmp_path / "b.zip", {"format": 1, "utc": "u", "files": {"skid.toml": row}}, skid__toml=TOML)
    assert backup.read(tmp_path / "b.zip").skid_toml == TOML


def test_a_backup_is_taken_while_somebody_writes(archive: Path, tmp_path: Path) -> None:
    before = content(archive)
    with Register.open(archive, write=True) as register, register.transaction():
        register.put(AssetRecord(99))
        backup.write(tmp_path / "b.zip", archive, None)
    backup.restore(backup.read(tmp_path / "b.zip"), tmp_path / "new", tmp_path / "skid.toml")
    assert content(tmp_path / "new") == before


def test_what_is_there_is_not_overwritten_unless_told(archive: Path, kept: Path, tmp_path: Path) -> None:
    found = backup.read(kept)
    here = tmp_path / "skid.toml"
    backup.restore(found, archive, here)  # nothing differs
    with Register.open(archive, write=True) as register:
        register.put(AssetRecord(3, "newer"))
    now = content(archive)
    with pytest.raises(BackupError, match="register.sqlite: something else is there"):
        backup.restore(found, archive, here)
    with pytest.raises(BackupError, match="skid.toml: something else is there"):
        here.write_bytes(b"# mine\n")
        backup.restore(found, tmp_path / "new", here)
    assert content(archive) == now and here.read_bytes() == b"# mine\n"
    assert not (tmp_path / "new").exists()
    backup.restore(found, archive, here, overwrite=True)
    assert content(archive)[0][2].name == "asset 3" and here.read_bytes() == TOML


def test_a_damaged_register_is_replaced_and_kept_aside(archive: Path, kept: Path, tmp_path: Path) -> None:
    before = content(archive)
    path = archive / "register.sqlite"
    path.write_bytes(b"nonsense" * 1000)
    with pytest.raises(RegisterError):
        backup.restore(backup.read(kept), archive, tmp_path / "skid.toml")
    backup.restore(backup.read(kept), archive, tmp_path / "skid.toml", overwrite=True)
    assert content(archive) == before
    assert (archive / "register.sqlite.damaged").read_bytes() == b"nonsense" * 1000


def test_every_flipped_byte_is_harmless_or_noticed(archive: Path, kept: Path, tmp_path: Path) -> None:
    good, found = kept.read_bytes(), backup.read(kept)
    noticed = 0
    for at in range(0, len(good), 7):
        kept.write_bytes(good[:at] + bytes([good[at] ^ 0x41]) + good[at + 1 :])
        try:
            again = backup.read(kept)
        except BackupError as error:
            noticed += 1
            assert "\n" not in str(error)
        else:
            # a byte of the ZIP itself that says nothing of the content: dates, attributes
            assert (again.register, again.skid_toml) == (found.register, found.skid_toml), at
    assert noticed > len(good) // 7 * 0.9


@pytest.mark.parametrize("length", [0, 10, 500, -1, -30])
def test_a_cut_backup_is_refused(kept: Path, length: int) -> None:
    kept.write_bytes(kept.read_bytes()[:length])
    with pytest.raises(BackupError, match="b.zip"):
        backup.read(kept)


def forged(path: Path, manifest: object, **files: bytes) -> None:
    with zipfile.ZipFile(path, "w") as bundle:
        bundle.writestr("manifest.json", json.dumps(manifest))
        for name, data in files.items():
            bundle.writestr(name.replace("__", "."), data)


def test_forged_backups_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "b.zip"

    def row(data: bytes) -> dict[str, object]:
        return {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}

    forged(path, {"format": 3, "files": {}})
    with pytest.raises(BackupError, match="format 3"):
        backup.read(path)
    forged(path, {"format": 1, "files": {"skid.toml": row(b"a")}}, skid__toml=b"b")
    with pytest.raises(BackupError, match="SHA-256 differs"):
        backup.read(path)
    forged(path, {"format": 1, "files": {"../x": row(b"a")}}, **{"../x": b"a"})
    with pytest.raises(BackupError, match="not those of its manifest"):
        backup.read(path)
    for name in ("calibrations/../x.json", "calibrations/.x.json", "calibrations/x.sh", "calibrations/"):
        forged(path, {"format": 2, "files": {name: row(CALIBRATION)}}, **{name: CALIBRATION})
        with pytest.raises(BackupError, match="not those of its manifest"):
            backup.read(path)
    forged(
        path, {"format": 2, "files": {"calibrations/x.json": row(b"{}")}}, **{"calibrations/x.json": b"{}"}
    )
    with pytest.raises(BackupError, match="x.json in it is no calibration"):
        backup.read(path)
    for manifest in ([], None, {"format": 1}, {"format": 1, "files": 3}):
        forged(path, manifest)
        with pytest.raises(BackupError):
            backup.read(path)
    for data, words in ((b"no database" * 100, "register in it"), (newer(tmp_path), "version 99")):
        forged(path, {"format": 1, "files": {"register.sqlite": row(data)}}, register__sqlite=data)
        with pytest.raises(BackupError, match=words) as caught:
            backup.read(path)
        assert "b.zip" in str(caught.value) and "/tmp/tmp" not in str(caught.value)


def newer(folder: Path) -> bytes:
    Register.open(folder / "newer", write=True).close()
    path = folder / "newer" / "register.sqlite"
    database = sqlite3.connect(path)
    database.execute("PRAGMA user_version = 99")
    database.close()
    return path.read_bytes()


def test_nothing_to_back_up(tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="neither"):
        backup.write(tmp_path / "b.zip", tmp_path, None)
    assert list(tmp_path.iterdir()) == []
