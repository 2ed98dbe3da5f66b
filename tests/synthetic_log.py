"""Makes logs of any size for tests and benches: valid segments, CRCs and chain, sensible values.

Written apart from `skidwright.log.dataset`, with zlib, hashlib and the field tables only.
"""

import hashlib
import zlib

import numpy as np
from skidboard import cleanliness, records, settings
from skidwright.log import layouts

DEVICE = bytes.fromhex("e661410403a1b2c3")
LOG = 0x5EED0001
START_UTC_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
PER_ML = (1800.0, 420.0, 38.0, 7.0)  # cumulative; an invented hydraulic fluid of code 18/16/12
_LIMITS = np.array(cleanliness.UPPER_CENTI_PER_ML, dtype=np.int64)


def codes_of(counts, volume_ul):
    """Scale numbers (n, k) of counts (n, k) in volumes (n,), in 64-bit integers."""
    scaled = counts.astype(np.int64) * 100_000
    limits = _LIMITS * np.asarray(volume_ul, np.int64)[:, None, None]
    return (scaled[:, :, None] > limits).sum(axis=2).astype(np.uint8)


def samples(
    n, seed=1, per_ml=PER_ML, interval_ms=600_000, assets=(1,), boot=1, first_seq=0, first_uptime_ms=120_000
):
    """`n` good samples: Poisson counts, steady flow, dry oil at 45 degC, in layout `layouts.SAMPLE`."""
    rng = np.random.default_rng(seed)
    out = np.zeros(n, layouts.SAMPLE)
    index = np.arange(n)
    out["kind"], out["layout"], out["boot"] = records.SAMPLE, records.LAYOUT, boot
    out["seq"] = first_seq + index
    out["uptime_ms"] = first_uptime_ms + index * interval_ms
    out["asset"] = np.asarray(assets, np.uint16)[index % len(assets)]
    pulses, pulse_ul = 150, 200
    volume_ul = pulses * pulse_ul
    out["volume_ul"], out["meter_pulses"] = volume_ul, pulses
    out["purge_ul"] = 200_000
    # each size class by itself, summed up from the largest: cumulative counts never cross
    level = np.exp(0.02 * rng.standard_normal(n))[:, None] * np.asarray(per_ml)[None, :]
    classes = level - np.concatenate((level[:, 1:], np.zeros((n, 1))), axis=1)
    parts = rng.poisson(classes * volume_ul / 1000)
    counts = np.cumsum(parts[:, ::-1], axis=1)[:, ::-1]
    out["counts"] = counts
    ends = np.array([(k + 1) * pulses // 8 for k in range(8)])
    shares = np.diff(np.concatenate(([0], ends))) / pulses
    windows = rng.multinomial(counts[:, 0], shares)
    shift = 0
    while (windows >> shift).max(initial=0) > 0xFFFF:
        shift += 1
    out["windows_4um"], out["window_shift"] = windows >> shift, shift
    out["windows_14um"] = np.minimum(rng.multinomial(counts[:, 2], shares), 0xFFFF)
    mean = 833 + rng.integers(-4, 5, n)
    out["flow_mean_ul_s"] = mean
    out["flow_min_ul_s"], out["flow_max_ul_s"] = mean - rng.integers(5, 20, n), mean + rng.integers(5, 20, n)
    out["count_ms"] = volume_ul * 1000 // mean
    out["prepare_ms"] = 110_000
    water = 7200 + rng.integers(-30, 31, n)
    out["water_mean_ua"] = water
    out["water_min_ua"], out["water_max_ua"] = water - 6, water + 6
    temp = 4500 + rng.integers(-100, 101, n)
    out["temp_mean_cdeg"] = temp
    out["temp_min_cdeg"], out["temp_max_cdeg"] = temp - 8, temp + 8
    out["duty_mean_permille"], out["duty_max_permille"] = 340, 362
    out["codes"] = codes_of(counts, out["volume_ul"])
    few = counts < cleanliness.FEW_PARTICLES
    out["flags"] = (few * (1 << np.arange(4))).sum(axis=1)
    out["calibration_due_day"] = 20_000  # in 2054
    out["settings_crc"] = settings.digest(settings.defaults())
    return out


def event(kind, seq, boot, uptime_ms, **fields):
    """One event record in layout `layouts.EVENT`."""
    row = np.zeros(1, layouts.EVENT)
    row["kind"], row["layout"], row["seq"] = kind, records.LAYOUT, seq
    row["boot"], row["uptime_ms"] = boot, uptime_ms
    for name, value in fields.items():
        row[name] = value.encode() if isinstance(value, str) else value
    return row


def contact(seq, boot, uptime_ms, utc_ms, uncertainty_ms=50):
    """A clock contact record."""
    return event(records.CONTACT, seq, boot, uptime_ms, utc_ms=utc_ms, a=uncertainty_ms, text="test host")


def sealed(rows):
    """Rows of any layout with their CRCs written, as (n, 144) bytes."""
    raw = np.ascontiguousarray(rows).view(np.uint8).reshape(len(rows), records.RECORD_BYTES).copy()
    view = memoryview(raw.reshape(-1))
    size = records.RECORD_BYTES
    sums = [zlib.crc32(view[at : at + size - 4], records.CRC_CARRY) for at in range(0, len(view), size)]
    raw[:, -4:] = np.array(sums, "<u4").view(np.uint8).reshape(-1, 4)
    return raw


def merged(*parts):
    """Samples and events in one order, by sequence number."""
    rows = np.concatenate([np.ascontiguousarray(part).view(layouts.EVENT) for part in parts])
    return rows[np.argsort(rows["seq"], kind="stable")]


def log_bytes(rows, device=DEVICE, log=LOG, first_segment=0, previous_digest=bytes(32), seal=True):
    """The bytes of a log that holds `rows`: full segments and a short open one, chained by SHA-256."""
    raw = sealed(rows) if seal else np.ascontiguousarray(rows).view(np.uint8).reshape(len(rows), -1)
    out = bytearray()
    digest = previous_digest
    for number, start in enumerate(range(0, len(raw), records.SLOTS)):
        part = raw[start : start + records.SLOTS]
        head = part[0].view(layouts.EVENT)[0]
        header = bytearray(records.HEADER_BYTES)
        records.pack_header(
            header, int(head["boot"]), device, log, first_segment + number, int(head["seq"]), digest
        )
        segment = bytes(header) + part.tobytes()
        digest = hashlib.sha256(segment.ljust(records.SEGMENT_BYTES, b"\xff")).digest()
        out += segment
    return bytes(out)


def good_log(n, seed=1, contact_every=0, **kwargs):
    """Bytes of a log of `n` records: a boot, a clock contact, then good samples (and further contacts)."""
    interval = kwargs.get("interval_ms", 600_000)
    body = samples(n - 2, seed, first_seq=2, **kwargs)
    extra = []
    if contact_every:
        for at in range(contact_every, n - 2, contact_every):
            row = contact(int(body["seq"][at]), 1, int(body["uptime_ms"][at]), 0)
            row["utc_ms"] = START_UTC_MS + row["uptime_ms"]
            extra.append(row)
        keep = np.ones(len(body), bool)
        keep[contact_every : n - 2 : contact_every] = False
        body = body[keep]
    rows = merged(
        event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0", a=settings.digest(settings.defaults())),
        contact(1, 1, min(60_000, interval), START_UTC_MS + min(60_000, interval)),
        body,
        *extra,
    )
    return log_bytes(rows)


def write_long_log(path, n, interval_ms=60_000, contact_every=1440):
    """Write a log of `n` good records, some of them clock contacts, in pieces: for logs too large for memory.

    Values repeat every 28,000 samples; numbers, times, CRCs and chain do not.
    """
    piece = 1000 * records.SLOTS
    body = samples(piece, seed=1, interval_ms=interval_ms)
    digest, first_uptime_ms = bytes(32), int(body["uptime_ms"][0])
    with path.open("wb") as file:
        for start in range(0, n, piece):
            rows = body[: min(piece, n - start)].copy()
            rows["seq"] = start + np.arange(len(rows))
            rows["uptime_ms"] = first_uptime_ms + rows["seq"].astype(np.uint64) * np.uint64(interval_ms)
            rows = rows.view(layouts.EVENT)
            for i in range(-start % contact_every, len(rows), contact_every):
                uptime_ms = int(rows["uptime_ms"][i])
                rows[i] = contact(start + i, 1, uptime_ms, START_UTC_MS + uptime_ms)[0]
            raw = log_bytes(rows, first_segment=start // records.SLOTS, previous_digest=digest)
            file.write(raw)
            digest = hashlib.sha256(raw[-records.SEGMENT_BYTES :]).digest()
