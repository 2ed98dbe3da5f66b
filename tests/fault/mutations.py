"""Break the code in named ways, one at a time in a copy of the tree; the tests named must see each.

    python tests/fault/mutations.py [WORDS OF A NAME]        (the end of make mutate)

The tests must pass on the copy as it is, and then fail by an assertion: a timeout, an error of import or a
crash does not count. Exit status 1 when a mutation goes unseen, when its place in the code is not found
exactly once, or when nothing was tried.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
JOURNAL = "tests/firmware/test_journal.py::test_"
SYNC = "tests/fault/test_unsynced_data.py::test_"
PAPER = "tests/papers/test_certificate.py::test_a_"


@dataclass(frozen=True)
class Mutation:
    """What is broken, the file, its text before and after, and the tests that must see it."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


MUTATIONS = (
    Mutation(
        "pull without fsync", "host/skidwright/archive/log_file.py",
        "        try:\n            os.fsync(self._file.fileno())\n", "        try:\n            pass\n",
        (SYNC + "nothing_is_acknowledged_before_it_is_on_disk",),
    ),
    Mutation(
        "acknowledged before the sync", "host/skidwright/archive/pull.py",
        "        writer.sync()\n        run.keep_settings()\n",
        "        session.acknowledge(run.held_seq())\n        writer.sync()\n        run.keep_settings()\n",
        (SYNC + "nothing_is_acknowledged_before_it_is_on_disk",),
    ),
    Mutation(
        "a broken-off pull's bytes acknowledged unsynced", "host/skidwright/archive/pull.py",
        "            writer.sync()\n            session.contact(", "            session.contact(",
        (SYNC + "nor_what_an_interrupted_pull_had_written",),
    ),
    Mutation(
        "boot number not raised past damaged slots", "firmware/skidboard/recovery.py",
        "    tail.boot += tail.damaged\n", "",
        (JOURNAL + "a_boot_number_in_a_damaged_slot_is_not_given_again",),
    ),
    Mutation(
        "stored_seq not clamped", "firmware/skidboard/journal.py",
        "        seq = min(seq, self.next_seq)\n", "",
        (
            JOURNAL + "no_more_is_stored_on_a_host_than_there_is",
            JOURNAL + "stored_never_falls_nor_exceeds_what_there_is",
        ),
    ),
    Mutation(
        "a valid sample left out between", "host/skidwright/papers/verify.py",
        "    if valid.any():\n", "    if False:\n",
        (PAPER + "valid_sample_left_out_between_speaks_against_it",),
    ),
    Mutation(
        "a broken chain inside", "host/skidwright/papers/verify.py",
        "    broken = set(log.chain.broken_segments) & {digest.segment for digest in digests}\n",
        "    broken = set()\n",
        (PAPER + "broken_chain_inside_its_segments_speaks_against_it",),
    ),
)  # fmt: skip


def copy_tree(folder: Path) -> Path:
    """The code and its tests, copied; a test run there imports them and nothing of the project's own tree."""
    for part in ("host", "firmware", "tests"):
        shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def environment(tree: Path) -> dict[str, str]:
    """No byte code is kept: a file changed within a second of another change would not be read again.
    Lines are wide enough for pytest to say why a test failed.
    """
    path = os.pathsep.join(str(tree / part) for part in ("host", "firmware"))
    return dict(os.environ, PYTHONPATH=path, PYTHONDONTWRITEBYTECODE="1", COLUMNS="400")


def run(tree: Path, tests: tuple[str, ...]) -> tuple[int, list[str], str]:
    """Status of pytest, the tests that failed by an assertion, and all it said."""
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", "--timeout", "120"]
    done = subprocess.run([*command, *tests], cwd=tree, env=environment(tree), capture_output=True, text=True)
    failed = re.findall(r"^FAILED (\S+) - (?:AssertionError|assert )", done.stdout, re.MULTILINE)
    return done.returncode, failed, done.stdout + done.stderr


def seen(tree: Path, one: Mutation) -> tuple[bool, str]:
    """Whether each of the tests sees the mutation, and how or why not; the tree is as before afterwards."""
    path = tree / one.file
    text = path.read_text()
    if text.count(one.old) != 1:
        return False, f"its place is in {one.file} {text.count(one.old)} times"
    status, _, said = run(tree, one.tests)
    if status:
        return False, f"its tests fail unbroken: {said[-300:]}"
    path.write_text(text.replace(one.old, one.new))
    try:
        status, failed, said = run(tree, one.tests)
    finally:
        path.write_text(text)
    if status == 1 and set(failed) == set(one.tests):
        return True, f"seen by {', '.join(test.split('::')[1] for test in failed)}"
    return False, f"NOT SEEN; status {status}, failed by assertion: {failed or 'none'}: {said[-300:]}"


def main() -> int:
    wanted = " ".join(sys.argv[1:])
    chosen = [one for one in MUTATIONS if wanted in one.name]
    unseen = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_tree(Path(folder))
        for one in chosen:
            good, words = seen(tree, one)
            unseen += not good
            print(f"{one.name:47} {words}", flush=True)
    print(f"{len(chosen) - unseen} of {len(chosen)} named mutations seen")
    return 1 if unseen or not chosen else 0


if __name__ == "__main__":
    sys.exit(main())
