"""Reads hardware/wiring.toml: every table and key is known, or the file is refused by name."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from skidwright.errors import RigError
from skidwright.rig.tables import build, check_tables, read_toml, rows


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the wiring: which rule, where, and in one sentence what to do."""

    rule: str
    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text} [{self.rule}]"


T = TypeVar("T")

FUNCTIONS = (
    "pio_count", "pwm", "adc", "i2c_sda", "i2c_scl", "uart_tx", "uart_rx", "input", "output",
)  # fmt: skip
OUTPUTS = ("pwm", "output", "uart_tx")
DEVICE_KINDS = (
    "supply", "break_contact", "make_contact", "overload", "motor", "valve", "lamp", "sensor", "transmitter",
    "thermistor", "module", "bus",
)  # fmt: skip
# Where a connector is: between the box and what stands outside, or between parts in the box.
PLACES = ("", "inside")
_TABLES = (
    "board", "supply", "load", "signal", "option", "i2c_device", "conductor", "device", "cable",
    "connector", "wire_colours",
)  # fmt: skip
# What a terminal may carry besides signals and supplies.
OTHER_CONDUCTORS = ("zero_volts", "protective_earth", "screen")


def fitted(options: tuple[str, ...], taken: frozenset[str]) -> bool:
    """Whether something that belongs to one of `options` (none: always) is there with the options taken."""
    return not options or bool(set(options) & taken)


@dataclass(frozen=True)
class Board:
    """The microcontroller board."""

    name: str
    chip: str
    state_machines_reserved: int
    adc_reference_mv: int
    shunt_ohm: int
    thermistor_pull_ohm: int
    thermistor_series_ohm: int


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
    options: tuple[str, ...] = ()


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
    """Other signals that take the place of those named in `replaces`; options it needs or goes without."""

    name: str
    title: str
    replaces: tuple[str, ...]
    signals: tuple[Signal, ...]
    needs: tuple[str, ...] = ()
    without: tuple[str, ...] = ()


@dataclass(frozen=True)
class BusDevice:
    """A device on an I2C bus: pull-up resistor on its module (ohm, 0 for none), what it loads a line with
    (pF).
    """

    name: str
    bus: int
    address: int
    pull_ohm: float = 10_000.0
    pf: float = 20.0


@dataclass(frozen=True)
class Conductor:
    """A net that is neither a signal nor a supply; its volts against 0 V where it is a supply by another
    name.
    """

    name: str
    title: str
    volts: float = 0.0


@dataclass(frozen=True)
class Device:
    """Something that the terminals lead to: its pins by mark, each with the net of the schematic it is on."""

    id: str
    title: str
    kind: str
    pins: dict[str, str]
    cable: str = ""
    options: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cable:
    """A kind of cable: area of a core (mm2), number of cores, screen, and the current a core bears (A)."""

    name: str
    title: str
    mm2: float
    cores: int
    screened: bool
    bears_a: float


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
    options: tuple[str, ...] = ()
    place: str = ""


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
    cables: tuple[Cable, ...]
    connectors: tuple[Connector, ...]
    wire_colours: dict[str, str] = field(default_factory=dict)

    def net_behind(self, carries: str) -> str:
        """The net in the box behind a terminal: the pin's own for a signal without a block between."""
        straight = {s.name: f"gp{s.gpio}" for s in self.signals if not s.block}
        return straight.get(carries, carries)

    def with_options(self, taken: frozenset[str]) -> Wiring:
        """The wiring with some options taken and all others left out.

        Signals that give way go with the devices on them and the wires to those; connectors, devices and
        loads of options not taken go too. A terminal may be left with nothing on it: its wires list is empty
        then. A connector that is left without any wire goes too.
        """
        options = [o for o in self.options if o.name in taken]
        replaced = {name for o in options for name in o.replaces}
        devices = [
            d for d in self.devices if fitted(d.options, taken) and not replaced & set(d.pins.values())
        ]
        there = {d.id for d in devices}

        def left(t: Terminal) -> Terminal:
            return replace(t, to=tuple(pin for pin in t.to if pin.partition(".")[0] in there))

        connectors = [
            replace(c, terminals=tuple(left(t) for t in c.terminals if t.carries not in replaced))
            for c in self.connectors
            if fitted(c.options, taken)
        ]
        connectors = [
            c
            for c in connectors
            if any(t.to for t in c.terminals) or len(c.terminals) == len(self._connector(c.id).terminals)
        ]
        signals = [s for s in self.signals if s.name not in replaced]
        return replace(
            self,
            signals=(*signals, *(s for o in options for s in o.signals)),
            loads=tuple(x for x in self.loads if fitted(x.options, taken)),
            options=(),
            devices=tuple(devices),
            connectors=tuple(connectors),
        )

    def _connector(self, name: str) -> Connector:
        return next(c for c in self.connectors if c.id == name)

    def combinations(self) -> list[frozenset[str]]:
        """Every set of options that may be taken together, the empty one first."""
        by_name = {o.name: o for o in self.options}
        found = []
        for size in range(len(by_name) + 1):
            for taken in itertools.combinations(by_name, size):
                chosen = [by_name[name] for name in taken]
                if all(set(o.needs) <= set(taken) and not set(o.without) & set(taken) for o in chosen):
                    found.append(frozenset(taken))
        return found


def _label(row: Any, key: str, index: int) -> str:
    name = row.get("name", row.get("id")) if isinstance(row, dict) else None
    return f"{key} {name or index + 1}"


def parse(document: dict[str, Any]) -> Wiring:
    """A Wiring from a TOML document; RigError when a key is unknown, missing or of the wrong type."""
    check_tables(document, _TABLES)
    options = []
    for i, row in enumerate(rows(document, "option")):
        where = _label(row, "option", i)
        if not isinstance(row, dict) or not rows(row, "signal"):
            raise RigError(f"{where}: missing [[option.signal]]")
        signals = [build(Signal, s, f"{where}, signal") for s in rows(row, "signal")]
        rest = {k: v for k, v in row.items() if k != "signal"}
        options.append(build(Option, {**rest, "signals": signals}, where))
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
        cables=table(Cable, "cable"),
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
