"""Break code at places drawn by lot, one at a time in a copy of the tree, and list what no test sees.

    python tests/fault/mutate.py --mutants 60 --seed 1        (make mutate)

What is broken comes from Cosmic Ray: another operator, another number, a comparison the other way, an
exception not caught, a loop that never runs. The same number of places is drawn in each module, each place
with one of its mutations; annotations are left out. A mutant survives when the module's tests pass; a timeout
counts as seen. Survivors are for judging (docs/mutations.md); exit status 1 is for tests that fail unbroken
and for nothing tried. In `make mutate` the named mutations of mutations.py follow, which must all be seen.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import mutations
from cosmic_ray.commands.init import _all_work_items
from cosmic_ray.mutating import mutate_and_test
from cosmic_ray.testing import run_tests
from cosmic_ray.work_item import MutationSpec, TestOutcome, WorkerOutcome

# The tests that are there for each module and take seconds.
TESTS = {
    "firmware/skidboard/journal.py": "tests/firmware/test_journal.py tests/fault/test_seals.py",
    "host/skidwright/link/framing.py": "tests/protocol/test_framing.py tests/protocol/test_session.py",
    "host/skidwright/archive/log_file.py": "tests/protocol/test_archive.py tests/fault/test_unsynced_data.py",
    "host/skidwright/papers/verify.py": "tests/papers/test_certificate.py tests/fault/test_forgeries.py",
    "host/skidwright/checks/flow.py": "tests/checks/test_each_check.py tests/checks/test_board_agrees.py "
    "tests/checks/test_meter_table_in_checks.py",
}


def annotations(path: Path) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where type annotations stand: first and last line and column of each."""
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        for one in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            if isinstance(one, ast.expr):
                found.append(((one.lineno, one.col_offset), (one.end_lineno or 0, one.end_col_offset or 0)))
    return found


def drawn(path: Path, count: int, dice: random.Random) -> list[MutationSpec]:
    """`count` mutations of a module, each at another place."""
    typed = annotations(path)
    places: dict[tuple[int, int], list[MutationSpec]] = defaultdict(list)
    for item in _all_work_items([path], {}):
        (one,) = item.mutations
        if not any(start <= one.start_pos < end for start, end in typed):
            places[one.start_pos].append(one)
    chosen = dice.sample(sorted(places), min(count, len(places)))
    return [dice.choice(places[place]) for place in chosen]


def module(name: str, count: int, dice: random.Random) -> tuple[int, int]:
    """How many mutants of a module were tried, and how many survived; (0, 0) when its tests fail unbroken."""
    command = f"{sys.executable} -m pytest -q -x -n 0 -p no:cacheprovider {TESTS[name]}"
    started = time.monotonic()
    outcome, said = run_tests(command, 600)
    if outcome != TestOutcome.SURVIVED:
        print(f"{name}: its tests fail unbroken: {said[-500:]}")
        return 0, 0
    # On a machine that gets busy meanwhile, too.
    timeout_s = 30 + 4 * (time.monotonic() - started)
    tried = survived = late = 0
    for one in drawn(Path(name), count, dice):
        result = mutate_and_test([one], command, timeout_s)
        if result.worker_outcome != WorkerOutcome.NORMAL or result.test_outcome == TestOutcome.INCOMPETENT:
            print(f"{name}: line {one.start_pos[0]}: {one.operator_name} could not be tried")
            continue
        tried += 1
        late += result.output == "timeout"
        if result.test_outcome == TestOutcome.SURVIVED:
            survived += 1
            changed = [line for line in (result.diff or "").split("\n")[3:] if line[:1] in "+-" and line[1:]]
            print(f"SURVIVED {name}:{one.start_pos[0]}", *changed[:6], sep="\n    ", flush=True)
    print(f"{name}: {tried} tried, {survived} survived, {late} seen by timeout only", flush=True)
    return tried, survived


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--mutants", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--module", choices=list(TESTS), action="append", help="only this one")
    given = parser.parse_args()
    names = given.module or list(TESTS)
    with tempfile.TemporaryDirectory() as folder:
        tree = mutations.copy_tree(Path(folder))
        os.environ.update(mutations.environment(tree))
        os.chdir(tree)
        counts = [
            module(name, given.mutants // len(names), random.Random(f"{given.seed} {name}")) for name in names
        ]
        os.chdir("/")
    print(f"{sum(tried for tried, _ in counts)} mutants tried, {sum(one for _, one in counts)} survived")
    return 0 if counts and all(tried for tried, _ in counts) else 1


if __name__ == "__main__":
    sys.exit(main())
