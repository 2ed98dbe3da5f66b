"""Checks that every pin of every device outside the wiring board has its terminal, on the right net.

The schematic says which net a pin is on ([[device]]), the terminal table says where its wire goes (`to`).
A builder sees the table only: what the schematic asks for and the table does not lead to cannot be built.
"""

from __future__ import annotations

from collections import defaultdict

from .model import DEVICE_KINDS, PLACES, Cable, Device, Wiring
from .problem import Problem

# Two wires share a ferrule at the most (common practice, no source).
WIRES_AT_A_TERMINAL = 2


def check_field(wiring: Wiring) -> list[Problem]:
    """All problems between devices and terminals; an empty list when there are none."""
    problems = []
    nets = {f"{d.id}.{pin}": net for d in wiring.devices for pin, net in d.pins.items()}
    # A supply's terminal may be left without a wire when an option takes the device off it.
    spare = {s.name for s in wiring.supplies}
    cables = {c.name: c for c in wiring.cables}
    led_to: dict[str, list[str]] = defaultdict(list)
    for device in wiring.devices:
        if device.kind not in DEVICE_KINDS:
            text = f"kind '{device.kind}' is not known; known are {', '.join(DEVICE_KINDS)}"
            problems.append(Problem("device-kind", device.id, text))
        if device.cable and device.cable not in cables:
            problems.append(Problem("cable", device.id, f"cable '{device.cable}' is not in [[cable]]"))
        elif device.cable:
            problems += _cable(device, cables[device.cable])
    for c in wiring.connectors:
        for t in c.terminals:
            where = f"{c.id}.{t.number}"
            if len(t.to) > WIRES_AT_A_TERMINAL:
                text = f"takes {len(t.to)} wires; {WIRES_AT_A_TERMINAL} at the most"
                problems.append(Problem("terminal-crowded", where, text))
            if c.place not in PLACES:
                problems.append(Problem("device-kind", c.id, f"place '{c.place}' is not known"))
            if not t.to and t.carries not in spare:
                problems.append(
                    Problem("terminal-unused", where, "leads nowhere; say where to, or take it out")
                )
            for pin in t.to:
                led_to[pin].append(where)
                if pin not in nets:
                    problems.append(Problem("terminal-device", where, f"leads to {pin}, which no device has"))
                elif nets[pin] != t.carries:
                    text = f"carries '{t.carries}', but leads to {pin}, which is on '{nets[pin]}'"
                    problems.append(Problem("terminal-net", where, text))
    terminals: dict[str, list[str]] = defaultdict(list)
    for c in wiring.connectors:
        for t in c.terminals:
            terminals[t.carries].append(f"{c.id}.{t.number}")
    for pin, net in nets.items():
        if not led_to[pin]:
            have = f"a wire from {' or '.join(terminals[net])}" if terminals[net] else "a terminal of its own"
            text = f"is on '{net}', which leaves the box, and no terminal leads to it; give it {have}"
            problems.append(Problem("net-without-terminal", pin, text))
        elif len(led_to[pin]) > 1:
            problems.append(Problem("terminal-net", pin, f"is led to from {' and '.join(led_to[pin])}"))
    return problems


def _cable(device: Device, cable: Cable) -> list[Problem]:
    """A core for each pin, and a screen where the cable has one."""
    cores = [pin for pin, net in device.pins.items() if net != "screen"]
    problems = []
    if len(cores) > cable.cores:
        text = f"needs {len(cores)} cores, cable '{cable.name}' has {cable.cores}"
        problems.append(Problem("cable", device.id, text))
    if cable.screened != ("screen" in device.pins.values()):
        text = "needs a terminal for its screen" if cable.screened else "has no screen to connect"
        problems.append(Problem("screen", device.id, f"cable '{cable.name}' {text}"))
    return problems
