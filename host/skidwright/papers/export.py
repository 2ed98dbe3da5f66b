"""Samples as a table: CSV and Parquet, with units."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import numpy as np
from numpy.typing import NDArray

from skidwright.checks import QUANTITIES, WORDS, Verdicts
from skidwright.checks.catalogue import ids_of
from skidwright.checks.readings import by_code
from skidwright.errors import PaperError
from skidwright.formulas import iso4406
from skidwright.log.dataset import Dataset
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS

_SIZES = (4, 6, 14, 21)
# So many rows are made into text at a time.
_ROWS = 20_000
Cells = list[str]


@dataclass(frozen=True)
class _Rows:
    """Some samples with what is known of them."""

    samples: NDArray[np.void]
    verdicts: Verdicts
    segment: NDArray[np.int64]
    slot: NDArray[np.int64]


Column = Callable[[_Rows], Cells]


def _texts(values: NDArray[Any], text: Callable[[Any], str]) -> Cells:
    """`text` of each value; short integers are made into text once for each distinct value."""
    if values.dtype.itemsize > 2 or len(values) < 1000:
        return [text(v) for v in values.tolist()]
    key = np.ascontiguousarray(values)
    code = key.view(f"u{key.dtype.itemsize}")
    used = np.flatnonzero(np.bincount(code, minlength=1))
    table = np.empty(int(used[-1]) + 1, object)
    table[used] = [text(v) for v in used.astype(code.dtype).view(key.dtype).tolist()]
    cells: Cells = table[code].tolist()
    return cells


def _numbers(values: NDArray[np.floating[Any]], digits: int) -> Cells:
    form = f"%.{digits}f"
    return ["" if v != v else form % v for v in values.tolist()]


def _whole(name: str, index: int | None = None) -> Column:
    def cells(rows: _Rows) -> Cells:
        return _texts(rows.samples[name] if index is None else rows.samples[name][:, index], str)

    return cells


def _counted(index: int) -> Column:
    """A raw count; empty where the counter gave a code and no counts."""
    whole = _whole("counts", index)
    return lambda rows: [
        "" if coded else text for text, coded in zip(whole(rows), by_code(rows.samples).tolist(), strict=True)
    ]


def _scaled(name: str, factor: float, digits: int) -> Column:
    form = f"%.{digits}f"
    return lambda rows: _texts(rows.samples[name], lambda v: form % (v * factor))


def _utc(rows: _Rows) -> Cells:
    when = rows.verdicts.utc_ms
    texts = np.datetime_as_string(when.view("datetime64[ms]"), unit="ms", timezone="UTC").tolist()
    return [text if ok else "" for text, ok in zip(texts, (when != UNKNOWN_UTC_MS).tolist(), strict=True)]


def _utc_error(rows: _Rows) -> Cells:
    return ["" if v == UNBOUNDED_MS else str(v) for v in rows.verdicts.utc_error_ms.tolist()]


def _per_ml(index: int) -> Column:
    return lambda rows: _numbers(rows.verdicts.per_ml[:, index], 3)


def _code(rows: _Rows) -> Cells:
    few = (rows.samples["counts"][:, :3] < iso4406.FEW_PARTICLES) & ~by_code(rows.samples)[:, None]
    return iso4406.code_texts(rows.verdicts.codes[:, :3], few)


def _verdict(index: int) -> Column:
    return lambda rows: _texts(rows.verdicts.verdict[:, index], WORDS.__getitem__)


def _reasons(rows: _Rows) -> Cells:
    reasons = rows.verdicts.reasons
    known = {bits: " ".join(ids_of(bits)) for bits in np.unique(reasons).tolist()}
    return [known[bits] for bits in reasons.tolist()]


_COLUMNS: tuple[tuple[str, Column], ...] = (
    ("utc", _utc),
    ("utc_uncertainty_ms", _utc_error),
    ("asset", _whole("asset")),
    ("run", _whole("run")),
    ("sequence_number", _whole("seq")),
    ("segment", lambda rows: [str(v) for v in rows.segment.tolist()]),
    ("slot", lambda rows: [str(v) for v in rows.slot.tolist()]),
    ("boot", _whole("boot")),
    ("uptime_ms", _whole("uptime_ms")),
    *((f"{quantity}_verdict", _verdict(i)) for i, quantity in enumerate(QUANTITIES)),
    ("reasons", _reasons),
    ("iso4406_code", _code),
    *((f"particles_from_{size}um_per_ml", _per_ml(i)) for i, size in enumerate(_SIZES)),
    *((f"raw_count_from_{size}um", _counted(i)) for i, size in enumerate(_SIZES)),
    ("raw_count_ferrous", _whole("metal", 0)),
    ("raw_count_non_ferrous", _whole("metal", 1)),
    ("counted_volume_ml", _scaled("volume_ul", 1e-3, 3)),
    ("purge_volume_ml", _scaled("purge_ul", 1e-3, 3)),
    ("count_time_s", _scaled("count_ms", 1e-3, 3)),
    ("flow_lowest_ml_min", _scaled("flow_min_ul_s", 0.06, 2)),
    ("flow_mean_ml_min", _scaled("flow_mean_ul_s", 0.06, 2)),
    ("flow_highest_ml_min", _scaled("flow_max_ul_s", 0.06, 2)),
    ("out_of_band_s", _scaled("out_of_band_ms", 1e-3, 3)),
    ("water_saturation_percent", lambda rows: _numbers(rows.verdicts.water_percent, 2)),
    ("water_loop_lowest_ma", _scaled("water_min_ua", 1e-3, 3)),
    ("water_loop_mean_ma", _scaled("water_mean_ua", 1e-3, 3)),
    ("water_loop_highest_ma", _scaled("water_max_ua", 1e-3, 3)),
    ("temperature_lowest_degc", _scaled("temp_min_cdeg", 1e-2, 2)),
    ("temperature_mean_degc", _scaled("temp_mean_cdeg", 1e-2, 2)),
    ("temperature_highest_degc", _scaled("temp_max_cdeg", 1e-2, 2)),
    ("pump_duty_mean_percent", _scaled("duty_mean_permille", 0.1, 1)),
    ("pump_duty_highest_percent", _scaled("duty_max_permille", 0.1, 1)),
    ("fault_bits", _whole("faults")),
)

HEADERS = tuple(name for name, _ in _COLUMNS)


def write_csv(pieces: Iterable[tuple[Dataset, Verdicts]], target: TextIO) -> int:
    """Write a header line and one line a sample (RFC 4180); returns the number of samples.

    Lines end in CR LF: open `target` with newline="". Takes piece after piece, so that memory stays
    bounded. Raises OSError when the target cannot be written.
    """
    target.write(",".join(HEADERS) + "\r\n")
    written = 0
    for data, verdicts in pieces:
        segment, slot = data.sample_segment, data.sample_slot
        for start in range(0, len(data), _ROWS):
            part = slice(start, start + _ROWS)
            rows = _Rows(data.samples[part], verdicts.part(part), segment[part], slot[part])
            columns = [cells(rows) for _, cells in _COLUMNS]
            target.writelines([",".join(row) + "\r\n" for row in zip(*columns, strict=True)])
            written += len(rows.samples)
    return written


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
    for name in HEADERS:
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
        if not write_csv([piece], text):
            continue
        table = arrow.csv.read_csv(io.BytesIO(text.getvalue().encode()), convert_options=options)
        if month:
            import pyarrow.compute as compute

            months = compute.fill_null(compute.strftime(table["utc"], "%Y-%m"), "unknown")
            table = table.append_column("month", months)
        yield from table.to_batches()
