"""Answers the host's requests over the serial port; `docs/link.md` specifies every byte.

Bounded work a poll, and no write ever waits: a reply lies in one buffer and
goes out as the port accepts it, and no further request is looked at before it
is gone. So a host that asks ahead is held up by the port, not by memory.
"""

import json
import struct

from skidboard import VERSION, frames, records
from skidboard.ticks import ticks_diff
from skidboard.trace import ROW_BYTES, ROWS

PROTOCOL = 1

HELLO = 0x01
STATUS = 0x02
READ = 0x03
CONTACT = 0x04
SETTINGS = 0x05
SETTINGS_PUT = 0x06
COMMAND = 0x07
LEAVE = 0x08
TRACE = 0x09
SEAL = 0x0A
REPLY = 0x80
ERROR = 0xFF

# What poll() returns.
NOTHING = 0  # wait as long as you like
MORE = 1  # poll again at once
STALLED = 2  # output waits for the port: poll again in a few milliseconds

READ_HEAD_BYTES = 11
TRACE_HEAD_BYTES = 10
CONTACT_BODY_BYTES = 24
MAX_REQUEST = 2048
# A contact older than this would add more doubt (two clocks drifting) than it takes away.
CONTACT_STALE_MS = 10000

# What an answer leaves behind, bytes: the file it was read from, and JSON as often as it is copied.
_GARBAGE = 2048
_JSON_COPIES = 4

# mpremote interrupts with this, then asks for its prompt with the same first byte.
_INTERRUPT = b"\r\x03"
_PROMPT_MS = 30
_SILENCE_MS = 1000
# An answer of which nothing has gone out for so long is given up: the host that asked is not there any more.
_GIVE_UP_MS = 3000


class Refused(Exception):
    """A request that cannot be carried out; the text goes to the host."""


