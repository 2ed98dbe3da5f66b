"""The columns of the CSV as Parquet, typed and in parts, for DuckDB and every large engine.

Needs pyarrow (`pip install "skidwright[parquet]"`). The CSV is the one truth of what is exported: each piece
is read back from it with the types below, so the two cannot differ.
"""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skidwright.errors import PaperError
from skidwright.papers import export

if TYPE_CHECKING:
    from skidwright.checks import Verdicts
    from skidwright.log.dataset import Dataset

PARTITIONS = ("asset", "month")
_WHOLE = ("_ms", "asset", "run", "sequence_number", "segment", "slot", "boot", "fault_bits")
_TEXT = ("reasons", "iso4406_code")


def _arrow() -> Any:
    try:
        import pyarrow
        import pyarrow.csv
        import pyarrow.dataset
    except ImportError:
        raise PaperError(
            "Parquet needs pyarrow", "", 'install it: python -m pip install "skidwright[parquet]"'
        ) from None
    return pyarrow


def _types(arrow: Any) -> dict[str, Any]:
    """The type of each column, by its name."""
    types = {}
    for name in export.HEADERS:
        if name == "utc":
            types[name] = arrow.timestamp("ms", "UTC")
        elif name in _TEXT or name.endswith("_verdict"):
            types[name] = arrow.string()
        elif name.startswith("raw_count") or name.endswith(_WHOLE):
            types[name] = arrow.int64()
        else:
            types[name] = arrow.float64()
    return types


def write(pieces: Iterable[tuple[Dataset, Verdicts]], target: Path, partition: tuple[str, ...] = ()) -> int:
    """Write samples to the file `target`, or with `partition` to a folder `target/asset=1/month=2026-03/...`.

    `month` is "2026-03" of the UTC, "unknown" where there is none. Piece by piece, so memory stays bounded;
    whole or not at all. The number of samples. Raises PaperError without pyarrow and for a folder that has
    something in it, OSError.
    """
    arrow = _arrow()
    if partition and target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise PaperError("there is something already", str(target), "give an empty or a new folder")
    if not partition and target.is_dir():
        raise PaperError("is a folder", str(target), "give a file name, or --partition asset,month")
    half = target.with_name(f".{target.name}.part")
    written = 0

    def counted() -> Iterator[Any]:
        nonlocal written
        for batch in _batches(arrow, pieces, "month" in partition):
            written += batch.num_rows
            yield batch

    try:
        if partition:
            _write_parts(arrow, counted(), half, partition)
            if target.exists():
                target.rmdir()
        else:
            import pyarrow.parquet

            with pyarrow.parquet.ParquetWriter(half, arrow.schema(_types(arrow)), compression="zstd") as file:
                for batch in counted():
                    file.write_batch(batch)
        half.replace(target)
    finally:
        shutil.rmtree(half, ignore_errors=True) if half.is_dir() else half.unlink(missing_ok=True)
    return written


def _write_parts(arrow: Any, batches: Iterator[Any], folder: Path, partition: tuple[str, ...]) -> None:
    types = _types(arrow) | {"month": arrow.string()}
    names = [name for name in types if name != "month" or "month" in partition]
    keys = arrow.schema([(name, arrow.int32() if name == "asset" else arrow.string()) for name in partition])
    arrow.dataset.write_dataset(
        batches,
        folder,
        schema=arrow.schema([(name, types[name]) for name in names]),
        format="parquet",
        partitioning=arrow.dataset.partitioning(keys, flavor="hive"),
        max_partitions=100_000,
    )


def _batches(arrow: Any, pieces: Iterable[tuple[Dataset, Verdicts]], month: bool) -> Iterator[Any]:
    options = arrow.csv.ConvertOptions(column_types=_types(arrow), null_values=[""], strings_can_be_null=True)
    for piece in pieces:
        text = io.StringIO(newline="")
        if not export.write_csv([piece], text):
            continue
        table = arrow.csv.read_csv(io.BytesIO(text.getvalue().encode()), convert_options=options)
        if month:
            import pyarrow.compute as compute

            months = compute.fill_null(compute.strftime(table["utc"], "%Y-%m"), "unknown")
            table = table.append_column("month", months)
        yield from table.to_batches()
