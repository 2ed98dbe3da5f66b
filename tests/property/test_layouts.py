"""Layouts: the field tables against the offsets that docs/log_format.md states, and CRC properties."""

import re
import struct
import zlib
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from skidboard import records

DOC = Path(__file__).resolve().parents[2] / "docs" / "log_format.md"
TABLES = {
    "Segment header": (records.HEADER_FIELDS, records.HEADER_BYTES),
    "Record head": (records.HEAD_FIELDS, None),
    "Sample": (records.SAMPLE_FIELDS, records.RECORD_BYTES),
    "Event": (records.EVENT_FIELDS, records.RECORD_BYTES),
}


def documented(title: str) -> list[tuple[int, str, str]]:
    """(offset, type, name) of each row of the table under the heading `title`."""
    text = DOC.read_text().split(f"## {title}\n", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| (\d+) \| (\S+) \| `(\w+)` \|", text, re.MULTILINE)
    return [(int(offset), kind, name) for offset, kind, name in rows]


def laid_out(fields) -> list[tuple[int, str, str]]:
    names = {"B": "u8", "H": "u16", "I": "u32", "Q": "u64", "h": "i16"}
    found, offset = [], 0
    for name, form in fields:
        count, code = re.fullmatch(r"(\d*)(\w)", form).groups()
        kind = f"byte[{count}]" if code == "s" else names[code] + (f"[{count}]" if count else "")
        found.append((offset, kind, name))
        offset += struct.calcsize("<" + form)
    return found


def test_the_document_and_the_code_say_the_same():
    head = len(records.HEAD_FIELDS)
    for title, (fields, size) in TABLES.items():
        expected = laid_out(fields)
        if title in ("Sample", "Event"):
            expected = expected[head:]
        assert documented(title) == expected, title
        if size is not None:
            assert struct.calcsize(records.struct_format(fields)) == size


def test_sizes_fill_a_block():
    assert records.HEADER_BYTES + records.SLOTS * records.RECORD_BYTES == records.SEGMENT_BYTES == 4096


U16 = st.integers(0, 0xFFFF)
U32 = st.integers(0, 0xFFFFFFFF)
U64 = st.integers(0, (1 << 64) - 1)


@given(
    kind=st.integers(2, 255), boot=U16, uptime_ms=U64, a=U32, b=U32, c=U32, d=U32, utc_ms=U64,
    text=st.text(max_size=120), seq=U32,
)  # fmt: skip
def test_an_event_comes_back_as_it_went_in(kind, boot, uptime_ms, a, b, c, d, utc_ms, text, seq):
    slot = bytearray(b"\xee" * records.RECORD_BYTES)
    records.pack_event(slot, kind, boot, uptime_ms, a=a, b=b, c=c, d=d, utc_ms=utc_ms, text=text)
    records.seal_record(slot, seq)
    assert records.record_ok(slot)
    values = struct.unpack(records.EVENT_FORMAT, slot)
    row = dict(zip([name for name, _ in records.EVENT_FIELDS], values, strict=True))
    assert (row["kind"], row["boot"], row["uptime_ms"], row["seq"]) == (kind, boot, uptime_ms, seq)
    assert (row["a"], row["b"], row["c"], row["d"], row["utc_ms"]) == (a, b, c, d, utc_ms)
    kept = row["text"].rstrip(b"\0").decode()
    assert text.rstrip("\0").startswith(kept.rstrip("\0"))
    assert len(text.encode()) > 88 or kept.rstrip("\0") == text.rstrip("\0")
    assert len(kept.encode()) > 84 or len(text.encode()) <= 88


@given(st.lists(st.binary(min_size=136, max_size=136), max_size=28), st.integers(0, 4095), st.integers(0, 7))
def test_one_sum_over_a_segment_shows_any_flipped_bit(bodies, byte, bit):
    block = bytearray(records.SEGMENT_BYTES)
    records.pack_header(block, 1, b"12345678", 7, 1, 100, bytes(32))
    size = records.HEADER_BYTES
    for k, body in enumerate(bodies):
        slot = bytearray(b"\x08\x01\x00\x00" + body + bytes(4))
        records.seal_record(slot, 100 + k)
        block[size : size + records.RECORD_BYTES] = slot
        size += records.RECORD_BYTES
    used = bytes(block[:size])
    assert zlib.crc32(used) == records.CRC_CARRY
    broken = bytearray(used)
    broken[byte % size] ^= 1 << bit
    assert zlib.crc32(broken) != records.CRC_CARRY
