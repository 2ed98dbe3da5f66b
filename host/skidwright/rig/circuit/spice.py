"""Parts, devices and wires as lines of a SPICE netlist.

The models of semiconductors are plain generic ones, taken, not those of any part. Contacts are switches whose
control nodes (`ctl_s1`, above 0.5 V the device is in its other position) the test drives.
"""

from __future__ import annotations

import re

from ..front_end.parts import FrontEnd
from ..wiring.model import Device
from .as_wired import CONTACTS, AsWired
from .model import Part

CONTACT_OHM = 0.02
OPEN_OHM = 1e8
MODELS = """\
.model closes sw(vt=0.5 vh=0.1 ron=0.02 roff=100meg)
.model opens sw(vt=0.5 vh=0.1 ron=100meg roff=0.02)
.model silicon d(is=3n n=1.8 rs=0.1 cjo=5p)
"""


def node(net: str) -> str:
    """A net's or device pin's name as a SPICE node; 0 V is node 0."""
    return "0" if net == "zero_volts" else re.sub(r"\W", "_", net.lower())


def part_lines(part: Part, front_end: FrontEnd) -> list[str]:
    """A part's lines."""
    ref, n = part.ref.lower(), [node(net) for net in part.pins.values()]
    match part.kind:
        case "fuse":
            return [f"r{ref} {n[0]} {n[1]} {CONTACT_OHM:g}"]
        case "diode":
            return [f"d{ref} {n[0]} {n[1]} silicon"]
        case "zener":
            return [f"d{ref} {n[0]} {n[1]} z_{ref}", f".model z_{ref} d(is=1f bv={part.value:g} ibv=1m rs=1)"]
        case "relay":
            return _relay(part, front_end)
    raise ValueError(f"{part.ref}: no SPICE line for a {part.kind}")


def _relay(part: Part, front_end: FrontEnd) -> list[str]:
    """Coil with its inductance; contacts that close and open at the coil current of pick-up and drop-out."""
    chain, ref, p = front_end.stop_chain, part.ref.lower(), part.pins
    amps = chain.supply_volts / chain.coil_ohm
    up, down = chain.pick_up_percent / 100 * amps, chain.drop_out_percent / 100 * amps
    lines = [
        f"v{ref} {node(p['A1'])} {ref}_a 0",
        f"r{ref} {ref}_a {ref}_b {part.value:g}",
        f"l{ref} {ref}_b {node(p['A2'])} {chain.coil_henry:g}",
        f".model c_{ref} csw(it={(up + down) / 2:g} ih={(up - down) / 2:g} ron={CONTACT_OHM:g} "
        f"roff={OPEN_OHM:g})",
    ]
    for start, (end, _) in CONTACTS["relay"].items():
        lines.append(f"w{ref}_{start} {node(p[start])} {node(p[end])} v{ref} c_{ref} off")
    return lines


def device_lines(device: Device, front_end: FrontEnd) -> list[str]:
    """A device's lines, between its own pins ("s1_11")."""
    ref = node(device.id)

    def pin(mark: str) -> str:
        return node(f"{device.id}.{mark}")

    lines = []
    for start, (end, at_rest) in CONTACTS.get(device.kind, {}).items():
        lines.append(f"s{ref}_{start} {pin(start)} {pin(end)} ctl_{ref} 0 {'opens' if at_rest else 'closes'}")
    if device.kind == "overload":
        lines.append(f"r{ref}_heater {pin('1')} {pin('2')} {front_end.pump_driver.overload_ohm:g}")
    if device.kind == "motor":
        lines += _motor(ref, pin("1"), pin("2"), front_end)
    return lines


def _motor(ref: str, plus: str, minus: str, front_end: FrontEnd) -> list[str]:
    """A brushed motor: winding, and behind it inertia as a capacitor and the load as a resistor.

    Back-EMF k w and current i with J dw/dt = k i - torque are a capacitor J / k^2 beside a resistor in the
    winding's circuit (the usual equivalent of a DC motor): a motor just cut still gives voltage.
    """
    p = front_end.pump_driver
    back_emf = p.supply_volts - p.motor_rated_a * p.motor_ohm
    return [
        f"v{ref} {plus} {ref}_a 0",
        f"r{ref} {ref}_a {ref}_b {p.motor_ohm:g}",
        f"l{ref} {ref}_b {ref}_c {p.motor_mh:g}m",
        f"c{ref}_inertia {ref}_c {minus} {p.motor_run_up_ms / 1000 / p.motor_ohm:g}",
        f"r{ref}_load {ref}_c {minus} {back_emf / p.motor_rated_a:g}",
    ]


def skid_lines(skid: AsWired, front_end: FrontEnd, but: frozenset[str] = frozenset()) -> list[str]:
    """Box, devices and wires; parts and devices whose reference is in `but` are left out."""
    lines = []
    for part in skid.circuit.parts:
        if part.ref not in but:
            lines += part_lines(part, front_end)
    for device in skid.devices:
        if device.id not in but:
            lines += device_lines(device, front_end)
    for i, (a, b) in enumerate(skid.joints):
        lines.append(f"rwire{i} {node(a)} {node(b)} 0.01")
    for name in skid.faults.welded:
        lines.append(f"rweld_{node(name)} {' '.join(_contact_nodes(skid, name))} {CONTACT_OHM:g}")
    # Each device pin keeps a path to 0 V, so that one in the air is no singular node.
    pins = [f"{d.id}.{pin}" for d in skid.devices if d.id not in but for pin in d.pins]
    return lines + [f"rleak_{node(p)} {node(p)} 0 {OPEN_OHM:g}" for p in pins]


def _contact_nodes(skid: AsWired, name: str) -> tuple[str, str]:
    ref, start = name.split(".")
    for part in skid.circuit.parts:
        if part.ref == ref:
            return node(part.pins[start]), node(part.pins[CONTACTS[part.kind][start][0]])
    device = next(d for d in skid.devices if d.id == ref)
    return node(name), node(f"{ref}.{CONTACTS[device.kind][start][0]}")
