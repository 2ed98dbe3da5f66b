"""The cable list: one cable for each device, its cores numbered in the order of the terminals.

The screen is no core. A core bears its number at both ends, and both ends stand in the list: a builder never
has to guess which of four white cores is which.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from .model import Wiring


@dataclass(frozen=True)
class Core:
    """One core: cable, its kind, number ("screen" for the screen), terminal, device pin, net, options."""

    cable: str
    kind: str
    core: str
    terminal: str
    pin: str
    net: str
    device: str
    options: str


def cable_list(wiring: Wiring) -> list[Core]:
    """All cores of all cables, and the wires inside the box that have no cable (kind "in the box")."""
    devices = {d.id: d for d in wiring.devices}
    titles = {c.name: f"{c.cores} x {c.mm2:g} mm2{', screened' if c.screened else ''}" for c in wiring.cables}
    used: dict[str, int] = {}
    cores = []
    for c in wiring.connectors:
        for t in c.terminals:
            for pin in t.to:
                device = devices[pin.partition(".")[0]]
                kind = titles[device.cable] if device.cable else "in the box"
                if t.carries == "screen":
                    number = "screen"
                else:
                    used[device.id] = used.get(device.id, 0) + 1
                    number = str(used[device.id])
                if t.carries == "protective_earth" and device.cable:
                    number = "green-and-yellow"
                cores.append(
                    Core(
                        f"W-{device.id}", kind, number, f"{c.id}.{t.number}", pin, t.carries, device.title,
                        " or ".join(device.options),
                    )
                )  # fmt: skip
    return sorted(cores, key=lambda x: (x.kind == "in the box", list(devices).index(x.pin.partition(".")[0])))


def cable_csv(wiring: Wiring) -> str:
    """The list as comma-separated values with a head."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("cable", "kind", "core", "terminal", "device_pin", "net", "device", "only_with_option"))
    for core in cable_list(wiring):
        writer.writerow(vars(core).values())
    return out.getvalue()
