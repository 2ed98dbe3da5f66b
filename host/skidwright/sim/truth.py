"""What truly happened in the plant: never seen by the firmware, written beside the archive."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

ROW = np.dtype([
    ("start_us", "<i8"),  # virtual time
    ("end_us", "<i8"),
    ("asset", "<u2"),
    ("flow_min_ml_s", "<f8"),  # of steps of a tenth of a second
    ("flow_mean_ml_s", "<f8"),
    ("flow_max_ml_s", "<f8"),
    ("tank_per_ml", "<f8", 4),  # cumulative, >=4, >=6, >=14, >=21 um(c), in the machine
    ("sensor_per_ml", "<f8", 4),  # particles at the sensor
    ("air", "?"),  # air in the line
    ("bubbles", "<i8"),  # counted in this row
    ("water_percent", "<f8"),  # in the machine
    ("sensor_water_percent", "<f8"),
    ("fluid_c", "<f8"),  # at the sensor
    ("faults", "<u4"),  # bits of schedule.FAULT_BITS
    ("droplets_per_ml", "<f8"),  # water droplets >=4 um(c) that are counted with the particles
])  # fmt: skip

START = np.dtype([
    ("start_us", "<i8"),  # virtual time at which this power-up's or reset's uptime was 0
    ("end_us", "<i8"),
    ("cause", "u1"),  # 0 power, 1 soft, 2 watchdog, 3 commanded
])  # fmt: skip

CART = np.dtype([("start_us", "<i8"), ("end_us", "<i8"), ("asset", "<u2")])

Rows = npt.NDArray[np.void]


class Truth:
    """Collects rows while fluid flows, and the board's starts."""

    def __init__(self) -> None:
        self._rows: list[tuple[Any, ...]] = []
        self.starts: list[list[int]] = []
        self._carts: list[list[int]] = []

    def row(self, start_us: int, end_us: int, asset: int, low: float, mean: float, high: float,
            tank: list[float], sensor: list[float], air: bool, bubbles: float, water: float,
            sensor_water: float, fluid_c: float, faults: int, droplets_per_ml: float) -> None:  # fmt: skip
        """One row; `tank` and `sensor` are particles per mL in four size classes, not cumulative."""
        self._rows.append((start_us, end_us, asset, low, mean, high, _cumulative(tank), _cumulative(sensor),
                           air, bubbles, water, sensor_water, fluid_c, faults, droplets_per_ml))  # fmt: skip

    def start(self, t_us: int, cause: int) -> None:
        """The board comes up at virtual time `t_us`."""
        self.starts.append([t_us, -1, cause])

    def cart(self, t_us: int, asset: int, on: bool) -> None:
        """The filter cart at `asset` is switched."""
        if on:
            self._carts.append([t_us, -1, asset])
        else:
            for row in self._carts:
                if row[2] == asset and row[1] < 0:
                    row[1] = t_us

    def cart_table(self, now_us: int) -> Rows:
        """When which asset's cart ran, as one array of dtype `CART`; one that still runs ends now."""
        return np.array([(s, e if e >= 0 else now_us, a) for s, e, a in self._carts], dtype=CART)

    def end(self, t_us: int) -> None:
        """The board goes down."""
        if self.starts and self.starts[-1][1] < 0:
            self.starts[-1][1] = t_us

    def rows(self) -> Rows:
        """All rows as one array of dtype `ROW`."""
        return np.array(self._rows, dtype=ROW)

    def start_table(self, now_us: int) -> Rows:
        """All starts as one array of dtype `START`; a start still alive ends now."""
        return np.array([(s, e if e >= 0 else now_us, c) for s, e, c in self.starts], dtype=START)

    def save(self, path: Path, now_us: int, start_utc_ms: int, faults: list[str]) -> None:
        """Write `truth.npz`: rows, starts, UTC in ms of virtual time 0, scripted faults, runs of carts."""
        with path.open("wb") as f:
            np.savez(f, rows=self.rows(), starts=self.start_table(now_us),
                     start_utc_ms=np.int64(start_utc_ms), faults=np.array(faults, dtype=np.str_),
                     carts=self.cart_table(now_us))  # fmt: skip


def _cumulative(classes: list[float]) -> tuple[float, float, float, float]:
    a, b, c, d = classes
    return a + b + c + d, b + c + d, c + d, d


def load(path: Path) -> tuple[Rows, Rows, int]:
    """Rows, starts and UTC (ms) of virtual time 0 from a `truth.npz`. Raises OSError or ValueError."""
    with np.load(path, allow_pickle=False) as data:
        return data["rows"], data["starts"], int(data["start_utc_ms"])


def load_carts(path: Path) -> Rows:
    """When which asset's filter cart ran, dtype `CART`, from a `truth.npz`. Raises OSError or ValueError."""
    with np.load(path, allow_pickle=False) as data:
        return np.asarray(data["carts"])
