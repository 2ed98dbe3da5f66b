"""Writes a file whole or not at all, beside its place first; reads one no further than it may be long."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def read_at_most(path: Path, most_bytes: int) -> bytes:
    """All bytes of the file at `path`. Raises OSError, EFBIG for more than `most_bytes`, as of a device.

    What a device says of its size is not believed: it is read, no further than that.
    """
    with path.open("rb") as file:
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise OSError(errno.EFBIG, f"larger than {most_bytes:,} bytes, or without an end", str(path))
    return data


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
