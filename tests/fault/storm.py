"""Random trials of a pull: `python tests/fault/storm.py --trials 2000 --first-seed 0`.

What must hold after every trial, whatever the cable, the disk and the host's own end do:

1. The pull ends, with the log whole in the archive or with an error of ours in one line.
2. It ends in bounded (virtual) time: each request may be repeated 4 times, each READ 12 times, 2 s each.
3. What is in the archive is a prefix of the log, byte by byte; what a torn write may leave behind it is
   no more than part of one write, and is gone after the next pull.
4. The board was never told that a record is safe which the archive does not hold.
5. A pull over a sound cable afterwards ends with archive and log identical.

One trial in twenty kills a real host process instead, see killed_host.py.
"""

from __future__ import annotations

import argparse
import errno
import random
import shutil
import sys
import tempfile
from collections import Counter
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from cable_board import DEVICE, LOG, BadCable, CableBoard, Clock
from killed_host import POSSIBLE, KilledHost
from skidboard import records
from skidwright.archive import pull as pull_module
from skidwright.archive.folder import Archive
from skidwright.archive.log_file import LogWriter
from skidwright.errors import DiskFull, SkidwrightError
from skidwright.link import session as session_module
from skidwright.link.session import Session

SIZES = (0, 3, 27, 28 * 2 + 5, 28 * 4 - 1, 28 * 6 + 11)
RATES = (0.002, 0.01, 0.04, 0.1, 0.3, 0.6)
TIMEOUT_S, TRIES, READ_TRIES = 2.0, 4, 12
KILLS = 0.05


class Killed(BaseException):
    """The host's process ends here."""


class MeddlingFile:
    """The archive's file on a disk that fills up, or in a process that is killed, after `left` bytes."""

    def __init__(self, file: Any, left: int, ending: str) -> None:
        self._file = file
        self._left = left
        self._ending = ending

    def write(self, data: memoryview) -> int:
        n = min(len(data), self._left)
        self._left -= n
        if n or not len(data):
            written: int = self._file.write(data[:n])
            if n == len(data) or self._ending == "full":
                return written
        if self._ending == "full":
            raise OSError(errno.ENOSPC, "No space left on device")
        raise Killed

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


class MeddlingArchive(Archive):
    """An archive on such a disk."""

    left = 0
    ending = ""

    def writer(self, device: str, log: str) -> LogWriter:
        made = super().writer(device, log)
        if self.ending:
            made._file = MeddlingFile(made._file, self.left, self.ending)  # type: ignore[assignment]
        return made


