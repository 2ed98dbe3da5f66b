"""What standing faults mean and what to do about them, for `status`, `watch` and `tell`."""

from __future__ import annotations

import re
from typing import Any

from skidwright.errors import Refused
from skidwright.meanings.faults import Fault, by_name

_IN_REFUSAL = re.compile(r"^reset: (?P<there>.+) is still there$|tripped \((?P<tripped>[^)]*)\)")


def _known(names: list[str]) -> list[Fault]:
    return [fault for fault in map(by_name, names) if fault is not None]


def rows(state: dict[str, Any]) -> list[tuple[str, str]]:
    """For each fault that stands, what it means and what to do; after a trip also how sampling comes back."""
    standing = _known([str(name) for name in state.get("faults") or []])
    made = [(f"  {fault.name}", f"{fault.meaning} To do: {fault.remedy}") for fault in standing]
    after = after_trip(state)
    if after:
        made.append(("  to go on", after))
    return made


def after_trip(state: dict[str, Any]) -> str:
    """What the operator has to do for a tripped skid to go on; "" when it is not tripped."""
    if state.get("state") != "tripped":
        return ""
    standing = _known([str(name) for name in state.get("faults") or []])
    held = [fault for fault in standing if fault.held]
    stopping = held or [fault for fault in standing if fault.interlock]
    return stopping[0].after_trip if stopping else "`skidwright tell PORT reset`"


def with_remedy(refused: Refused) -> Refused:
    """The board's refusal of a command, with what to do about the fault that it names."""
    found = _IN_REFUSAL.search(refused.what)
    names = (found["there"] or found["tripped"]).split(", ") if found else []
    standing = _known(names)
    if not standing:
        return refused
    # What an operator has to end comes first.
    first = sorted(standing, key=lambda fault: not fault.held)[0]
    return Refused(refused.what, refused.where, first.remedy)
