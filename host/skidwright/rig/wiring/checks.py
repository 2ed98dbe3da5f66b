"""All checks of a wiring, over every option too."""

from __future__ import annotations

from .field import check_field
from .levels import check_levels
from .model import Wiring
from .pins import check_pins
from .problem import Problem
from .supplies import check_supplies
from .terminals import check_terminals


def check_wiring(wiring: Wiring) -> list[Problem]:
    """Everything wrong with a wiring, each problem once, in the order of the checks.

    The wiring is checked as it stands, then with each option taken. A signal that an option replaces is not
    missed by the firmware then.
    """
    problems = _check_one(wiring)
    names = {s.name for s in wiring.signals}
    for option in wiring.options:
        if option.replaces not in names:
            text = f"replaces '{option.replaces}', which is not there"
            problems.append(Problem("option", option.name, text))
            continue
        for found in _check_one(wiring.with_option(option)):
            missed = found.rule == "firmware-needs" and found.where == option.replaces
            if not missed and found not in problems:
                problems.append(Problem(found.rule, f"{found.where} (option {option.name})", found.text))
    return problems


def _check_one(wiring: Wiring) -> list[Problem]:
    return [
        *check_pins(wiring),
        *check_levels(wiring),
        *check_supplies(wiring),
        *check_terminals(wiring),
        *check_field(wiring),
    ]
