"""The files of `skidwright calibrate` in a backup: nothing else holds who calibrated, and against what.

They lie where whoever calibrated was at work, so they are looked for beside skid.toml and in the folder one
stands in, known by their content. They come back beside skid.toml.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Iterable
from pathlib import Path

from skidwright.calibration.document import is_calibration
from skidwright.errors import BackupError
from skidwright.whole_file import read_at_most

FOLDER = "calibrations/"
MAX_BYTES = 1 << 20
# No path, no hidden file, nothing that another system would not take as a name.
_NAME = re.compile(r"[\w(][\w ()+,.=@-]{0,150}\.json")


def found_in(folders: Iterable[Path], given: Iterable[Path] = ()) -> list[Path]:
    """The calibration files in `folders`, and those `given` by name or in folders given.

    Raises BackupError for a file given that is none, OSError when a folder or a file cannot be read.
    """
    named = list(given)
    found = {path.resolve(): path for path in named if not path.is_dir()}
    for path in found.values():
        if not _holds_one(path):
            raise BackupError(
                "no file of `skidwright calibrate`", str(path), "name one, or a folder with some"
            )
    for folder in (*folders, *(path for path in named if path.is_dir())):
        for path in sorted(folder.glob("*.json")):
            if path.is_file() and _holds_one(path):
                found.setdefault(path.resolve(), path)
    return list(found.values())


def read(paths: Iterable[Path]) -> dict[str, bytes]:
    """Their bytes by name. Raises BackupError when two of one name differ, or a name will not do; OSError."""
    kept: dict[str, bytes] = {}
    for path in paths:
        data = read_at_most(path, MAX_BYTES)
        if not _NAME.fullmatch(path.name):
            raise BackupError(
                "no name for a file in a backup", str(path), "rename it: letters, digits, spaces, . - _"
            )
        if kept.setdefault(path.name, data) != data:
            raise BackupError("two calibrations of that name differ", str(path), "rename one of them")
    return kept


def is_kept(name: str) -> bool:
    """Whether a name in a backup is one of a calibration file."""
    return name.startswith(FOLDER) and _NAME.fullmatch(name.removeprefix(FOLDER)) is not None


def _holds_one(path: Path) -> bool:
    try:
        return is_calibration(read_at_most(path, MAX_BYTES))
    except OSError as error:
        if error.errno == errno.EFBIG:
            return False
        raise
