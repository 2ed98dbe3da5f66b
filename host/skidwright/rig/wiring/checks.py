"""All checks of a wiring, over every option too."""

from __future__ import annotations

from skidwright.rig.wiring.levels import check_field
from skidwright.rig.wiring.model import Problem
from skidwright.rig.wiring.supplies import check_terminals

from .levels import check_levels
from .model import Wiring
from .pins import check_pins
from .supplies import check_supplies


def check_wiring(wiring: Wiring) -> list[Problem]:
    """Everything wrong with a wiring, each problem once, in the order of the checks.

    Every combination of options that may be taken together is checked, the one without any first. A signal
    that gives way to an option is not missed by the firmware then.
    """
    problems = _options(wiring)
    if problems:
        return problems
    for taken in wiring.combinations():
        replaced = {name for o in wiring.options if o.name in taken for name in o.replaces}
        label = f" (option {' and '.join(sorted(taken))})" if taken else ""
        for found in _check_one(wiring.with_options(taken)):
            missed = found.rule == "firmware-needs" and found.where in replaced
            if not missed and found not in problems:
                problems.append(Problem(found.rule, found.where + label, found.text))
    return problems


def _options(wiring: Wiring) -> list[Problem]:
    """What is wrong with the options themselves."""
    problems = []
    signals, options = {s.name for s in wiring.signals}, {o.name for o in wiring.options}
    for o in wiring.options:
        for name in set(o.replaces) - signals:
            problems.append(Problem("option", o.name, f"replaces '{name}', which is not there"))
        for name in (set(o.needs) | set(o.without)) - options:
            problems.append(Problem("option", o.name, f"speaks of option '{name}', which is not there"))
        if not any(o.name in taken for taken in wiring.combinations()):
            problems.append(Problem("option", o.name, "can never be taken: what it needs goes without it"))
    parts: list[tuple[str, tuple[str, ...]]] = [(d.id, d.options) for d in wiring.devices]
    parts += [(c.id, c.options) for c in wiring.connectors] + [(x.name, x.options) for x in wiring.loads]
    for where, named in parts:
        for name in set(named) - options:
            problems.append(Problem("option", where, f"is of option '{name}', which is not there"))
    return problems


def _check_one(wiring: Wiring) -> list[Problem]:
    return [
        *check_pins(wiring),
        *check_levels(wiring),
        *check_supplies(wiring),
        *check_terminals(wiring),
        *check_field(wiring),
    ]
