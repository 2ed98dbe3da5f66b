"""A backup of what cannot be rebuilt from the raw segments: register, skid.toml, files of calibrations.

One ZIP file of

    manifest.json      {"format": 2, "skidwright": version, "utc": ..., "files": {name: {"bytes", "sha256"}}}
    register.sqlite    a consistent copy, by SQLite's online backup
    skid.toml          as it stood
    calibrations/NAME  what `skidwright calibrate` wrote, as it stood; not in format 1
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from skidboard import VERSION

from skidwright.archive.folder import Archive
from skidwright.calibration.document import is_calibration
from skidwright.errors import BackupError, RegisterError, printable
from skidwright.register import database as db
from skidwright.register import kept_calibrations
from skidwright.register.model import FILE_NAME
from skidwright.register.register import Register
from skidwright.whole_file import read_at_most, write_whole

FORMAT = 2
READABLE = (1, 2)
MANIFEST = "manifest.json"
SKID_TOML = "skid.toml"
_LIMITS = {FILE_NAME: 1 << 28, SKID_TOML: 1 << 20, MANIFEST: 1 << 16}
# What all its files may come to: a small file that unpacks to gigabytes is no backup.
_MOST_BYTES = (1 << 28) + (32 << 20)


@dataclass(frozen=True)
class Backup:
    """A backup whose digests hold. `assets`, `events`, `papers`: how many its register has."""

    utc: str
    skidwright: str
    register: bytes | None
    skid_toml: bytes | None
    assets: int = 0
    events: int = 0
    papers: int = 0
    calibrations: dict[str, bytes] = field(default_factory=dict)


def write(target: Path, archive: Path, skid_toml: Path | None, calibrations: Sequence[Path] = ()) -> Backup:
    """Write a backup of the register of `archive`, `skid_toml` and `calibrations` to `target`, whole or not.

    Raises BackupError when there is none of them, RegisterError and OSError.
    """
    contents: dict[str, bytes] = {}
    if (archive / FILE_NAME).exists():
        with Register.open(archive) as register, tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / FILE_NAME
            register.copy_to(copy)
            contents[FILE_NAME] = copy.read_bytes()
    if skid_toml is not None:
        contents[SKID_TOML] = read_at_most(skid_toml, _LIMITS[SKID_TOML])
    for name, data in kept_calibrations.read(calibrations).items():
        contents[kept_calibrations.FOLDER + name] = data
    if not contents:
        raise BackupError(
            "there is neither a register nor a skid.toml nor a calibration", str(archive),
            "begin with `skidwright asset add`",
        )  # fmt: skip
    files = {name: {"bytes": len(data), "sha256": _digest(data)} for name, data in contents.items()}
    utc = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    manifest = {"format": FORMAT, "skidwright": VERSION, "utc": utc, "files": files}
    with tempfile.TemporaryFile() as packed:
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as bundle:
            bundle.writestr(MANIFEST, json.dumps(manifest, indent=2) + "\n")
            for name, data in contents.items():
                bundle.writestr(name, data)
        packed.seek(0)
        write_whole(target, packed.read())
    return read(target)


def read(path: Path) -> Backup:
    """The backup at `path`, every digest tried and its register opened. Raises BackupError and OSError."""
    if path.exists() and (not path.is_file() or path.stat().st_size > _MOST_BYTES):
        # zipfile looks for the end of it, which a device does not have
        raise BackupError("no backup of skidwright, or a damaged one", str(path), _OTHER)
    try:
        with zipfile.ZipFile(path) as bundle:
            manifest = json.loads(_member(bundle, MANIFEST, path))
            found = manifest.get("format")
            if found not in READABLE or isinstance(found, bool):
                raise BackupError(
                    f"backup of format {str(found)[:20]}, this skidwright knows {FORMAT}", str(path),
                    "use the version that wrote it",
                )  # fmt: skip
            names = set(bundle.namelist()) - {MANIFEST}
            known = {FILE_NAME, SKID_TOML, *filter(kept_calibrations.is_kept, names)}
            if names != set(manifest["files"]) or not names <= known:
                raise BackupError("its files are not those of its manifest", str(path), _OTHER)
            if sum(member.file_size for member in bundle.infolist()) > _MOST_BYTES:
                raise BackupError("its files are beyond all measure", str(path), _OTHER)
            contents = {name: _member(bundle, name, path) for name in names}
    except (zipfile.BadZipFile, zlib.error, ValueError, TypeError, KeyError, AttributeError, EOFError,
            NotImplementedError, RuntimeError, RecursionError):  # fmt: skip
        raise BackupError("no backup of skidwright, or a damaged one", str(path), _OTHER) from None
    for name, data in contents.items():
        if manifest["files"][name] != {"bytes": len(data), "sha256": _digest(data)}:
            raise BackupError(f"{name} in it is not what was put in (SHA-256 differs)", str(path), _OTHER)
    kept = {
        name.removeprefix(kept_calibrations.FOLDER): data
        for name, data in sorted(contents.items())
        if kept_calibrations.is_kept(name)
    }
    for name, data in kept.items():
        if not is_calibration(data):
            raise BackupError(f"{name} in it is no calibration", str(path), _OTHER)
    register = contents.get(FILE_NAME)
    counts = _counts(register, path) if register is not None else ()
    return Backup(
        printable(str(manifest.get("utc"))[:40]), printable(str(manifest.get("skidwright"))[:40]), register,
        contents.get(SKID_TOML), *(counts or (0, 0, 0)), kept,
    )  # fmt: skip


_OTHER = "try another copy of the backup"


def restore(backup: Backup, archive: Path, skid_toml: Path, overwrite: bool = False) -> list[Path]:
    """Put the register into `archive`, skid.toml to `skid_toml`, calibrations beside it; what was written.

    What is there and says the same is left. Raises BackupError, before anything is changed, when something
    else is there and `overwrite` is not given; RegisterError, ArchiveError, OSError.
    """
    register_path = archive / FILE_NAME
    calibrations = {skid_toml.parent / name: data for name, data in backup.calibrations.items()}
    if not overwrite:
        for path, data in calibrations.items():
            if path.exists() and path.read_bytes() != data:
                raise _in_the_way(path)
        if backup.skid_toml is not None and skid_toml.exists() and skid_toml.read_bytes() != backup.skid_toml:
            raise _in_the_way(skid_toml)
        if backup.register is not None and register_path.exists() and _differs(archive, backup.register):
            raise _in_the_way(register_path)
    written = []
    if backup.register is not None:
        Archive.create(archive)
        lock = db.lock(register_path)
        try:
            with _opened(backup.register, register_path) as source, db.translated(register_path):
                _replace(register_path, source)
        finally:
            lock.release()
        written.append(register_path)
    if backup.skid_toml is not None:
        skid_toml.parent.mkdir(parents=True, exist_ok=True)
        write_whole(skid_toml, backup.skid_toml)
        written.append(skid_toml)
    for path, data in calibrations.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists() or path.read_bytes() != data:
            write_whole(path, data)
            written.append(path)
    return written


def _replace(path: Path, source: sqlite3.Connection) -> None:
    """The database at `path` becomes `source`'s, in one transaction; a file that is none is replaced."""
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=db.WAIT_S)) as target:
            source.backup(target)
    except sqlite3.DatabaseError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF not in (
            sqlite3.SQLITE_NOTADB,
            sqlite3.SQLITE_CORRUPT,
        ):
            raise
        path.replace(path.with_name(path.name + ".damaged"))
        path.with_name(path.name + "-journal").unlink(missing_ok=True)
        with contextlib.closing(sqlite3.connect(path)) as target:
            source.backup(target)


