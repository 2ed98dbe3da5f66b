"""Parts, devices and wires as lines of a SPICE netlist.

The models of semiconductors are plain generic ones, taken, not those of any part. Contacts are switches whose
control nodes (`ctl_s1`, above 0.5 V the device is in its other position) the test drives.
"""

from __future__ import annotations

import re

from skidwright.rig.circuit.model import Circuit, CircuitPart

from ..front_end.parts import FrontEnd
from ..wiring.model import Device
from .as_wired import CONTACTS, AsWired

CONTACT_OHM = 0.02
OPEN_OHM = 1e8
# Schottky and silicon by their usual forward voltages; light-emitting diode of an optocoupler, 1.2 V at 4 mA.
MODELS = """\
.model closes sw(vt=0.5 vh=0.1 ron=0.02 roff=100meg)
.model opens sw(vt=0.5 vh=0.1 ron=100meg roff=0.02)
.model silicon d(is=3n n=1.8 rs=0.1 cjo=5p bv=100)
.model schottky d(is=1u n=1.05 rs=1 cjo=5p bv=40)
.model power_schottky d(is=10u n=1.05 rs=0.02 cjo=300p bv=100)
.model led d(is=10f n=2 rs=5)
.model body d(is=1n n=1.2 rs=0.01)
"""


def node(net: str) -> str:
    """A net's or device pin's name as a SPICE node; 0 V is node 0."""
    return "0" if net == "zero_volts" else re.sub(r"\W", "_", net.lower())


def part_lines(part: CircuitPart, front_end: FrontEnd, value: float | None = None) -> list[str]:
    """A part's lines, with another value than its nominal one where given. A net "" hangs in the air."""
    ref = part.ref.lower()
    n = [node(net) if net else f"nc_{ref}_{pin.lower()}" for pin, net in part.pins.items()]
    v = part.value if value is None else value
    match part.kind:
        case "resistor" | "resettable_fuse":
            return [f"r{ref} {n[0]} {n[1]} {v:g}"]
        case "fuse":
            return [f"r{ref} {n[0]} {n[1]} {CONTACT_OHM:g}"]
        case "capacitor":
            return [f"c{ref} {n[0]} {n[1]} {v:g}"]
        case "electrolytic":
            esr = front_end.pump_driver.bulk_esr_ohm
            return [f"c{ref} {n[0]} {ref}_esr {v:g}", f"r{ref} {ref}_esr {n[1]} {esr:g}"]
        case "diode":
            return [f"d{ref} {n[0]} {n[1]} silicon"]
        case "schottky":
            return [f"d{ref} {n[0]} {n[1]} {'power_schottky' if part.bears >= 1 else 'schottky'}"]
        case "zener" | "suppressor":
            slope = 5.0 if part.kind == "zener" else 0.1
            model = f".model z_{ref} d(is=1f bv={v:g} ibv=1m rs={slope:g})"
            return [f"d{ref} {n[0]} {n[1]} z_{ref}", model]
        case "suppressor_both":
            model = (
                f".model z_{ref} d(is=1f bv={v:g} ibv=1m rs={front_end.supply.suppressor_slope_ohm / 2:g})"
            )
            return [f"d{ref}a {ref}_m {n[0]} z_{ref}", f"d{ref}b {ref}_m {n[1]} z_{ref}", model]
        case "clamp":
            return [f"d{ref}low {n[0]} {n[2]} schottky", f"d{ref}high {n[2]} {n[1]} schottky"]
        case "optocoupler":
            return _optocoupler(ref, n, v, front_end)
        case "comparator":
            return _comparator(ref, n, front_end)
        case "relay":
            return _relay(part, front_end)
        case "nmos" | "nmos_small" | "pmos":
            return _transistor(ref, n, part.kind, front_end)
        case "gate_driver":
            lines = []
            for i, o in ((0, 1), (2, 3)):
                lines += [f"rin{ref}{i} {n[i]} 0 1meg"]
                lines += [f"b{ref}{i} {ref}_{i} 0 v = v({n[i]}) > 1.4 ? v({n[4]}) : 0"]
                lines += [f"r{ref}{i} {ref}_{i} {n[o]} 2"]
            return lines
        case "converter":
            return [f"b{ref} {ref}_o 0 v = v({n[0]}) > 7 ? 5 : 0", f"r{ref} {ref}_o {n[2]} 0.05"]
        case "driver_array":
            # what a channel with its input high lets through at the most, before it shuts down hot
            lines = [f"rv{ref} {n[17]} 0 1k"]
            for i in range(8):
                lines += [f"rin{ref}{i} {n[i]} 0 100k", f"d{ref}{i} {n[8 + i]} {n[16]} silicon"]
                lines += [f"b{ref}{i} {n[8 + i]} 0 i = v({n[i]}) > 1.4 ? 2*tanh(v({n[8 + i]})/0.5) : 0"]
            return lines
        case "transceiver":
            # bus pins bear what their rating says; 24 V meets the receiver's input resistance
            return [f"rra{ref} {n[4]} 0 96k", f"rrb{ref} {n[5]} 0 96k", f"rtx{ref} {n[2]} 0 100k"]
        case "board":
            return []
    raise ValueError(f"{part.ref}: no SPICE line for a {part.kind}")


