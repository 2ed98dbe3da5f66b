"""Reads a journal's folder back for tests, by the layouts alone and without the journal's own code."""

import os
import struct
from binascii import crc32
from hashlib import sha256

FOLDER_BITS = 4
HEADER = "<4sBBH8sIII32sI"


def segment_path(folder, number):
    """Where segment `number` lies: in a folder for 16 (or as FOLDER_BITS says) of them."""
    return "%s/%07x/%08x.seg" % (folder, number >> FOLDER_BITS, number)


def segment_numbers(folder):
    """The numbers of the segment files, ascending."""
    numbers = []
    for place in os.listdir(folder):
        if len(place) == 7:
            names = [name for name in os.listdir(folder + "/" + place) if name.endswith(".seg")]
            assert all(int(name[:8], 16) >> FOLDER_BITS == int(place, 16) for name in names)
            numbers += [int(name[:8], 16) for name in names]
    return sorted(numbers)


def segment_bytes(folder, number):
    """One segment file's bytes."""
    with open(segment_path(folder, number), "rb") as f:
        return f.read()


def good_records(folder):
    """[(segment, sequence number, record)] of all records whose CRC holds, in order of segments and slots."""
    found = []
    for number in segment_numbers(folder):
        raw = segment_bytes(folder, number)
        for at in range(64, len(raw) - 143, 144):
            record = raw[at : at + 144]
            if crc32(record[:140], 0x2144DF1C) == struct.unpack("<I", record[140:])[0]:
                found.append((number, struct.unpack("<I", record[4:8])[0], record))
    return found


def check_chain(folder, digest=None):
    """Assert that headers are good and each digest stands in the segment after it; how many there are."""
    digest = digest or (lambda block: sha256(block).digest())
    numbers = segment_numbers(folder)
    before = None
    for number in numbers:
        raw = segment_bytes(folder, number)
        magic, _, _, _, _, _, segment, first_seq, previous, crc = struct.unpack(HEADER, raw[:64])
        assert magic == b"SKL1" and segment == number and crc == crc32(raw[:60])
        if before is not None:
            assert before[0] == number - 1
            assert previous == digest(before[1])
            assert first_seq >= before[2]
        padded = raw + b"\xff" * (4096 - len(raw))
        before = (number, padded, first_seq + (len(raw) - 64) // 144)
    return len(numbers)


def field(record, name):
    """One field of an event record: kind, boot, seq, a, b, c, d or text."""
    offset, form = {
        "kind": (0, "<B"), "boot": (2, "<H"), "seq": (4, "<I"), "a": (28, "<I"), "b": (32, "<I"),
        "c": (36, "<I"), "d": (40, "<I"), "text": (52, "<88s"),
    }[name]  # fmt: skip
    value = struct.unpack(form, record[offset : offset + struct.calcsize(form)])[0]
    return value.rstrip(b"\0").decode() if name == "text" else value