def _differs(archive: Path, register: bytes) -> bool:
    with (
        Register.open(archive) as there,
        _opened(register, archive) as kept,
        contextlib.closing(sqlite3.connect(":memory:")) as copy,
    ):
        there.copy_into(copy)
        return list(copy.iterdump()) != list(kept.iterdump())


def _in_the_way(path: Path) -> BackupError:
    return BackupError(
        "something else is there already", str(path), "give --overwrite to replace it, or name another place"
    )


def _counts(register: bytes, path: Path) -> tuple[int, int, int]:
    with _opened(register, path) as database, db.translated(path):
        found = [database.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
                 for table in ("assets", "events", "papers")]  # fmt: skip
        return found[0], found[1], found[2]


@contextlib.contextmanager
def _opened(register: bytes, path: Path) -> Iterator[sqlite3.Connection]:
    """The register of a backup, its version and its consistency tried. Raises RegisterError, BackupError."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / FILE_NAME
        file.write_bytes(register)
        try:
            database = db.connect(file, write=True)
        except RegisterError as error:
            raise BackupError(f"the register in it: {error.what}", str(path), error.remedy) from None
        with contextlib.closing(database):
            with db.translated(path):
                sound = database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
                strange = db.foreign(database)
            if not sound:
                raise BackupError("the register in it is damaged", str(path), _OTHER)
            if strange:
                raise BackupError(f"the register in it holds what none has: {strange}", str(path), _OTHER)
            yield database


def _member(bundle: zipfile.ZipFile, name: str, path: Path) -> bytes:
    limit = kept_calibrations.MAX_BYTES if kept_calibrations.is_kept(name) else _LIMITS.get(name, 0)
    if bundle.getinfo(name).file_size > limit:
        raise BackupError(f"{name} in it is beyond all measure", str(path), _OTHER)
    with bundle.open(name) as file:
        return file.read(limit + 1)


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
