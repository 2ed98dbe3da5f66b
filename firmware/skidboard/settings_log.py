"""Writes the settings in force into the log in full, so that a log can be read by itself.

Their text (`settings.canonical`) goes in pieces, one record a call of `step`, and bears its own proof: its
CRC-32 is the one in every sample. A set of settings is written once, and again each time the log has gone
half round, so that it never lies further back than the log reaches. The file `told` beside the segments
remembers it.
"""

import struct
from binascii import crc32

from skidboard import records, settings
from skidboard.sequence import COUNT, SETTLE

_NOTE = "<III"  # log, CRC-32 of the settings, segment in which their text ended
_NOTE_BYTES = 12


class SettingsLog:
    """The text of the settings of `app` on its way into its journal."""

    def __init__(self, app):
        self._app = app
        self._path = app.board.log_dir + "/told"
        self._text = b""  # while there is some of it to be written
        self._at = 0
        self._told = self._read_note()

    def begin(self):
        """The settings may be others than before: have them written unless this log has them already."""
        app = self._app
        self._text = b""
        if self._told[0] != app.journal.log or self._told[1] != app.settings_crc or self._far_back():
            self._text = settings.canonical(app.settings)
            self._at = 0

    def _far_back(self):
        journal = self._app.journal
        return not 0 <= journal.segment_last - self._told[2] <= journal.capacity() // 2

    def step(self):
        """Write the next piece, if there is one and no sample is being taken."""
        app = self._app
        if app.sequence.state in (SETTLE, COUNT) or app.journal.problem:
            return
        if not self._text:
            if self._far_back():
                self.begin()
            return
        end = self._at + records.TEXT_BYTES
        piece = str(self._text[self._at : end], "utf-8")
        number = self._at // records.TEXT_BYTES
        if app.recorder.event(records.SETTINGS, number, app.settings_crc, len(self._text), text=piece) < 0:
            return
        self._at = end
        if end >= len(self._text):
            self._text = b""
            self._told = (app.journal.log, app.settings_crc, app.journal.segment_last)
            self._write_note()

    def _read_note(self):
        try:
            with open(self._path, "rb") as f:
                raw = f.read(_NOTE_BYTES + 4)
        except OSError:
            return 0, 0, 0
        if len(raw) != _NOTE_BYTES + 4 or crc32(raw) != records.CRC_CARRY:
            return 0, 0, 0
        return struct.unpack_from(_NOTE, raw)

    def _write_note(self):
        """A note that cannot be written, or is lost, costs that the text is written once more."""
        raw = struct.pack(_NOTE, *self._told)
        try:
            with open(self._path, "wb") as f:
                f.write(raw + struct.pack("<I", crc32(raw)))
        except OSError:
            pass
