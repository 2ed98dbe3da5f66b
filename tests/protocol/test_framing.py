"""Framing: published check values, the board's code against `cobs` and zlib, resynchronisation."""

import random
import zlib
from binascii import crc32

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st
from skidboard import frames
from skidboard.records import CRC_CARRY
from skidwright.link.framing import FrameReader, frame

# S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
# April 1999. The first is the paper's example packet, the beginning of an IPv4 header (from memory; the
# `cobs` package, which the same test asks, agrees); the others are its rules worked by hand.
COBS_EXAMPLES = [
    (bytes.fromhex("450000 2c4c79 0000 4006 4f37"), bytes.fromhex("0245 01 04 2c4c79 01 05 40064f37")),
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
    (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
    (b"\x00" + bytes(range(1, 255)), b"\x01\xff" + bytes(range(1, 255))),
    (bytes(range(1, 255)) + b"\x00", b"\xff" + bytes(range(1, 255)) + b"\x01\x01"),
]


def board_stuff(raw: bytes) -> bytes:
    out = bytearray(len(raw) + len(raw) // 254 + 2)
    return bytes(out[: frames.stuff(raw, len(raw), out)])


def board_unstuff(raw: bytes) -> bytes | None:
    out = bytearray(len(raw) + 1)
    n = frames.unstuff(raw, len(raw), out)
    return None if n < 0 else bytes(out[:n])


def board_frame(message: bytes) -> bytes:
    buffer, out = bytearray(message + bytes(4)), bytearray(frames.MAX_FRAME)
    return bytes(out[: frames.pack_frame(buffer, len(message), out)])


def board_messages(raw: bytes) -> list[bytes]:
    receiver, found = frames.Receiver(), []
    for byte in raw:
        n = receiver.push(byte)
        if n:
            found.append(bytes(receiver.buffer[:n]))
    return found


def test_crc32_check_value():
    # CRC-32/ISO-HDLC (ITU-T V.42): check value over "123456789" CBF43926, residue DEBB20E3,
    # both as listed in the "Catalogue of parametrised CRC algorithms" (G. Cook).
    assert crc32(b"123456789") == zlib.crc32(b"123456789") == 0xCBF43926
    assert CRC_CARRY == 0xDEBB20E3 ^ 0xFFFFFFFF
    assert zlib.crc32(b"123456789" + (0xCBF43926).to_bytes(4, "little")) == CRC_CARRY


@pytest.mark.parametrize(("raw", "stuffed"), COBS_EXAMPLES)
def test_cobs_examples(raw, stuffed):
    assert cobs.encode(raw) == stuffed
    assert board_stuff(raw) == stuffed
    assert board_unstuff(stuffed) == raw


BYTES = st.binary(max_size=1200) | st.builds(
    lambda n, fill, tail: bytes([fill]) * n + tail,
    st.integers(200, 800), st.sampled_from([0, 1, 255]), st.binary(max_size=5),
)  # fmt: skip


@given(BYTES)
def test_both_ends_stuff_alike(raw):
    stuffed = cobs.encode(raw)
    assert board_stuff(raw) == stuffed
    assert board_unstuff(stuffed) == raw


@given(st.binary(max_size=600))
def test_both_ends_refuse_the_same_as_no_cobs(raw):
    try:
        expected = cobs.decode(raw)
    except cobs.DecodeError:
        expected = None
    assert board_unstuff(raw) == expected


@given(st.binary(min_size=1, max_size=600))
def test_frames_pass_either_way(message):
    assert board_frame(message) == frame(message)
    assert board_messages(frame(message)) == [message]
    assert FrameReader().feed(board_frame(message)) == [message]


@given(st.lists(st.binary(min_size=1, max_size=80), max_size=6), st.binary(max_size=40), st.data())
def test_however_the_bytes_are_cut(messages, noise, data):
    raw = noise.replace(b"\0", b"\1") + b"\0" + b"".join(frame(m) for m in messages)
    reader, found = FrameReader(), []
    while raw:
        n = data.draw(st.integers(1, len(raw)))
        found += reader.feed(raw[:n])
        raw = raw[n:]
    assert found == messages


@given(st.binary(min_size=1, max_size=300), st.data())
def test_one_damaged_byte_loses_one_frame_at_most(message, data):
    before, after = b"before it", b"after it"
    raw = bytearray(frame(message))
    raw[data.draw(st.integers(0, len(raw) - 1))] ^= data.draw(st.integers(1, 255))
    stream = frame(before) + bytes(raw) + frame(after) + frame(after)
    found = FrameReader().feed(stream)
    assert found[0] == before and found[-1] == after
    assert message not in found[1:-1] or message in (before, after)
    assert board_messages(stream) == found


@settings(deadline=None)
@given(st.integers(0, 1 << 30))
def test_noise_without_end_takes_no_memory(seed):
    source = random.Random(seed)
    reader = FrameReader()
    for _ in range(40):
        reader.feed(bytes(source.randrange(1, 256) for _ in range(997)))
        assert len(reader._rest) <= frames.MAX_FRAME
    assert reader.feed(b"\0" + frame(b"still here")) == [b"still here"]


def test_longest_message_passes():
    message = bytes(range(256)) * (frames.MAX_MESSAGE // 256)
    assert len(message) == frames.MAX_MESSAGE
    assert FrameReader().feed(board_frame(message)) == [message]
    assert board_messages(frame(message)) == [message]


def test_a_frame_without_a_message_is_none_for_either_end():
    reader = FrameReader()
    assert len(frame(b"")) == 5 + 1 and reader.feed(frame(b"")) == [] and reader.bad_frames == 1
    assert board_messages(frame(b"")) == []
