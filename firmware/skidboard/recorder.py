"""Writes records: fills in what all of them share and hands them to the journal."""

import struct

from skidboard import records
from skidboard.ticks import ticks_diff

_GARBAGE = 2048  # that a record leaves behind, bytes


class Recorder:
    """Makes records from the state of `app` and appends them to its journal.

    `sample_stored` is True while the latest sample is safe in flash; `samples` finished since boot.
    `garbage` grows by about as many bytes as are left behind. The watchdog is fed after each record,
    for several of them may take longer than it waits.
    """

    def __init__(self, app, journal, timebase):
        self._app = app
        self._journal = journal
        self._timebase = timebase
        self._slot = bytearray(records.RECORD_BYTES)
        self.sample_stored = False
        self.samples = 0
        self.garbage = 0

    def event(self, kind, code=0, a=0, b=0, c=0, d=0, utc_ms=0, text="", state=None, asset=None):
        """Append an event; its sequence number, or -1 when it could not be stored."""
        app = self._app
        records.pack_event(
            self._slot, kind, self._timebase.boot, self._timebase.uptime_ms(), app.process.faults,
            app.asset() if asset is None else asset, app.settings["run"], code,
            app.sequence.state if state is None else state, a, b, c, d, utc_ms, text,
        )  # fmt: skip
        return self._append()

    def sample(self, sample, now_ms):
        """Append a finished sample; its sequence number, or -1 when it could not be stored."""
        app = self._app
        settings = app.settings
        ended_ms = self._timebase.uptime_ms() - ticks_diff(now_ms, sample.end_ms)
        sample.pack(
            self._slot,
            self._timebase.boot,
            ended_ms,
            app.asset(),
            settings["run"],
            settings["metal_channels"],
            settings["calibration_due_day"],
            app.settings_crc,
        )
        if app.process.coded is not None:
            app.process.coded.pack(self._slot)
        seq = self._append()
        self.sample_stored = seq >= 0
        self.samples += 1
        return seq

    def last_sample(self, purge):
        """Tell `purge` what the newest sample in the log's last two segments counted, if there is one."""
        journal = self._journal
        slot = self._slot
        for segment in (journal.segment_last, journal.segment_last - 1):
            offset = records.SEGMENT_BYTES
            while offset > records.HEADER_BYTES:
                offset -= records.RECORD_BYTES
                try:
                    if journal.read_into(segment, offset, slot)[0] < records.RECORD_BYTES:
                        continue
                except OSError:
                    return
                if slot[0] == records.SAMPLE and records.record_ok(slot):
                    volume_ul, _, *counts = struct.unpack_from("<2I4I", slot, 32)
                    purge.remember(counts, volume_ul)
                    return

    def _append(self):
        seq = self._journal.append(self._slot)
        self.garbage += _GARBAGE
        self._app.board.feed()
        return seq
