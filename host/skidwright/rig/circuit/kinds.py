"""Kinds of parts: their pins, in the order in which hardware/circuit.toml gives the nets."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """A kind of part: the pins' marks in order."""

    pins: tuple[str, ...]


KINDS: dict[str, Kind] = {
    "fuse": Kind(("1", "2")),
    "relay": Kind(("A1", "A2", "13", "14", "23", "24")),
    "diode": Kind(("A", "K")),
    "zener": Kind(("A", "K")),
}
