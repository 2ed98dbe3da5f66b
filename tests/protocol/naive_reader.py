"""Reads a log file by docs/log_format.md and nothing else: slow, plain, and no code of the project in it.

`read_log(data)` takes the bytes of a `.skidlog` file and returns a Log.
"""

import hashlib
import struct
import zlib


def with_header_made_anew(block, segment, before):
    """A segment of a plain chain with its damaged header made anew, as it is where that cannot be done."""
    first = block[64:208]
    if len(first) < 144 or zlib.crc32(first[:140], 0x2144DF1C) != struct.unpack("<I", first[140:])[0]:
        return block
    head = b"SKL1" + bytes([1, 0]) + first[2:4] + before[8:20] + struct.pack("<I", segment) + first[4:8]
    head += hashlib.sha256(before + b"\xff" * (4096 - len(before))).digest()
    return head + struct.pack("<I", zlib.crc32(head)) + block[64:]


class Log:
    """What a log holds: device, log id, records as dictionaries, and everything amiss as lines of text."""

    def __init__(self):
        self.device = None
        self.log = None
        self.samples = []
        self.events = []
        self.lost = []  # (segment, slot) of records that are damaged
        self.broken_chain = []  # segments whose previous_digest is not that of the segment before
        self.missing_segments = []
        self.gaps = []  # (first missing number, how many)


def read_log(data):
    log = Log()
    previous_block = None
    previous_segment = None
    next_seq = None
    position = 0
    while position < len(data):
        block = data[position : position + 4096]
        position += 4096
        segment = None
        first_seq = None
        if len(block) >= 64 and block[0:4] == b"SKL1" and block[4] == 1:
            (crc,) = struct.unpack("<I", block[60:64])
            if zlib.crc32(block[0:60]) == crc:
                (segment,) = struct.unpack("<I", block[20:24])
                (first_seq,) = struct.unpack("<I", block[24:28])
                if log.device is None:
                    log.device = block[8:16].hex()
                    log.log = f"{struct.unpack('<I', block[16:20])[0]:08x}"
        header_good = segment is not None
        if segment is None and previous_segment is not None:
            segment = previous_segment + 1
        if segment is not None and previous_segment is not None:
            for number in range(previous_segment + 1, segment):
                log.missing_segments.append(number)
        if not header_good and segment is not None:
            block = with_header_made_anew(block, segment, previous_block)
        follows = header_good and previous_block is not None and segment == previous_segment + 1
        if follows and block[5] == 0:
            padded = previous_block + b"\xff" * (4096 - len(previous_block))
            if block[28:60] != hashlib.sha256(padded).digest():
                log.broken_chain.append(segment)

        slot = 0
        while 64 + 144 * slot < len(block):
            raw = block[64 + 144 * slot : 64 + 144 * (slot + 1)]
            if raw == b"\xff" * len(raw):
                slot += 1
                continue
            good = False
            if len(raw) == 144:
                (crc,) = struct.unpack("<I", raw[140:144])
                good = zlib.crc32(raw[0:140], 0x2144DF1C) == crc
            if good:
                record = read_record(raw)
                record["segment"] = segment
                record["slot"] = slot
                if next_seq is not None and record["seq"] > next_seq:
                    log.gaps.append((next_seq, record["seq"] - next_seq))
                next_seq = record["seq"] + 1
                if record["kind"] == 1:
                    log.samples.append(record)
                else:
                    log.events.append(record)
            else:
                log.lost.append((segment, slot))
            slot += 1
        previous_block = block
        previous_segment = segment
    return log


def settings_in_full(events):
    """The texts of settings that a log holds in full, by their CRC-32."""
    found = {}
    text = b""
    for record in events:
        if record["kind"] == 15:
            if record["code"] == 0:
                text = b""
            text += record["text"].encode()
            if len(text) == record["b"] and zlib.crc32(text) == record["a"]:
                found[record["a"]] = text.decode()
    return found


def read_record(raw):
    u8 = lambda at: raw[at]  # noqa: E731
    u16 = lambda at: int.from_bytes(raw[at : at + 2], "little")  # noqa: E731
    u32 = lambda at: int.from_bytes(raw[at : at + 4], "little")  # noqa: E731
    u64 = lambda at: int.from_bytes(raw[at : at + 8], "little")  # noqa: E731
    i16 = lambda at: int.from_bytes(raw[at : at + 2], "little", signed=True)  # noqa: E731
    record = {
        "kind": u8(0),
        "layout": u8(1),
        "boot": u16(2),
        "seq": u32(4),
        "uptime_ms": u64(8),
        "faults": u32(16),
        "asset": u16(20),
        "run": u16(22),
    }
    if record["kind"] == 1:
        record["count_ms"] = u32(24)
        record["prepare_ms"] = u32(28)
        record["volume_ul"] = u32(32)
        record["purge_ul"] = u32(36)
        record["counts"] = [u32(40), u32(44), u32(48), u32(52)]
        record["metal"] = [u32(56), u32(60)]
        record["windows_4um"] = [u16(64 + 2 * i) for i in range(8)]
        record["windows_14um"] = [u16(80 + 2 * i) for i in range(8)]
        record["flow_min_ul_s"] = u16(96)
        record["flow_mean_ul_s"] = u16(98)
        record["flow_max_ul_s"] = u16(100)
        record["window_shift"] = u8(102)
        record["flags"] = u8(103)
        record["out_of_band_ms"] = u32(104)
        record["water_min_ua"] = u16(108)
        record["water_mean_ua"] = u16(110)
        record["water_max_ua"] = u16(112)
        record["water_state"] = u8(114)
        record["temp_state"] = u8(115)
        record["temp_min_cdeg"] = i16(116)
        record["temp_mean_cdeg"] = i16(118)
        record["temp_max_cdeg"] = i16(120)
        record["duty_mean_permille"] = u16(122)
        record["duty_max_permille"] = u16(124)
        record["codes"] = [u8(126), u8(127), u8(128), u8(129)]
        record["meter_pulses"] = u32(130)
        record["calibration_due_day"] = u16(134)
        record["settings_crc"] = u32(136)
    else:
        record["code"] = u16(24)
        record["state"] = u8(26)
        record["spare"] = u8(27)
        record["a"] = u32(28)
        record["b"] = u32(32)
        record["c"] = u32(36)
        record["d"] = u32(40)
        record["utc_ms"] = u64(44)
        record["text"] = raw[52:140].rstrip(b"\x00").decode("utf-8", "replace")
    record["crc"] = u32(140)
    return record
