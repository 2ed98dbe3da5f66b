"""Samples as CSV, with units in the headers, UTC in ISO 8601, and each verdict with its reasons.

A cell is empty where there is no value: no time known, a quantity not measured, a count refused.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from skidwright.checks import QUANTITIES, WORDS, Verdicts
from skidwright.checks.columns import by_code
from skidwright.checks.verdicts import ids_of
from skidwright.log.dataset import Dataset
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS
from skidwright.trade import iso4406

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
