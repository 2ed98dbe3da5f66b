"""Record and segment layouts: the one truth for both ends of the wire.

Everything is little-endian. A segment is one 4096-byte flash block: a 64-byte
header and 28 slots of 144 bytes. A slot holds one record, complete in itself.
`docs/log_format.md` specifies every byte.

The CRC-32 of a record starts from `CRC_CARRY`, the value that a CRC-32 over
any message followed by its own CRC always has. So each record is checked alone,
and one CRC-32 over header and records together comes out as `CRC_CARRY` when
all are good; damage to any one of them always shows.
"""

import struct
from binascii import crc32

LAYOUT = 1
# Layouts whose segments a log may hold: a board goes on with its log when its firmware is renewed.
LAYOUTS = (LAYOUT,)
MAGIC = b"SKL1"
SEGMENT_BYTES = 4096
HEADER_BYTES = 64
RECORD_BYTES = 144
SLOTS = (SEGMENT_BYTES - HEADER_BYTES) // RECORD_BYTES
CRC_CARRY = 0x2144DF1C
ERASED = 0xFF
DIGEST_BYTES = 32

CHAIN_SHA256 = 0
CHAIN_HMAC = 1

# Kinds of record. All but SAMPLE share the event layout.
SAMPLE = 1
BOOT = 2
FAULT_RAISED = 3
FAULT_CLEARED = 4
TRIP = 5
SETTING = 6
CONTACT = 7
MARK = 8
RECLAIM = 9
SKIPPED = 10
LEAVE = 11
RECOVERED = 12
BY_HAND = 13
CLEANUP = 14
SETTINGS = 15

KIND_NAMES = {
    SAMPLE: "sample",
    BOOT: "boot",
    FAULT_RAISED: "fault raised",
    FAULT_CLEARED: "fault cleared",
    TRIP: "trip",
    SETTING: "setting changed",
    CONTACT: "clock contact",
    MARK: "operator mark",
    RECLAIM: "segment reclaimed",
    SKIPPED: "cycle skipped",
    LEAVE: "firmware left",
    RECOVERED: "log recovered",
    BY_HAND: "pump by hand",
    CLEANUP: "clean-up run",
    SETTINGS: "settings in full",
}

FLAG_FIXED_DUTY = 1 << 4
# No counts but the code of one channel, see drivers/loop_codes.py.
FLAG_CODE = 1 << 5

# Of the text in an event; what is longer goes on in the next record.
TEXT_BYTES = 88
SUB_WINDOWS = 8
CHANNELS_UM = (4, 6, 14, 21)

# (name, struct format), in order; a count before the format makes an array.
HEADER_FIELDS = (
    ("magic", "4s"),
    ("layout", "B"),
    ("chain", "B"),
    ("boot", "H"),
    ("device", "8s"),
    ("log", "I"),
    ("segment", "I"),
    ("first_seq", "I"),
    ("previous_digest", "32s"),
    ("crc", "I"),
)

HEAD_FIELDS = (
    ("kind", "B"),
    ("layout", "B"),
    ("boot", "H"),
    ("seq", "I"),
    ("uptime_ms", "Q"),
    ("faults", "I"),
    ("asset", "H"),
    ("run", "H"),
)

SAMPLE_FIELDS = HEAD_FIELDS + (
    ("count_ms", "I"),  # how long the count took; uptime_ms is its end
    ("prepare_ms", "I"),  # from the start of the cycle to the start of the count
    ("volume_ul", "I"),  # counted volume
    ("purge_ul", "I"),  # volume drawn for this sample before the count
    ("counts", "4I"),  # raw, cumulative: >=4, >=6, >=14, >=21 um(c)
    ("metal", "2I"),  # ferrous, non-ferrous
    ("windows_4um", "8H"),  # counts >=4 um(c) in eight parts of the sample, each >> window_shift
    ("windows_14um", "8H"),  # counts >=14 um(c) likewise, never shifted, 65535 means "or more"
    ("flow_min_ul_s", "H"),
    ("flow_mean_ul_s", "H"),
    ("flow_max_ul_s", "H"),
    ("window_shift", "B"),
    ("flags", "B"),  # bits 0-3: fewer than 20 particles counted in that channel; bit 4: fixed duty by hand
    ("out_of_band_ms", "I"),
    ("water_min_ua", "H"),
    ("water_mean_ua", "H"),
    ("water_max_ua", "H"),
    ("water_state", "B"),  # worst loop state during the count, see current_loop.py
    ("temp_state", "B"),
    ("temp_min_cdeg", "h"),
    ("temp_mean_cdeg", "h"),
    ("temp_max_cdeg", "h"),
    ("duty_mean_permille", "H"),
    ("duty_max_permille", "H"),
    ("codes", "4B"),  # scale numbers as the board saw them, see cleanliness.py
    ("meter_pulses", "I"),  # of the flow meter during the count
    ("calibration_due_day", "H"),  # of the counter, days since 2000-01-01, 0 unknown
    ("settings_crc", "I"),  # CRC-32 of the settings in force
    ("crc", "I"),
)

