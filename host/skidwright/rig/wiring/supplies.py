"""Supply budget: what each rail must give with everything on, down the tree of converters.

Power balance: the current a converter takes is I_in = V_out * I_out / (V_in * efficiency), with V_in at the
low end of its tolerance (more current). A linear regulator is described by its efficiency V_out / V_in too.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from skidwright.rig.wiring.model import OTHER_CONDUCTORS, Problem, Supply, Wiring

# Common practice, no source: a supply is chosen so that the worst case takes four fifths of it.
USABLE_SHARE = 0.8
# Extra-low voltage limit for DC without touch protection: 60 V (IEC 61140, IEC 60364-4-41).
EXTRA_LOW_MAX_V = 60.0


@dataclass(frozen=True)
class Rail:
    """What a rail carries: milliamperes by name of load or fed rail, and its limit."""

    supply: Supply
    draws_ma: tuple[tuple[str, float], ...]

    @property
    def total_ma(self) -> float:
        """Everything together."""
        return sum(ma for _, ma in self.draws_ma)

    @property
    def share(self) -> float:
        """Part of the limit that is used, 1.0 is all of it."""
        return self.total_ma / self.supply.limit_ma


def budget(wiring: Wiring) -> list[Rail]:
    """Every rail with what it carries, those that feed others last.

    Raises ValueError when rails feed each other in a circle or one is fed by a rail that is not there.
    """
    by_name = {s.name: s for s in wiring.supplies}
    draws: dict[str, list[tuple[str, float]]] = {name: [] for name in by_name}
    for item in wiring.loads:
        if item.supply in draws:
            label = f"{item.at_once} x {item.name}" if item.at_once > 1 else item.name
            draws[item.supply].append((label, item.ma * item.at_once))
    left = list(wiring.supplies)
    rails = []
    while left:
        fed = {s.fed_by for s in left}
        ready = [s for s in left if s.name not in fed]
        if not ready:
            raise ValueError(" and ".join(s.name for s in left) + " feed each other")
        for s in ready:
            left.remove(s)
            rail = Rail(s, tuple(draws[s.name]))
            rails.append(rail)
            if not s.fed_by:
                continue
            if s.fed_by not in by_name:
                raise ValueError(f"{s.name} is fed by '{s.fed_by}', which is not there")
            source = by_name[s.fed_by]
            if s.volts == source.volts:
                into = rail.total_ma
            else:
                lowest = source.volts * (1 - source.tolerance_percent / 100)
                into = rail.total_ma * s.volts / (lowest * s.efficiency)
            draws[s.fed_by].append((f"rail {s.name}", into))
    return rails


def check_supplies(wiring: Wiring) -> list[Problem]:
    """All problems of the supplies; an empty list when there are none."""
    problems = []
    names = {s.name for s in wiring.supplies}
    for item in wiring.loads:
        if item.supply not in names:
            problems.append(Problem("supply", item.name, f"is fed by '{item.supply}', which is not there"))
        if not 0 < item.at_once <= item.count:
            text = f"at_once must be 1 to {item.count}, not {item.at_once}"
            problems.append(Problem("supply", item.name, text))
    for s in wiring.supplies:
        if s.limit_ma <= 0 or not 0 < s.efficiency <= 1 or s.volts <= 0:
            text = "limit_ma and volts must be above 0, efficiency above 0 and at most 1"
            return [*problems, Problem("supply", s.name, text)]
        if s.volts * (1 + s.tolerance_percent / 100) > EXTRA_LOW_MAX_V:
            text = f"{s.volts:g} V is not extra-low voltage (at most {EXTRA_LOW_MAX_V:g} V DC)"
            text += "; leave mains to an approved power supply"
            problems.append(Problem("extra-low-voltage", s.name, text))
    try:
        rails = budget(wiring)
    except ValueError as problem:
        return [*problems, Problem("supply", "supplies", str(problem))]
    for rail in rails:
        if rail.share > USABLE_SHARE:
            text = (
                f"{rail.total_ma:.0f} mA at the worst is {rail.share:.0%} of its {rail.supply.limit_ma:g} mA"
            )
            text += f"; take one of at least {rail.total_ma / USABLE_SHARE:.0f} mA"
            problems.append(Problem("supply-overload", rail.supply.name, text))
    return problems


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
