"""One line of the bench's table, and how times are taken."""

import time
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """What was measured, as a figure with its aim ("<= 4", ">= 20", or none) and the times behind it."""

    name: str
    value: float
    unit: str
    aim: str = ""
    note: str = ""

    @property
    def met(self):
        """True or False against the aim, None where there is none."""
        if not self.aim:
            return None
        relation, limit = self.aim.split()
        return self.value <= float(limit) if relation == "<=" else self.value >= float(limit)


def best_of(times, **functions):
    """Shortest CPU time in seconds of each function, taken in turn so that all see the same machine.

    CPU time of this process, threads included: what else runs on the machine is not counted.
    """
    found = {name: float("inf") for name in functions}
    for _ in range(times):
        for name, function in functions.items():
            start = time.process_time()
            function()
            found[name] = min(found[name], time.process_time() - start)
    return found
