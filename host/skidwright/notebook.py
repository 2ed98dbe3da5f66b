"""Logs and boards for scripts and notebooks: what `import skidwright` offers. Nothing is decided here."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright import config as skid_toml
from skidwright.archive.folder import Archive
from skidwright.config import Config
from skidwright.errors import ArchiveError, PaperError
from skidwright.link.session import Session
from skidwright.log import chain
from skidwright.log import seal as log_keys
from skidwright.papers import export
from skidwright.register import known_assets
from skidwright.samples.assessment import Assessment
from skidwright.standing.standing import Standing, standings

_TEXT = ("reasons", "iso4406_code")


class PulledLogs:
    """All logs of an archive, verified and judged. `logs` are the single ones."""

    def __init__(self, path: Path, config: Config) -> None:
        archive = Archive.open(path)
        files = [archive.log_path(board, log) for board in archive.devices() for log in archive.logs(board)]
        if not files:
            raise ArchiveError("no logs yet", str(path), "run `skidwright pull PORT` first")
        self.path = path
        self._known = known_assets(config, path)
        used = self._known.config
        self.logs = [
            Assessment(
                file, used.limits(), used.board,
                chain.fitting_key(file, log_keys.of(file.parent.name)),
            )
            for file in files
        ]  # fmt: skip

    def samples(self) -> dict[str, NDArray[Any]]:
        """Every sample: one array (samples,) for each column of `skidwright export`, the unit in its name.

        Times are datetime64[ms] in UTC, NaT where not known; numbers are float64, NaN where not measured;
        verdicts, codes and reasons (check ids with spaces between) are text. Raises OSError.
        """
        text = io.StringIO(newline="")
        export.write_csv((piece for log in self.logs for piece in log.pieces()), text)
        text.seek(0)
        head, *rows = csv.reader(text)
        columns = zip(*rows, strict=True) if rows else [()] * len(head)
        return {name: _array(name, cells) for name, cells in zip(head, columns, strict=True)}

    def frame(self) -> Any:
        """The same as a pandas DataFrame. Raises PaperError without pandas; Polars takes `samples()`."""
        try:
            import pandas
        except ImportError:
            raise PaperError(
                "frames need pandas", "", 'install it: python -m pip install "skidwright[pandas]"'
            ) from None

        return pandas.DataFrame(self.samples())

    def standings(self, at: datetime.datetime | None = None, assets: Sequence[int] = ()) -> list[Standing]:
        """Each asset against its goals, as `skidwright assess` has it, now or `at` that aware moment.

        Raises OSError, and ValueError for a time without a zone.
        """
        if at is not None and at.tzinfo is None:
            raise ValueError("a time needs its zone, such as datetime.UTC")
        moment = (at or datetime.datetime.now(datetime.UTC)).astimezone(datetime.UTC).replace(tzinfo=None)
        now = np.datetime64(moment, "ms")
        return standings(self.logs, self._known, self.path, now, assets, as_of_then=at is not None)


def open_archive(path: Path | str, config: Path | str | None = None) -> PulledLogs:
    """The archive in a folder, read with a skid.toml or the defaults. Raises SkidwrightError and OSError."""
    return PulledLogs(Path(path), skid_toml.load(Path(config)) if config is not None else Config())


def open_port(name: str) -> Session:
    """A board at a serial port, to be used in a `with`; `status()` and `settings()` ask it."""
    return Session.open(name)


def _array(name: str, cells: Sequence[str]) -> NDArray[Any]:
    if name == "utc":
        return np.array([cell.removesuffix("Z") or "NaT" for cell in cells], "datetime64[ms]")
    if name in _TEXT or name.endswith("_verdict"):
        return np.array(cells, object)
    return np.array([cell or "nan" for cell in cells], np.float64)
