"""Checks of connectors and wires: each signal that leaves has a terminal, each wire a colour."""

from __future__ import annotations

from collections import Counter

from .model import OTHER_CONDUCTORS, Wiring
from .problem import Problem

# Signals that may stay on the wiring board.
_MAY_STAY = ("i2c_sda", "i2c_scl", "safe_mode", "heartbeat", "rs485_tx", "rs485_rx")
_EARTH = "protective_earth"


def check_terminals(wiring: Wiring) -> list[Problem]:
    """All problems of terminals and wires; an empty list when there are none."""
    problems = []
    signals = {s.name for s in wiring.signals}
    known = signals | {s.name for s in wiring.supplies} | {c.name for c in wiring.conductors}
    known |= set(OTHER_CONDUCTORS)
    carried: Counter[str] = Counter()
    leads_nowhere: Counter[str] = Counter()
    for c in wiring.connectors:
        numbers = Counter(t.number for t in c.terminals)
        for number, times in numbers.items():
            if times > 1:
                problems.append(Problem("terminal-twice", f"{c.id}.{number}", f"stands {times} times"))
        for t in c.terminals:
            where = f"{c.id}.{t.number}"
            carried[t.carries] += 1
            leads_nowhere[t.carries] += not t.to
            if t.carries not in known:
                text = f"carries '{t.carries}', which is neither a signal nor a supply"
                problems.append(Problem("terminal-unknown", where, text))
            problems += _wire(wiring, where, t.carries, t.wire)
    ids = Counter(c.id for c in wiring.connectors)
    problems += [
        Problem("terminal-twice", c, "is the name of two connectors") for c, n in ids.items() if n > 1
    ]
    for name in sorted(signals):
        if carried[name] > 1 and leads_nowhere[name]:
            problems.append(
                Problem(
                    "terminal-twice", name, "is on more than one terminal, and not each leads to a device"
                )
            )
        elif not carried[name] and name not in _MAY_STAY:
            problems.append(
                Problem("terminal-missing", name, "is on no terminal; give it one or take it out")
            )
    return problems


def _wire(wiring: Wiring, where: str, carries: str, wire: str) -> list[Problem]:
    colour = wiring.wire_colours.get(wire)
    if colour is None:
        return [Problem("wire", where, f"wire '{wire}' has no colour in [wire_colours]")]
    is_earth_colour = "green" in colour and "yellow" in colour
    if is_earth_colour != (carries == _EARTH):
        text = "green-and-yellow is for the protective conductor, always and alone (IEC 60445)"
        return [Problem("wire-earth", where, text)]
    supplies = {s.name: s.volts for s in wiring.supplies}
    if wire in supplies and supplies[wire] in [c.volts for c in wiring.conductors if c.name == carries]:
        return []
    if wire in supplies and carries in supplies and supplies[wire] != supplies[carries]:
        text = f"carries {supplies[carries]:g} V on a wire coloured for {supplies[wire]:g} V"
        return [Problem("wire", where, text)]
    if (wire in supplies) != (carries in supplies):
        return [Problem("wire", where, f"'{carries}' on a wire coloured for '{wire}'")]
    return []
