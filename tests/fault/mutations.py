"""Break the code in named ways, each in a copy of the tree; the tests named must fail, and pass unbroken.

    python tests/fault/mutations.py

Exit status 1 when a mutation goes unseen or its place in the code is not found.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
SYNC = "tests/fault/test_unsynced_data.py"
JOURNAL = "tests/firmware/test_journal.py"
PAPERS = "tests/papers/test_certificate.py tests/papers/test_slip.py tests/fault/test_forgeries.py"
PULL, VERIFY = "host/skidwright/archive/pull.py", "host/skidwright/papers/verify.py"

# What is broken, the file, its text before and after, the tests that must see it.
MUTATIONS = [
    ("pull without fsync", "host/skidwright/archive/log_file.py",
     "        try:\n            os.fsync(self._file.fileno())\n", "        try:\n            pass\n", SYNC),
    ("acknowledged before the sync", PULL,
     "            writer.sync()\n            session.contact(", "            session.contact(", SYNC),
    ("boot number not raised past damaged slots", "firmware/skidboard/recovery.py",
     "    tail.boot += tail.damaged\n", "", JOURNAL),
    ("stored_seq not clamped", "firmware/skidboard/journal.py",
     "        seq = min(seq, self.next_seq)\n", "", JOURNAL),
    ("a valid sample left out between", VERIFY, "    if valid.any():\n", "    if False:\n", PAPERS),
    ("a broken chain inside", VERIFY,
     "    broken = set(log.chain.broken_segments) & {digest.segment for digest in digests}\n",
     "    broken = set()\n", PAPERS),
]  # fmt: skip


def run(tree: Path, tests: str) -> subprocess.CompletedProcess[str]:
    env = dict(os.environ, PYTHONPATH=f"{tree / 'host'}{os.pathsep}{tree / 'firmware'}")
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider"]
    return subprocess.run([*command, *tests.split()], cwd=tree, env=env, capture_output=True, text=True)


def seen(name: str, file: str, old: str, new: str, tests: str) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".venv", ".git", "__pycache__"))
        path = tree / file
        text = path.read_text()
        if text.count(old) != 1:
            print(f"{name}: its place is not found once in {file}")
            return False
        path.write_text(text.replace(old, new))
        done = run(tree, tests)
    failed = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
    print(f"{name}: {failed[0].split(' - ')[0] if failed else 'NOT SEEN, status %d' % done.returncode}", flush=True)
    return done.returncode == 1 and bool(failed)


if __name__ == "__main__":
    chosen = [m for m in MUTATIONS if not sys.argv[1:] or sys.argv[1] in m[0]]
    sys.exit(0 if chosen and all([seen(*m) for m in chosen]) else 1)