class Link:
    """The board's end of the cable, for `app` (see app.py) on `board`.

    `garbage` grows by about as many bytes as the answers leave behind.
    """

    def __init__(self, app, board):
        self._app = app
        self._board = board
        self._receiver = frames.Receiver(MAX_REQUEST)
        self._message = bytearray(frames.MAX_MESSAGE + 4)
        self._frame = bytearray(frames.MAX_FRAME)
        self._frame_view = memoryview(self._frame)
        # What has still to go out: made anew for each try it would be garbage while nobody reads.
        self._left = self._frame_view[:0]
        self._out_at = 0
        self._out_n = 0
        self._chunk = bytearray(256)
        self._few = bytearray(2)
        # What to read into at the start of a frame, by how much of mpremote's opening is there already.
        few = memoryview(self._few)
        self._few_views = (few, few[:1], few[:1])
        self._source = self._chunk
        self._in_at = 0
        self._in_n = 0
        self._heard_ms = board.ticks_ms()
        self._moved_ms = self._heard_ms
        self._leaving = False
        self.garbage = 0
        self._handlers = {
            HELLO: self._hello,
            STATUS: self._status,
            READ: self._read,
            CONTACT: self._contact,
            SETTINGS: self._settings,
            SETTINGS_PUT: self._settings_put,
            COMMAND: self._command,
            LEAVE: self._leave,
            TRACE: self._trace,
            SEAL: self._seal,
        }

    def poll(self):
        """Move what moves without waiting; answer one request at most. Returns NOTHING, MORE or STALLED."""
        now_ms = self._board.ticks_ms()
        moved = self._drain()
        if self._out_at < self._out_n:
            if moved:
                self._moved_ms = now_ms
                return MORE
            if ticks_diff(now_ms, self._moved_ms) >= _GIVE_UP_MS:
                # Else the next host would never be heard: nothing is read while an answer waits.
                self._out_at = self._out_n = 0
                self._left = self._frame_view[:0]
                self._moved_ms = now_ms
                return MORE
            return STALLED if ticks_diff(now_ms, self._moved_ms) < _SILENCE_MS else NOTHING
        if self._leaving:
            return MORE if moved else NOTHING
        if self._in_at == self._in_n and not self._fetch(now_ms):
            if self._leaving or self._receiver.held() != len(_INTERRUPT):
                return NOTHING
            return STALLED if self._receiver.pending() == _INTERRUPT else NOTHING
        self._moved_ms = now_ms
        self._take()
        return MORE

    # -- bytes ------------------------------------------------------------------------------------

    def _drain(self):
        n = self._out_n - self._out_at
        if n == 0:
            return 0
        moved = self._board.serial_write(self._left, n)
        if moved:
            self._out_at += moved
            self._left = self._frame_view[self._out_at : self._out_n]
        return moved

    def _fetch(self, now_ms):
        """Read what waits; at the start of a frame no further than needed to know mpremote's opening."""
        held = self._receiver.held()
        silent_ms = ticks_diff(now_ms, self._heard_ms)
        opening = held == 0 or (held <= 2 and self._receiver.pending() == _INTERRUPT[:held])
        if held == 2 and opening and silent_ms > _PROMPT_MS:
            return self._give_way()
        source = self._few if opening else self._chunk
        n = self._board.serial_read(self._few_views[held] if opening else source)
        if n == 0:
            return 0
        if silent_ms > _SILENCE_MS and held:
            # The rest of a frame broken off long ago will not come any more.
            self._receiver.drop()
        elif held == 2 and opening and source[0] == _INTERRUPT[0]:
            return self._give_way()
        self._heard_ms = now_ms
        self._source = source
        self._in_at = 0
        self._in_n = n
        return n

    def _give_way(self):
        """mpremote is at the door; what it sends next is for the prompt."""
        self._receiver.drop()
        self._leaving = True
        self._app.leave(1)
        return 0

    def _take(self):
        receiver = self._receiver
        while self._in_at < self._in_n:
            n = receiver.push(self._source[self._in_at])
            self._in_at += 1
            if n >= 2:
                self._answer(receiver.buffer, n)
                return
        if len(receiver.pending()) == 4 and receiver.pending() == b"\r\x03\r\x01":
            self._give_way()

    # -- requests ---------------------------------------------------------------------------------

    def _answer(self, request, n):
        message = self._message
        kind = request[0]
        message[1] = request[1]
        try:
            handler = self._handlers.get(kind)
            if handler is None:
                raise Refused("request 0x%02x is unknown to skidboard %s" % (kind, VERSION))
            body_n = handler(memoryview(request)[2:n])
            message[0] = kind | REPLY
        except Refused as refusal:
            body_n = self._refuse(kind, refusal.args[0])
        except OSError as error:
            body_n = self._refuse(kind, "the log cannot be read: error %s" % error.args[0])
        except Exception as error:
            # No request may end the app, and what a parser raises at hostile JSON nobody can list.
            body_n = self._refuse(kind, "request 0x%02x is malformed: %s" % (kind, error))
        self.garbage += _GARBAGE
        self._out_n = frames.pack_frame(message, 2 + body_n, self._frame)
        self._out_at = 0
        self._left = self._frame_view[: self._out_n]
        self._drain()

    def _refuse(self, kind, text):
        self._message[0] = ERROR
        self._message[2] = kind
        return 1 + self._put(text.encode()[:200], 3)

    def _put(self, raw, at=2):
        self._message[at : at + len(raw)] = raw
        return len(raw)

    def _put_json(self, table):
        raw = json.dumps(table).encode()
        self.garbage += _JSON_COPIES * len(raw)
        if len(raw) > frames.MAX_MESSAGE - 2:
            raise Refused("the answer is too long")
        return self._put(raw)

    def _hello(self, body):
        if len(body) < 2:
            raise ValueError("too short")
        app = self._app
        journal = app.journal
        return self._put_json(
            {
                "protocol": PROTOCOL,
                "firmware": VERSION,
                "layout": records.LAYOUT,
                "device": "".join(["%02x" % byte for byte in self._board.device_id]),
                "log": "%08x" % journal.log,
                "boot": app.timebase.boot,
                "uptime_ms": self._uptime_ms(),
                "segment_first": journal.segment_first,
                "segment_last": journal.segment_last,
                "open_bytes": journal.open_bytes,
                "next_seq": journal.next_seq,
                "stored_seq": journal.stored_seq,
            }
        )

    def _uptime_ms(self):
        timebase = self._app.timebase
        timebase.advance(self._board.ticks_ms())
        return timebase.uptime_ms()

    def _status(self, body):
        status = self._app.status()
        status["bad_frames"] = self._receiver.bad_frames
        return self._put_json(status)

    def _read(self, body):
        if len(body) != 8:
            raise ValueError("READ takes 8 bytes")
        segment, offset, length = struct.unpack("<IHH", body)
        if length > records.SEGMENT_BYTES:
            raise Refused("READ gives at most %d bytes" % records.SEGMENT_BYTES)
        head = READ_HEAD_BYTES
        data = memoryview(self._message)[head : head + length]
        n, total, sealed = self._app.journal.read_into(segment, offset, data)
        struct.pack_into("<IHHB", self._message, 2, segment, offset, total, sealed)
        return READ_HEAD_BYTES - 2 + n

    def _contact(self, body):
        if len(body) < CONTACT_BODY_BYTES:
            raise ValueError("CONTACT takes at least %d bytes" % CONTACT_BODY_BYTES)
        utc_ms, uncertainty_ms, stored_seq, at_uptime_ms = struct.unpack_from("<QIIQ", body)
        app = self._app
        if utc_ms == 0:
            # The host's clock is not to be trusted, or it only acknowledges what it holds.
            app.journal.set_stored(stored_seq)
            struct.pack_into("<IQ", self._message, 2, app.journal.next_seq, self._uptime_ms())
            return 12
        age_ms = self._uptime_ms() - at_uptime_ms
        if not 0 <= age_ms <= CONTACT_STALE_MS:
            raise Refused("CONTACT came %d ms after the uptime it names" % age_ms)
        text = str(body[CONTACT_BODY_BYTES:], "utf-8")
        # The two clocks may drift apart by 100 ppm until now, and both are cut to whole milliseconds.
        uncertainty_ms = min(uncertainty_ms + 1 + age_ms // 8192, 0xFFFFFFFF)
        seq, uptime_ms = app.contact(utc_ms + age_ms, uncertainty_ms, stored_seq, text)
        if seq < 0:
            raise Refused("CONTACT could not be stored: %s" % app.journal.problem)
        struct.pack_into("<IQ", self._message, 2, seq, uptime_ms)
        return 12

    def _settings(self, body):
        return self._put_json(self._app.settings)

    def _settings_put(self, body):
        values = json.loads(str(body, "utf-8"))
        if not isinstance(values, dict):
            raise ValueError("a table of settings is needed")
        changed, problem = self._app.put_settings(values)
        if problem:
            raise Refused(problem)
        return self._put_json({"changed": changed})

    def _command(self, body):
        problem = self._app.command(str(body, "utf-8"))
        if problem:
            raise Refused(problem)
        return 0

    def _trace(self, body):
        if len(body) != 4:
            raise ValueError("TRACE takes 4 bytes")
        wanted = struct.unpack("<I", body)[0]
        trace = self._app.process.trace
        first, rows = trace.pack_into(wanted, ROWS, self._message, TRACE_HEAD_BYTES)
        struct.pack_into("<II", self._message, 2, first, trace.next)
        return TRACE_HEAD_BYTES - 2 + rows * ROW_BYTES

    def _seal(self, body):
        if len(body) != 6 + records.NONCE_BYTES:
            raise ValueError("SEAL takes 22 bytes")
        segment, covered = struct.unpack_from("<IH", body)
        journal = self._app.journal
        if not journal.keyed:
            raise Refused("the board has no key, so that it can seal nothing")
        if covered > records.SEGMENT_BYTES or not journal.seal(
            segment, covered, bytes(body[6:]), self._app.timebase.boot, self._uptime_ms(),
            memoryview(self._message)[2:],
        ):  # fmt: skip
            raise Refused("segment %d has no %d bytes to seal" % (segment, covered))
        return records.SEAL_BYTES

    def _leave(self, body):
        self._leaving = True
        self._app.leave(0)
        return 0
