"""Reads hardware/wiring.toml: every table and key is known, or the file is refused by name."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from skidwright.errors import RigError

from ..tables import build, check_tables, read_toml, rows

T = TypeVar("T")

FUNCTIONS = (
    "pio_count", "pwm", "adc", "i2c_sda", "i2c_scl", "uart_tx", "uart_rx", "input", "output",
)  # fmt: skip
OUTPUTS = ("pwm", "output", "uart_tx")
DEVICE_KINDS = ("break_contact", "make_contact", "overload", "motor")
_TABLES = (
    "board", "supply", "load", "signal", "option", "i2c_device", "conductor", "device", "connector",
    "wire_colours",
)  # fmt: skip
# What a terminal may carry besides signals and supplies.
OTHER_CONDUCTORS = ("zero_volts", "protective_earth", "screen")


@dataclass(frozen=True)
class Board:
    """The microcontroller board."""

    name: str
    chip: str
    state_machines_reserved: int
    adc_reference_mv: int
    shunt_ohm: int
    thermistor_pull_ohm: int


@dataclass(frozen=True)
class Supply:
    """A supply rail. `efficiency` is that of the converter between it and the rail it is fed by."""

    name: str
    title: str
    volts: float
    tolerance_percent: float
    limit_ma: float
    fed_by: str = ""
    efficiency: float = 1.0


@dataclass(frozen=True)
class Load:
    """Something that draws current (mA, each); `at_once` of `count` are on together."""

    name: str
    supply: str
    ma: float
    count: int = 1
    at_once: int = 1


@dataclass(frozen=True)
class Signal:
    """A signal on a pin; levels in millivolts at the pin in the worst case, see hardware/wiring.toml."""

    name: str
    title: str
    gpio: int
    function: str
    bus: int = 0
    frequency_hz: int = 0
    active: str = "high"
    safe: str = ""
    pull: str = "none"
    pull_ohm: float = 0.0
    pull_to: str = ""
    low_mv: tuple[int, int] | None = None
    high_mv: tuple[int, int] | None = None
    range_mv: tuple[int, int] | None = None
    needs_low_mv: int | None = None
    needs_high_mv: int | None = None
    load_ma: float = 0.0
    block: str = ""
    optional: bool = False


@dataclass(frozen=True)
class Option:
    """Another signal that may take the place of the one named in `replaces`."""

    name: str
    title: str
    replaces: str
    signal: Signal


@dataclass(frozen=True)
class BusDevice:
    """A device on an I2C bus."""

    name: str
    bus: int
    address: int


@dataclass(frozen=True)
class Conductor:
    """A net that is neither a signal nor a supply, with its voltage against 0 V at the most."""

    name: str
    title: str
    volts: float


@dataclass(frozen=True)
class Device:
    """Something that the terminals lead to: its pins by mark, each with the net of the schematic it is on."""

    id: str
    title: str
    kind: str
    pins: dict[str, str]


@dataclass(frozen=True)
class Terminal:
    """A terminal of a connector: the conductor it carries, by what kind of wire, to which pins of devices."""

    number: int
    carries: str
    wire: str
    to: tuple[str, ...] = ()


@dataclass(frozen=True)
class Connector:
    """A connector of the wiring board."""

    id: str
    title: str
    terminals: tuple[Terminal, ...]


@dataclass(frozen=True)
class Wiring:
    """The whole wiring as read."""

    board: Board
    supplies: tuple[Supply, ...]
    loads: tuple[Load, ...]
    signals: tuple[Signal, ...]
    options: tuple[Option, ...]
    i2c_devices: tuple[BusDevice, ...]
    conductors: tuple[Conductor, ...]
    devices: tuple[Device, ...]
    connectors: tuple[Connector, ...]
    wire_colours: dict[str, str] = field(default_factory=dict)

    def with_option(self, option: Option) -> Wiring:
        """The wiring with one option taken: its signal in place of the other, on its terminal too."""
        signals = tuple(option.signal if s.name == option.replaces else s for s in self.signals)
        connectors = tuple(
            Connector(
                c.id,
                c.title,
                tuple(
                    replace(t, carries=option.signal.name) if t.carries == option.replaces else t
                    for t in c.terminals
                ),
            )
            for c in self.connectors
        )
        return replace(self, signals=signals, options=(), connectors=connectors)


def _label(row: Any, key: str, index: int) -> str:
    name = row.get("name", row.get("id")) if isinstance(row, dict) else None
    return f"{key} {name or index + 1}"


def parse(document: dict[str, Any]) -> Wiring:
    """A Wiring from a TOML document; RigError when a key is unknown, missing or of the wrong type."""
    check_tables(document, _TABLES)
    options = []
    for i, row in enumerate(rows(document, "option")):
        where = _label(row, "option", i)
        if not isinstance(row, dict) or "signal" not in row:
            raise RigError(f"{where}: missing [option.signal]")
        signal = build(Signal, row["signal"], f"{where}, signal")
        options.append(build(Option, {**row, "signal": signal}, where))
    connectors = []
    for i, row in enumerate(rows(document, "connector")):
        where = _label(row, "connector", i)
        terminals = [build(Terminal, t, f"{where}, terminal") for t in rows(row, "terminals")]
        connectors.append(build(Connector, {**row, "terminals": terminals}, where))

    def table(kind: type[T], key: str) -> tuple[T, ...]:
        return tuple(build(kind, row, _label(row, key, i)) for i, row in enumerate(rows(document, key)))

    return Wiring(
        board=build(Board, document.get("board", {}), "board"),
        supplies=table(Supply, "supply"),
        loads=table(Load, "load"),
        signals=table(Signal, "signal"),
        options=tuple(options),
        i2c_devices=table(BusDevice, "i2c_device"),
        conductors=table(Conductor, "conductor"),
        devices=table(Device, "device"),
        connectors=tuple(connectors),
        wire_colours=dict(document.get("wire_colours", {})),
    )


def load(path: Path) -> Wiring:
    """The wiring in a file. Raises RigError with the file's name in front of what is wrong."""
    document = read_toml(path)
    try:
        return parse(document)
    except RigError as problem:
        raise RigError(f"{path}: {problem}") from None
