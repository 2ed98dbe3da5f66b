"""The naive reader, written from the documents alone, and the real one say the same of every log."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from board_at_pty import BoardAtPty, micropython
from firmware.fake_board import FakeBoard
from hypothesis import given, settings
from hypothesis import strategies as st
from naive_reader import read_log, settings_in_full
from skidboard.app import App
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.link.session import Session
from skidwright.log import damage
from skidwright.log.blocks import Source
from skidwright.log.dataset import chain_of, decode
from synthetic_log import good_log

RECORDS = 28 * 4 + 11
WHOLE = good_log(RECORDS, contact_every=9)


def plain(row: np.void) -> dict:
    """A row of an array as the naive reader has it."""
    found = {}
    for name in row.dtype.names:
        value = row[name]
        if name == "text":
            found[name] = bytes(value).rstrip(b"\0").decode("utf-8", "replace")
        else:
            found[name] = value.tolist()
    return found


def naive_rows(records: list[dict]) -> list[dict]:
    return [{k: v for k, v in r.items() if k not in ("segment", "slot")} for r in records]


def agree(raw: bytes) -> None:
    naive = read_log(raw)
    real = decode(raw)
    assert naive_rows(naive.samples) == [plain(row) for row in real.samples]
    assert naive_rows(naive.events) == [plain(row) for row in real.events]
    assert [r["segment"] for r in naive.samples] == real.sample_segment.tolist()
    assert [r["slot"] for r in naive.samples] == real.sample_slot.tolist()
    assert [r["slot"] for r in naive.events] == real.event_slot.tolist()
    if naive.device is not None:
        assert (naive.device, naive.log) == (real.device.hex(), f"{real.log:08x}")
    damaged = [f for f in real.report.findings if f.kind == damage.DAMAGED_RECORD]
    torn = [f for f in real.report.findings if f.kind == damage.TRAILING_BYTES]
    unknown = [f for f in real.report.findings if f.kind == damage.FOREIGN_BYTES]
    if not unknown:
        lost = [place for place in naive.lost if not (torn and place == naive.lost[-1])]
        assert lost == [(f.segment, f.slot) for f in damaged]
    chain = chain_of(Source(raw))
    assert {n - 1 for n in naive.broken_chain} == set(chain.broken_segments)


def test_a_good_log():
    agree(WHOLE)
    assert len(read_log(WHOLE).samples) + len(read_log(WHOLE).events) == RECORDS


@pytest.mark.parametrize("size", [0, 63, 64, 207, 208, 4095, 4096, 4097, 4096 + 64, 4096 + 200, len(WHOLE)])
def test_a_log_cut_anywhere(size):
    raw = WHOLE[:size]
    if size % 4096 and size % 4096 < 64:
        # Part of a header: the real reader sets it aside as no segment.
        raw = WHOLE[: size - size % 4096]
    agree(raw)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(1, 255)), min_size=1, max_size=4))
def test_damaged_bytes(flips):
    raw = bytearray(WHOLE)
    for at, mask in flips:
        if at >= 4096 + 64:  # the first segment's header stays: a log is known by one
            raw[at] ^= mask
    agree(bytes(raw))


@given(st.lists(st.integers(0, 4), min_size=1, max_size=5, unique=True).map(sorted))
def test_missing_segments(kept):
    agree(b"".join(WHOLE[n * 4096 : (n + 1) * 4096] for n in kept))


@pytest.mark.parametrize("python", ["cpython", *(["micropython"] if micropython() else [])])
def test_logs_that_the_firmware_wrote(tmp_path, python):
    with BoardAtPty(tmp_path, 90, python=python) as board:
        archive = Archive.create(tmp_path / "a")
        for n in (0, 20, 40):
            board.restart(n)
            with Session.open(board.port, timeout_s=5) as session:
                session.command("mark \N{OIL DRUM} gewechselt, 40 \N{DEGREE SIGN}C")
                pull(session, archive)
    device = archive.devices()[0]
    raw = archive.log_path(device, archive.logs(device)[0]).read_bytes()
    agree(raw)
    naive = read_log(raw)
    assert not naive.lost and not naive.broken_chain and not naive.gaps and not naive.missing_segments
    assert [r["seq"] for r in naive.events] == list(range(91 + 3 * 3 + 60))
    assert [r["code"] for r in naive.events if r["kind"] == 7] == [0, 0, 0]
    texts = [r["text"] for r in naive.events]
    assert texts.count("\N{OIL DRUM} gewechselt, 40 \N{DEGREE SIGN}C") == 3


def ticks(app, n):
    for _ in range(n):
        app.tick()
        app.service()
        app.board.idle(100)


def test_the_settings_of_each_sample_are_there_by_the_documents_alone(tmp_path):
    board = FakeBoard(str(tmp_path))
    quick = {"purge_volume_ul": 10000, "rest_s": 20, "settle_ms": 3000, "sample_volume_ul": 6000}
    (tmp_path / "settings.json").write_text(json.dumps(quick))
    app = App(board)
    ticks(app, 1000)
    assert app.put_settings({"sample_volume_ul": 7000}) == (1, None)
    ticks(app, 1000)
    files = sorted(Path(board.log_dir).rglob("*.seg"))
    raw = b"".join(path.read_bytes().ljust(4096, b"\xff") for path in files)
    agree(raw)
    naive = read_log(raw)
    texts = settings_in_full(naive.events)
    assert len(texts) == 2
    volumes = {crc: int(re.search(r"^sample_volume_ul=(\d+)$", text, re.M)[1]) for crc, text in texts.items()}
    assert {volumes[sample["settings_crc"]] for sample in naive.samples} == {6000, 7000}
    assert all(sample["volume_ul"] == volumes[sample["settings_crc"]] for sample in naive.samples)
