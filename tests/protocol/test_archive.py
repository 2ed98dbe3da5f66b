"""The archive: its layout, what an interruption leaves at the end of a file, faults of the disk."""

import errno
import json
import os
import resource
import subprocess
import sys

import numpy as np
import pytest
from skidwright.archive.folder import Archive
from skidwright.archive.log_file import LogWriter, whole_records
from skidwright.errors import ArchiveBusy, ArchiveError, ArchiveUnreadable, ArchiveVersion, DiskFull
from synthetic_log import good_log

DEVICE, LOG = "00112233aabbccdd", "0badcafe"


def a_log(n_records: int) -> bytes:
    """A valid log's bytes, segments from 0, the last one unfinished."""
    return good_log(n_records)


@pytest.fixture
def archive(tmp_path):
    return Archive.create(tmp_path / "archive")


def test_layout(archive):
    with archive.writer(DEVICE, LOG) as writer:
        writer.append(b"x" * 4096, sealed=True)
        writer.sync()
    assert json.loads((archive.path / "archive.json").read_text()) == {"format": 1}
    assert (archive.path / DEVICE / f"{LOG}.skidlog").read_bytes() == b"x" * 4096
    assert archive.devices() == [DEVICE] and archive.logs(DEVICE) == [LOG]
    found = archive.read(DEVICE, LOG)
    assert isinstance(found, np.memmap) and found.tobytes() == b"x" * 4096 and not found.flags.writeable


def test_an_empty_log_reads_as_nothing(archive):
    archive.writer(DEVICE, LOG).close()
    assert len(archive.read(DEVICE, LOG)) == 0


@pytest.mark.parametrize("content", ['{"format": 2}', '{"format": "1"}', '{"format": []}'])
def test_another_version_is_refused(tmp_path, content):
    (tmp_path / "archive.json").write_text(content)
    for make in (Archive.open, Archive.create):
        with pytest.raises(ArchiveVersion, match="format"):
            make(tmp_path)
    assert (tmp_path / "archive.json").read_text() == content


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"true", b'{"format": true}', b"[1]", b"\xff\xfe", b"[" * 60000, b" " * 70000]
)
def test_a_file_that_is_none_of_ours_is_refused(tmp_path, content):
    (tmp_path / "archive.json").write_bytes(content)
    with pytest.raises(ArchiveUnreadable, match="archive.json"):
        Archive.open(tmp_path)


def test_no_archive_and_a_folder_of_something_else(tmp_path):
    with pytest.raises(ArchiveError, match="no archive"):
        Archive.open(tmp_path / "nothing")
    (tmp_path / "holiday.jpg").write_bytes(b"")
    with pytest.raises(ArchiveError, match="something else"):
        Archive.create(tmp_path)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(ArchiveError):
        Archive.create(tmp_path / "file")


@pytest.mark.parametrize(
    "device", ["../../../../etc", "00112233AABBCCDD", "0" * 15, "0" * 17, "", "a/../b", "\0" * 16]
)
def test_no_name_leads_outside(archive, device):
    with pytest.raises(ArchiveError):
        archive.log_path(device, LOG)
    with pytest.raises(ArchiveError):
        archive.log_path(DEVICE, device)


def test_two_writers_at_once(archive):
    with archive.writer(DEVICE, LOG), pytest.raises(ArchiveBusy):
        archive.writer(DEVICE, LOG)
    archive.writer(DEVICE, LOG).close()


def test_any_interruption_leaves_whole_records(tmp_path):
    """A file cut at any byte: what is left is a prefix in whole records, and the rest is asked for again."""
    whole = a_log(28 * 2 + 6)
    path = tmp_path / "log"
    for size in list(range(0, len(whole), 37)) + [len(whole) - 1, len(whole), 4096, 4097, 8192]:
        path.write_bytes(whole[:size])
        with LogWriter(path) as writer:
            position = writer.position()
            kept = writer.size
        assert kept <= size and path.read_bytes() == whole[:kept]
        assert size - kept < 144 or kept % 4096 == 0
        assert kept % 4096 in (0, *range(64, 4096, 144))
        if kept:
            assert position.segment * 4096 + position.offset == kept
        else:
            assert position.empty


def test_half_written_padding_is_taken_back(tmp_path):
    short = a_log(5)
    path = tmp_path / "log"
    for padding in range(1, 4096 - len(short), 61):
        path.write_bytes(short + b"\xff" * padding)
        with LogWriter(path) as writer:
            assert writer.size == len(short)