def _optocoupler(ref: str, n: list[str], transfer: float, front_end: FrontEnd) -> list[str]:
    """Diode from A to K; the output takes the diode's current times the transfer ratio, down to
    saturation.
    """
    p = front_end.optocoupler
    saturation = p.saturation_mv / 1000
    return [
        f"v{ref} {n[0]} {ref}_a 0",
        f"d{ref} {ref}_a {n[1]} led",
        f"b{ref} {n[3]} {n[2]} i = {transfer or p.transfer_min:g}*max(0,i(v{ref}))"
        f"*min(1,max(0,v({n[3]},{n[2]})/{saturation:g}))",
    ]


def _comparator(ref: str, n: list[str], front_end: FrontEnd) -> list[str]:
    """Open drain, on while the negative input is above the positive one; 10 pF to 0 V at the output."""
    low = front_end.comparator.output_low_mv / 1000
    return [
        f"s{ref} {n[2]} {ref}_low {n[1]} {n[0]} drain_{ref}",
        f"v{ref} {ref}_low {n[4]} {low:g}",
        f"c{ref} {n[2]} 0 10p",
        f".model drain_{ref} sw(vt=0 vh=0 ron=0.01 roff=1g)",
    ]


def _transistor(ref: str, n: list[str], kind: str, front_end: FrontEnd) -> list[str]:
    """A switch between drain and source, and the body diode, which breaks down at the transistor's
    voltage.
    """
    p = front_end.pump_driver
    gate, drain, source = n
    if kind == "pmos":
        return [
            f"d{ref} {drain} {source} body",
            f"s{ref} {source} {drain} {source} {gate} on_{ref}",
            f".model on_{ref} sw(vt=3 vh=0.5 ron=0.015 roff=10meg)",
        ]
    if kind == "nmos":
        return [
            f"d{ref} {source} {drain} body_{ref}",
            f".model body_{ref} d(is=1n n=1.2 rs=0.01 bv={p.transistor_volts:g} ibv=1m cjo=600p)",
            f"s{ref} {drain} {source} {gate} {source} on_{ref}",
            f"cg{ref} {gate} {source} {p.gate_charge_nc / 5:g}n",
            f".model on_{ref} sw(vt=2.2 vh=0.3 ron={p.transistor_on_mohm * p.transistor_hot_factor / 1000:g} "
            "roff=10meg)",
        ]
    threshold = front_end.heartbeat.lamp_threshold_max_v
    return [
        f"d{ref} {source} {drain} body_{ref}",
        f".model body_{ref} d(is=1n n=1.2 rs=0.1 bv=60 ibv=1m)",
        f"s{ref} {drain} {source} {gate} {source} on_{ref}",
        f".model on_{ref} sw(vt={threshold - 0.1:g} vh=0.05 ron=0.2 roff=100meg)",
    ]


def _relay(part: CircuitPart, front_end: FrontEnd) -> list[str]:
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


def circuit_lines(circuit: Circuit, front_end: FrontEnd) -> list[str]:
    """The lines of all parts of a circuit."""
    return [line for part in circuit.parts for line in part_lines(part, front_end)]


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


def skid_lines(skid: AsWired, front_end: FrontEnd) -> list[str]:
    """Box, devices and wires."""
    lines = circuit_lines(skid.circuit, front_end)
    for device in skid.devices:
        lines += device_lines(device, front_end)
    for i, (a, b) in enumerate(skid.joints):
        lines.append(f"rwire{i} {node(a)} {node(b)} 0.01")
    for name in skid.faults.welded:
        lines.append(f"rweld_{node(name)} {' '.join(_contact_nodes(skid, name))} {CONTACT_OHM:g}")
    # Each device pin keeps a path to 0 V, so that one in the air is no singular node.
    pins = [f"{d.id}.{pin}" for d in skid.devices for pin in d.pins]
    return lines + [f"rleak_{node(p)} {node(p)} 0 {OPEN_OHM:g}" for p in pins]


def _contact_nodes(skid: AsWired, name: str) -> tuple[str, str]:
    ref, start = name.split(".")
    for part in skid.circuit.parts:
        if part.ref == ref:
            return node(part.pins[start]), node(part.pins[CONTACTS[part.kind][start][0]])
    device = next(d for d in skid.devices if d.id == ref)
    return node(name), node(f"{ref}.{CONTACTS[device.kind][start][0]}")
