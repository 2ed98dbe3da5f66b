"""A PC that loses power: only what was synced is there afterwards, and the board is told of no more.

The disk is a real folder in which os.fsync is watched: of a file that was synced its bytes of that moment
are kept, of a folder that was synced the names that were in it. What a power failure leaves is put together
from these alone, the hardest that POSIX (fsync, rationale) allows. What must hold at each moment at which the
board is told what is safe: an archive put together so holds every record below that number.
"""

import os
import random
from pathlib import Path

import pytest
from cable_board import DEVICE, LOG, BadCable, CableBoard, Clock
from skidboard import records
from skidwright.archive import log_file
from skidwright.archive import pull as pull_module
from skidwright.archive.folder import Archive
from skidwright.link import session as session_module
from skidwright.link.session import Session
from skidwright.log.segment_check import next_seq, parse_header


class Disk:
    """What `fsync` has made safe below `root`, from the start of the watch on."""

    def __init__(self, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.root = root
        self.files: dict[int, bytes] = {}  # by inode
        self.names: dict[int, dict[str, int]] = {root.stat().st_ino: {}}
        self.syncs = 0
        fsync = os.fsync

        def watched(fd: int) -> None:
            fsync(fd)
            self.syncs += 1
            path = Path(f"/proc/self/fd/{fd}").readlink()
            if path.is_dir():
                self.names[path.stat().st_ino] = {p.name: p.stat().st_ino for p in path.iterdir()}
            else:
                self.files[os.fstat(fd).st_ino] = path.read_bytes()

        monkeypatch.setattr(os, "fsync", watched)

    def after_power_failure(self, path: Path) -> bytes | None:
        """The bytes of the file at `path` then, None when its name is lost; b"" when only that is there."""
        inode = self.root.stat().st_ino
        for part in path.relative_to(self.root).parts:
            found = self.names.get(inode, {}).get(part)
            if found is None:
                return None
            inode = found
        return self.files.get(inode, b"")


@pytest.fixture
def clock(monkeypatch):
    made = Clock()
    monkeypatch.setattr(session_module, "time", made)
    monkeypatch.setattr(pull_module, "time", made)
    return made


class Watched:
    """A board, an archive on a watched disk, and what was found each time the board was told what is safe."""

    def __init__(self, tmp_path, clock, monkeypatch):
        self.board = CableBoard(tmp_path / "board", clock)
        self.clock = clock
        (tmp_path / "pc").mkdir()
        self.disk = Disk(tmp_path / "pc", monkeypatch)
        self.folder = tmp_path / "pc" / "archive"
        self.told = []
        self.wrong = []  # (records below this number told to be safe, and how many are)
        set_stored = self.board.journal.set_stored

        def watched(seq):
            self.told.append(seq)
            if seq > self.safe():
                self.wrong.append((seq, self.safe()))
            set_stored(seq)

        self.board.journal.set_stored = watched

    def safe(self):
        """How many records an archive holds that only has what was synced."""
        path = self.folder / DEVICE.hex() / f"{LOG:08x}.skidlog"
        raw = self.disk.after_power_failure(path)
        if not raw or self.disk.after_power_failure(self.folder / "archive.json") is None:
            return 0
        start = (len(raw) - 1) // 4096 * 4096
        block = raw[start : start + log_file.whole_records(raw[start:])]
        return next_seq(block, parse_header(block))

    def grow(self, n):
        for i in range(n):
            self.board.event(records.MARK, a=i, text=f"reading {i}")

    def pull(self, cut_after=None):
        cable = BadCable(self.board, self.clock, random.Random(1), 0.0)
        if cut_after is not None:
            read, left = cable.read, [cut_after]

            def breaking(timeout_s):
                data = read(timeout_s)
                left[0] -= len(data)
                if left[0] < 0:
                    raise KeyboardInterrupt
                return data

            cable.read = breaking
        with Session(cable) as session:
            pull_module.pull(session, Archive.create(self.folder), clock=self.clock.utc_ms)


@pytest.fixture
def watched(tmp_path, clock, monkeypatch):
    if not Path("/proc/self/fd").exists():
        pytest.skip("no /proc here to tell which file is synced")
    return Watched(tmp_path, clock, monkeypatch)


def test_nothing_is_acknowledged_before_it_is_on_disk(watched):
    for n in (5, 60, 28, 300):
        watched.grow(n)
        watched.pull()
        assert watched.told[-1] == watched.safe() > 0
    assert watched.wrong == []
    assert watched.disk.syncs > 8 and len(watched.told) == 8


def test_nor_what_an_interrupted_pull_had_written(watched):
    """Its process ended before it synced: the next pull finds the bytes, and they may not be on disk yet."""
    watched.grow(600)
    for cut_after in range(3000, 60000, 9000):
        with pytest.raises(KeyboardInterrupt):
            watched.pull(cut_after)
    watched.pull()
    assert watched.wrong == []
    assert max(watched.told) == watched.safe() > 600 and len(set(watched.told)) > 3


@pytest.mark.parametrize(
    "broken", ["no fsync", "acknowledged first", "no name synced", "held is safe without a sync"]
)
def test_the_watch_sees_a_pull_that_cheats(watched, monkeypatch, broken):
    if broken == "no fsync":
        monkeypatch.setattr(log_file.LogWriter, "sync", lambda self: None)
    elif broken == "no name synced":
        monkeypatch.setattr(log_file, "sync_folder", lambda folder: None)
        from skidwright.archive import folder

        monkeypatch.setattr(folder, "sync_folder", lambda folder: None)
    elif broken == "acknowledged first":
        sync, calls = log_file.LogWriter.sync, []
        # The one after the last byte comes too late: as if the two lines had changed places.
        monkeypatch.setattr(
            log_file.LogWriter, "sync", lambda self: calls.append(1) or (len(calls) < 2 and sync(self))
        )
    else:
        sync, calls = log_file.LogWriter.sync, []
        monkeypatch.setattr(
            log_file.LogWriter, "sync", lambda self: calls.append(1) or (len(calls) != 1 and sync(self))
        )
        watched.grow(600)
        with pytest.raises(KeyboardInterrupt):
            watched.pull(20000)
        calls.clear()
    watched.grow(60)
    watched.pull()
    assert watched.wrong
