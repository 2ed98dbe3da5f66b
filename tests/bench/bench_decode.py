"""Decoding and verifying against the least that any reader must do, and against reading CSV."""

import hashlib
import io
import zlib

import numpy as np
import synthetic_log as sl
from row import Row, best_of
from skidwright.checks import CheckLimits, Judge
from skidwright.log import blocks, dataset
from skidwright.log.timeline import TimelineBuilder
from skidwright.papers.export import write_csv

RECORDS = 1_000_000


def rows(folder):
    """Rows on one log of a million records, all in memory."""
    path = folder / "million.skidlog"
    sl.write_long_log(path, RECORDS)
    log = path.read_bytes()
    path.unlink()

    def floor():
        zlib.crc32(log)
        np.frombuffer(log, np.uint8)

    data = dataset.decode(log)
    assert data.report.ok and data.report.records == RECORDS
    builder = TimelineBuilder()
    builder.add(data.samples, data.events)
    line = builder.build()
    limits = CheckLimits(sensing_volume_ml=2.5e-6)
    pieces = list(dataset.decode_in_pieces(log))
    verdicts = Judge(limits, None, line).judge(data)

    found = best_of(
        9,
        floor=floor,
        decode=lambda: decode_all(log),
        at_once=lambda: dataset.decode(log),
        chain=lambda: dataset.chain_of(blocks.Source(log)),
        sha256=lambda: hashlib.sha256(log),
        judge=lambda: judge_all(pieces, Judge(limits, None, line)),
    )
    ms = {name: f"{value * 1000:.0f} ms" for name, value in found.items()}
    return [
        Row(
            "decode and verify by CRC in pieces, against one CRC-32 pass and frombuffer",
            found["decode"] / found["floor"],
            "x",
            "<= 4",
            f"{ms['decode']} against {ms['floor']} for {RECORDS:,} records",
        ),
        Row(
            "the same into one array of all records",
            found["at_once"] / found["floor"],
            "x",
            note=f"{ms['at_once']}, 144 MB of fresh memory included",
        ),
        Row(
            "decode and verify by CRC and by the chain of digests, against the same",
            (found["decode"] + found["chain"]) / found["floor"],
            "x",
            note=f"the chain takes {ms['chain']}; one SHA-256 over the same bytes {ms['sha256']}",
        ),
        Row(
            "all checks, against decode and verify",
            found["judge"] / found["decode"],
            "x",
            "<= 6",
            f"{ms['judge']} for {len(data):,} samples",
        ),
        _csv(log, data, verdicts),
    ]


def decode_all(log):
    """Every record verified and in an array, piece after piece, as check, report and export read a log."""
    for _ in dataset.decode_in_pieces(log):
        pass


def judge_all(pieces, judge):
    """Verdicts on all pieces, one after the other."""
    for piece in pieces:
        judge.judge(piece)


def _csv(log, data, verdicts):
    import pandas

    text = io.StringIO(newline="")
    write_csv([(data, verdicts)], text)
    raw = text.getvalue().encode()
    found = best_of(4, pandas=lambda: pandas.read_csv(io.BytesIO(raw)), decode=lambda: decode_all(log))
    ms = {name: f"{value * 1000:.0f} ms" for name, value in found.items()}
    return Row(
        "decode and verify, against pandas.read_csv of our export",
        found["pandas"] / found["decode"],
        "x faster",
        ">= 20",
        f"{ms['decode']} against {ms['pandas']} for {len(raw) / 1e6:.0f} MB of CSV",
    )
