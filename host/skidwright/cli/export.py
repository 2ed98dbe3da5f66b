"""`skidwright export`: samples as CSV or Parquet for spreadsheets and other programs."""

import dataclasses
import io
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from skidwright.cli import options, selection
from skidwright.config import Config

if TYPE_CHECKING:
    from skidwright.checks import Verdicts
    from skidwright.log.layouts import Dataset
    from skidwright.samples.assessment import Assessment


@click.command(short_help="Write the samples as CSV or Parquet, units in the heads.")
@click.argument("target", type=click.Path(path_type=Path, allow_dash=True))
@options.archive_option
@options.config_option
@selection.device_option
@selection.asset_option
@click.option("--format", "form", type=click.Choice(["csv", "parquet"]), default=None,
              help="[default: Parquet with --partition or for a name in .parquet, else CSV]")  # fmt: skip
@click.option("--partition", default="", metavar="NAMES",
              help="Parquet in a folder, one part for each asset, month or both: asset,month.")  # fmt: skip
@options.key_option
@options.json_option
def export(
    target: Path,
    archive: Path,
    config: Config,
    device: str,
    asset: tuple[int, ...],
    form: str | None,
    partition: str,
    keys: list[bytes],
    as_json: bool,
) -> int:
    """Write all samples in the archive as CSV to TARGET ("-" for standard output), units in the heads.

    Every sample is there, with its verdicts and the reasons for them; a cell is empty where there is no
    value. Parquet has the same columns with their types; it needs pyarrow (`skidwright[parquet]`).

    \b
    Examples:
      skidwright export samples.csv
      skidwright export - --asset 2 | head
      skidwright export samples.parquet
      skidwright export history --partition asset,month

    Damaged and missing records are in no table; a line on standard error for each log says of them.

    Exit status 1: there was no sample to write.
    """
    from skidwright.cli import output
    from skidwright.papers import export as exporting

    parts = _partition(partition, form)
    logs = selection.assess(archive, config, device, asset, keys)
    pieces = _pieces(logs, asset)
    selection.tell_damage(logs)
    selection.tell_unproven(logs)
    if parts or form == "parquet" or (form is None and target.suffix == ".parquet"):
        return _parquet(pieces, target, parts, as_json)
    if str(target) == "-":
        if as_json:
            raise click.UsageError("--json and TARGET - would both write to standard output")
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(newline="")
        return 0 if exporting.write_csv(pieces, sys.stdout) else 1
    try:
        written = _write(target, pieces)
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(target)) from error
    if as_json:
        output.print_json({"samples": written, "file": str(target), "columns": list(exporting.HEADERS)})
    else:
        output.say(f"{written:,} samples written to {target}")
    return 0 if written else 1


def _partition(names: str, form: str | None) -> tuple[str, ...]:
    from skidwright.papers.export import PARTITIONS

    parts = tuple(filter(None, (name.strip() for name in names.split(","))))
    if any(name not in PARTITIONS for name in parts) or len(set(parts)) != len(parts):
        raise click.UsageError(f"--partition {names}: give {' or '.join(PARTITIONS)}, or both as asset,month")
    if parts and form == "csv":
        raise click.UsageError("--partition is for Parquet")
    return parts


def _parquet(
    pieces: "Iterable[tuple[Dataset, Verdicts]]", target: Path, parts: tuple[str, ...], as_json: bool
) -> int:
    from skidwright.cli import output
    from skidwright.papers import export as exporting

    if str(target) == "-":
        raise click.UsageError("Parquet cannot go to standard output: give a file")
    written = exporting.write(pieces, target, parts)
    if as_json:
        output.print_json({"samples": written, "file": str(target), "partition": list(parts)})
    else:
        output.say(f"{written:,} samples written to {target}")
    return 0 if written else 1


def _write(target: Path, pieces: "Iterable[tuple[Dataset, Verdicts]]") -> int:
    """Write the CSV to `target`, a file whole or not at all; the number of samples."""
    from skidwright.papers import export as exporting
    from skidwright.whole_file import replacing

    if target.exists() and not target.is_file():
        # A device or a pipe, /dev/stdout say: it is written into. Replacing it would take it away.
        with target.open("w", encoding="utf-8", newline="") as file:
            return exporting.write_csv(pieces, file)
    with replacing(target) as part, part.open("w", encoding="utf-8", newline="") as file:
        return exporting.write_csv(pieces, file)


def _pieces(logs: "list[Assessment]", assets: tuple[int, ...]) -> "Iterator[tuple[Dataset, Verdicts]]":
    """The pieces of all logs, with only the samples of `assets` when any are given."""
    import numpy as np

    for log in logs:
        for piece, verdicts in log.pieces():
            if not assets:
                yield piece, verdicts
                continue
            rows = np.flatnonzero(np.isin(piece.samples["asset"], assets))
            chosen = dataclasses.replace(
                piece,
                samples=piece.samples[rows],
                sample_place=piece.sample_place[rows],
                marks=piece.marks[rows],
            )
            yield chosen, verdicts.part(rows)