EVENT_FIELDS = HEAD_FIELDS + (
    ("code", "H"),
    ("state", "B"),  # of the sampling cycle, see sequence.py
    ("spare", "B"),
    ("a", "I"),
    ("b", "I"),
    ("c", "I"),
    ("d", "I"),
    ("utc_ms", "Q"),  # milliseconds since 1970-01-01T00:00:00Z, 0 unknown
    ("text", "88s"),  # UTF-8, zero-padded
    ("crc", "I"),
)


def struct_format(fields):
    """The `struct` format of a field table, without padding."""
    return "<" + "".join([f for _, f in fields])


# A seal's head, see docs/link.md; the MAC is over it and the bytes of the segment that it covers.
# Label, device, log, segment, bytes of it covered, boot, next number of the log, uptime in ms, nonce.
SEAL_LABEL = b"skidboard seal 1"
SEAL_FORMAT = "<16s8sIIHHIQ16s"
SEAL_HEAD_BYTES = 64
SEAL_BYTES = SEAL_HEAD_BYTES + DIGEST_BYTES
NONCE_BYTES = 16

HEADER_FORMAT = struct_format(HEADER_FIELDS)
SAMPLE_FORMAT = struct_format(SAMPLE_FIELDS)
EVENT_FORMAT = struct_format(EVENT_FIELDS)
_SEQ_OFFSET = 4


def seal_record(slot, seq, crc_carry=CRC_CARRY):
    """Write sequence number and CRC into a 144-byte record buffer, in place."""
    struct.pack_into("<I", slot, _SEQ_OFFSET, seq & 0xFFFFFFFF)
    body = memoryview(slot)[: RECORD_BYTES - 4]
    struct.pack_into("<I", slot, RECORD_BYTES - 4, crc32(body, crc_carry))


def record_ok(slot):
    """True when a 144-byte record's CRC holds."""
    return crc32(slot, CRC_CARRY) == CRC_CARRY


def pack_event(slot, kind, boot, uptime_ms, faults=0, asset=0, run=0, code=0, state=0, a=0, b=0, c=0, d=0,
               utc_ms=0, text=""):  # fmt: skip
    """Fill `slot` (144 bytes) with an event; sequence number and CRC come with the append.

    Text beyond 88 bytes of UTF-8 is cut at a character.
    """
    raw = text.encode()
    n = min(len(raw), TEXT_BYTES)
    while 0 < n < len(raw) and raw[n] & 0xC0 == 0x80:
        n -= 1
    struct.pack_into(EVENT_FORMAT, slot, 0, kind, LAYOUT, boot, 0, uptime_ms, faults, asset, run, code, state,
                     0, a, b, c, d, utc_ms, raw[:n], 0)  # fmt: skip


def pack_header(block, boot, device, log, segment, first_seq, previous_digest, chain=CHAIN_SHA256):
    """Fill the first 64 bytes of `block` with a segment header, CRC included."""
    struct.pack_into(HEADER_FORMAT, block, 0, MAGIC, LAYOUT, chain, boot, device, log, segment, first_seq,
                     previous_digest, 0)  # fmt: skip
    struct.pack_into("<I", block, HEADER_BYTES - 4, crc32(memoryview(block)[: HEADER_BYTES - 4]))


def header_ok(header):
    """True when a 64-byte segment header has the magic, a known layout and a good CRC."""
    return bytes(header[:4]) == MAGIC and header[4] in LAYOUTS and crc32(header[:HEADER_BYTES]) == CRC_CARRY
