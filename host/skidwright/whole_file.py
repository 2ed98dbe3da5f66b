"""Writes a file whole or not at all: beside its place first, then put into it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Gives a name to write to, of the same ending; what was written there takes the place of `path`.

    When writing fails, a full disk for one, what stood at `path` stays, and nothing is left beside it. A
    link stays a link. Raises OSError naming `path`.
    """
    target = path.resolve()
    part = target.with_name(f".{os.getpid()}.{target.name}")
    try:
        yield part
        part.replace(target)
    except OSError as problem:
        # A full disk shows only when the buffer is written, and then without a name.
        raise OSError(problem.errno, problem.strerror, str(path)) from problem
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes) -> None:
    """Write `data` to `path`, whole or not at all; a device or a pipe is written into. Raises OSError."""
    if path.exists() and not path.is_file():
        # /dev/stdout, say: replacing it would take it away.
        with path.open("wb") as file:
            file.write(data)
        return
    with replacing(path) as part, part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