class Storm:
    """Trials in `folder`; `outcomes` counts how they ended, `faults` what was done to them."""

    def __init__(self, folder: Path) -> None:
        self.outcomes: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()
        self.kills: Counter[str] = Counter()
        self.longest_s = 0.0
        self._folder = folder
        self._killed: KilledHost | None = None
        for size in SIZES:
            board = CableBoard(folder / f"log{size}", Clock())
            for i in range(size):
                board.event(records.MARK, a=i, text=f"record {i}")

    def trial(self, seed: int) -> None:
        """One trial. Raises AssertionError with the seed when something does not hold."""
        try:
            dice = random.Random(f"kill {seed}")
            if self._killed is not None and dice.random() < KILLS:
                self.kills[self._killed.trial(dice)] += 1
                self.outcomes["killed -9"] += 1
            else:
                self._trial(random.Random(seed))
        except (AssertionError, SkidwrightError) as broken:
            raise AssertionError(f"seed {seed}: {broken}") from broken

    def use(self, killed: KilledHost | None) -> None:
        """From now on kill pulls of that one too."""
        self._killed = killed

    def _trial(self, dice: random.Random) -> None:
        saved = session_module.time, pull_module.time
        clock = Clock()
        session_module.time = pull_module.time = clock  # type: ignore[assignment]
        try:
            self._pull_over_a_bad_cable(dice, clock)
        finally:
            session_module.time, pull_module.time = saved

    def _pull_over_a_bad_cable(self, dice: random.Random, clock: Clock) -> None:
        place = self._folder / "trial"
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(self._folder / f"log{dice.choice(SIZES)}", place / "log")
        board = CableBoard(place / "log", clock)
        archive = MeddlingArchive.create(place / "archive")
        if dice.random() < 0.3:
            self._pull(board, archive, clock, BadCable(board, clock, dice, 0.0))
            for i in range(dice.choice((0, 1, 30, 80))):
                board.event(records.MARK, a=i, text="later")
        if dice.random() < 0.2:
            archive.ending = dice.choice(("full", "killed"))
            archive.left = dice.randrange(30000)
        cable = BadCable(board, clock, dice, dice.choice(RATES))
        contact = dice.random() < 0.5
        started_s = clock.now_s
        try:
            summary = self._pull(board, archive, clock, cable, contact)
            outcome = "identical"
        except Killed:
            outcome = "killed in mid-write"
        except SkidwrightError as error:
            outcome = type(error).__name__
            assert "\n" not in str(error) and len(str(error)) < 400, str(error)
            assert not isinstance(error, DiskFull) or archive.ending == "full", str(error)
        took_s = clock.now_s - started_s
        if archive.ending and outcome in ("DiskFull", "killed in mid-write"):
            self.faults[f"disk: {archive.ending}"] += 1
        self.outcomes[outcome] += 1
        self.faults.update(cable.faults)
        self.longest_s = max(self.longest_s, took_s)

        log, held = board.log_bytes(), held_bytes(archive)
        segments = -(-len(log) // 4096)
        assert took_s <= TIMEOUT_S * (TRIES * (9 + segments) + READ_TRIES * segments), f"took {took_s} s"
        if outcome == "identical":
            assert not summary.warnings and not summary.segments_missing, summary.warnings
            # A contact that came doubled or late is a record after what the pull asked for.
            assert log.startswith(held) if contact or cable.faults["reset"] else held == log, "not identical"
            assert len(log) - len(held) <= 10 * 144 + 4096
        elif outcome == "killed in mid-write":
            same = next((i for i, (a, b) in enumerate(zip(held, log, strict=False)) if a != b), len(held))
            assert not held[same:].strip(b"\xff"), "bytes that are not the log's"
        else:
            assert log.startswith(held), "not a prefix of the log"
        assert board.journal.stored_seq <= records_in(held), "told that more is safe than is"

        archive.ending = ""
        board.restart()
        self._pull(board, archive, clock, BadCable(board, clock, dice, 0.0))
        assert held_bytes(archive) == board.log_bytes(), "not identical after a sound pull"

    def _pull(
        self, board: CableBoard, archive: Archive, clock: Clock, cable: BadCable, contact: bool = True
    ) -> pull_module.PullSummary:
        with Session(cable, TIMEOUT_S, TRIES) as session:
            return pull_module.pull(session, archive, clock=clock.utc_ms, contact=contact)


def held_bytes(archive: Archive) -> bytes:
    """The log's file in the archive, empty when there is none."""
    path = archive.log_path(DEVICE.hex(), f"{LOG:08x}")
    return path.read_bytes() if path.exists() else b""


def records_in(held: bytes) -> int:
    """Whole records in an archive's file of a sound log that begins at 0."""
    whole, rest = divmod(len(held), 4096)
    return whole * records.SLOTS + max(0, rest - 64) // 144


def run(trials: int, first_seed: int, say: Any = print) -> Storm:
    """All trials; AssertionError when one fails, or when they have tried nothing."""
    shared = Path("/dev/shm")
    with (
        tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None) as folder,
        KilledHost(Path(folder) / "killed") if POSSIBLE else nullcontext() as killed,
    ):
        storm = Storm(Path(folder))
        storm.use(killed)
        for seed in range(first_seed, first_seed + trials):
            storm.trial(seed)
    say(f"{trials} pulls, seeds {first_seed} to {first_seed + trials - 1}")
    say("ended:  " + ", ".join(f"{n} {what}" for what, n in storm.outcomes.most_common()))
    say("faults: " + ", ".join(f"{n} {what}" for what, n in storm.faults.most_common()))
    if storm.kills:
        say("killed: " + ", ".join(f"{n} {what}" for what, n in storm.kills.most_common()))
    say(f"longest: {storm.longest_s:.1f} s of virtual time")
    assert trials > 0 and sum(storm.outcomes.values()) == trials, "nothing was tried"
    missing = [kind for kind in BadCable.KINDS if not storm.faults[kind]]
    assert not missing, f"never tried: {missing}"
    clear = trials - storm.outcomes["identical"]
    assert storm.outcomes["identical"] > 0 and clear > 0, "all ended alike"
    assert not POSSIBLE or trials < 400 or storm.kills["part"] > 0, "no pull was killed in the middle"
    return storm


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--first-seed", type=int, default=0)
    options = parser.parse_args()
    try:
        run(options.trials, options.first_seed)
    except AssertionError as broken:
        sys.exit(f"storm: {broken}")