def test_space_given_but_never_written_is_taken_back(tmp_path):
    whole = a_log(28 + 5)
    path = tmp_path / "log"
    for extra in (1, 144, 4096, 5 * 4096 + 17):
        path.write_bytes(whole[:4096] + bytes(extra))
        with LogWriter(path) as writer:
            assert writer.size == 4096


def test_damage_in_the_middle_is_kept_as_it_is(tmp_path):
    raw = bytearray(a_log(28 + 5))
    raw[100] ^= 1
    raw[4096 + 100] ^= 1
    path = tmp_path / "log"
    path.write_bytes(raw)
    with LogWriter(path) as writer:
        assert writer.size == len(raw)
    assert path.read_bytes() == raw


def test_position_after_a_damaged_header(tmp_path):
    raw = bytearray(a_log(28 * 3))
    raw[2 * 4096 + 3] ^= 1
    path = tmp_path / "log"
    path.write_bytes(raw)
    with LogWriter(path) as writer:
        assert (writer.position().segment, writer.position().offset) == (3, 0)
    foreign = b"something else entirely" * 400
    path.write_bytes(foreign)
    with pytest.raises(ArchiveUnreadable, match="recognised"):
        LogWriter(path)
    assert path.read_bytes() == foreign


def test_sealing_pads(tmp_path):
    short = a_log(5)
    with LogWriter(tmp_path / "log") as writer:
        writer.append(short, sealed=False)
        writer.append(b"", sealed=True)
        assert writer.block(-1) == short + b"\xff" * (4096 - len(short))
        assert writer.position().offset == 0
    assert whole_records(short + b"\xff" * 300) == len(short)


FULL = """
import resource, signal, sys
from skidwright.archive.folder import Archive
from skidwright.errors import DiskFull
archive = Archive.create(sys.argv[1])
writer = archive.writer("00112233aabbccdd", "0badcafe")
writer.append(b"a" * 4096, sealed=True)
resource.setrlimit(resource.RLIMIT_FSIZE, (6000, 6000))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
try:
    writer.append(b"b" * 4096, sealed=True)
except DiskFull as error:
    print(error)
    print(writer.size)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no resource limits")
def test_a_full_disk_leaves_what_was_there(tmp_path):
    # A limit on the size of files gives EFBIG after part of a write, as a full disk gives ENOSPC.
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path / "archive")], capture_output=True, text=True, check=True
    )
    message, size = done.stdout.splitlines()
    assert "disk is full" in message and "make room" in message and size == "4096"
    assert (tmp_path / "archive" / DEVICE / f"{LOG}.skidlog").read_bytes() == b"a" * 4096
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY


def test_full_on_the_way_in(tmp_path, monkeypatch):
    def full(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(DiskFull):
        Archive.create(tmp_path / "archive")


@pytest.mark.parametrize(("code", "kind"), [(errno.ENOSPC, DiskFull), (errno.EIO, ArchiveUnreadable)])
def test_a_disk_that_does_not_take_what_was_written(archive, monkeypatch, code, kind):
    """Some disks tell of a full or broken place at the sync only."""

    def refused(_fd):
        raise OSError(code, os.strerror(code))

    with archive.writer(DEVICE, LOG) as writer:
        writer.append(a_log(30), sealed=False)
        monkeypatch.setattr(os, "fsync", refused)
        with pytest.raises(kind, match=LOG):
            writer.sync()
        with pytest.raises(kind, match=LOG):
            writer.replace(0, writer.block(0), "0")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the superuser may read everything")
def test_unreadable_file(archive):
    archive.writer(DEVICE, LOG).close()
    path = archive.log_path(DEVICE, LOG)
    path.write_bytes(b"x")
    path.chmod(0)
    with pytest.raises(ArchiveUnreadable, match=LOG):
        archive.read(DEVICE, LOG)


def test_a_folder_where_the_log_should_be(archive):
    archive.log_path(DEVICE, LOG).mkdir(parents=True)
    with pytest.raises(ArchiveError, match=LOG):
        archive.writer(DEVICE, LOG)


def test_a_folder_where_the_lock_should_be(archive):
    archive.log_path(DEVICE, LOG).with_name(f"{LOG}.skidlog.lock").mkdir(parents=True)
    with pytest.raises(ArchiveError, match=LOG):
        archive.writer(DEVICE, LOG)
