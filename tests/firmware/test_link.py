"""The board's end of the link, with a port and an app made up for it. Runs on CPython and MicroPython."""

import gc
import json
import struct

from fake_board import fresh_folder
from skidboard import frames, link, records, settings
from skidboard.journal import Journal
from skidboard.timebase import Timebase


class Port:
    """The part of a board that the link uses: bytes in, bytes out, a clock set by hand."""

    device_id = bytes([0, 1, 2, 3, 0xFC, 0xFD, 0xFE, 0xFF])

    def __init__(self):
        self.now_ms = 1000
        self.incoming = b""
        self.outgoing = b""
        self.accepts = 1 << 20
        self.reads = 0

    def ticks_ms(self):
        return self.now_ms

    def serial_read(self, buf):
        self.reads += 1
        n = min(len(buf), len(self.incoming))
        buf[:n] = self.incoming[:n]
        self.incoming = self.incoming[n:]
        return n

    def serial_write(self, buf, n):
        n = min(n, self.accepts)
        self.outgoing += bytes(memoryview(buf)[:n])
        return n


class App:
    """What the link asks of the app, each call noted."""

    def __init__(self, port, name):
        self.timebase = Timebase(port.now_ms)
        self.journal = Journal(fresh_folder(name) + "/log", port.device_id, lambda: 0xDEADBEEF)
        self.timebase.boot = self.journal.open()
        self.settings = settings.defaults()
        self.calls = []
        slot = bytearray(records.RECORD_BYTES)
        for i in range(40):
            records.pack_event(slot, records.MARK, self.timebase.boot, i, text="m%d" % i)
            self.journal.append(slot)

    def status(self):
        return {"state": "rest", "faults": ["no flow"]}

    def command(self, text):
        self.calls.append(text)
        return None if text == "start" else "no: %s" % text

    def contact(self, utc_ms, uncertainty_ms, stored_seq, text):
        self.calls.append((utc_ms, uncertainty_ms, stored_seq, text))
        return 41, self.timebase.uptime_ms()

    def put_settings(self, values):
        problems = settings.check_all(values)
        return (0, problems[0]) if problems else (len(values), None)

    def leave(self, code):
        self.calls.append(code)


def start(name):
    port = Port()
    app = App(port, "link_" + name)
    return port, app, link.Link(app, port)


def request(kind, body=b"", tag=7):
    message = bytearray(bytes([kind, tag]) + body + bytes(4))
    frame = bytearray(frames.MAX_FRAME)
    return bytes(frame[: frames.pack_frame(message, len(message) - 4, frame)])


def settle(made, limit=1000):
    """Poll until nothing is left to do."""
    for _ in range(limit):
        if made.poll() != link.MORE:
            return
    raise AssertionError("the link does not come to rest")


def replies(port):
    """The messages sent so far."""
    receiver = frames.Receiver()
    found = []
    for byte in port.outgoing:
        n = receiver.push(byte)
        if n:
            found.append(bytes(receiver.buffer[:n]))
    assert receiver.bad_frames == 0 and len(receiver.pending()) == 0
    port.outgoing = b""
    return found


def ask(port, made, kind, body=b"", tag=7):
    port.incoming += request(kind, body, tag)
    settle(made)
    found = replies(port)
    assert len(found) == 1 and found[0][1] == tag
    return found[0]


def refusal(message, kind):
    assert message[0] == link.ERROR and message[2] == kind
    return message[3:].decode()


def test_hello_whatever_the_version():
    port, app, made = start("hello")
    port.now_ms += 5000
    for version in (1, 9):
        message = ask(port, made, link.HELLO, struct.pack("<H", version) + b"someone")
        assert message[0] == 0x81
        hello = json.loads(message[2:])
        assert hello["protocol"] == 1 and hello["layout"] == 1 and hello["boot"] == 1
        assert hello["device"] == "00010203fcfdfeff" and hello["log"] == "deadbeef"
        assert (hello["segment_first"], hello["segment_last"]) == (1, 2)
        assert hello["open_bytes"] == 64 + 12 * 144 and hello["next_seq"] == 40
        assert hello["uptime_ms"] == 5000


def test_read_gives_the_bytes_on_flash():
    port, app, made = start("read")
    whole = bytearray(4096)
    app.journal.read_into(1, 0, whole)
    message = ask(port, made, link.READ, struct.pack("<IHH", 1, 0, 4096))
    assert message[0] == 0x83
    assert struct.unpack("<IHHB", message[2:11]) == (1, 0, 4096, 1)
    assert message[11:] == bytes(whole)
    message = ask(port, made, link.READ, struct.pack("<IHH", 2, 64, 144))
    assert struct.unpack("<IHHB", message[2:11]) == (2, 64, 64 + 12 * 144, 0)
    assert len(message) == 11 + 144
    message = ask(port, made, link.READ, struct.pack("<IHH", 99, 0, 4096))
    assert struct.unpack("<IHHB", message[2:11]) == (99, 0, 0, 1) and len(message) == 11


def test_read_of_too_much_is_refused():
    port, app, made = start("toomuch")
    text = refusal(ask(port, made, link.READ, struct.pack("<IHH", 1, 0, 4097)), link.READ)
    assert "4096" in text


def test_many_requests_at_once_are_answered_in_order():
    port, app, made = start("many")
    for tag in range(1, 31):
        port.incoming += request(link.READ, struct.pack("<IHH", 1, 0, 4096), tag)
    settle(made)
    assert [m[1] for m in replies(port)] == list(range(1, 31))


def test_status_settings_and_commands():
    port, app, made = start("talk")
    status = json.loads(ask(port, made, link.STATUS)[2:])
    assert status["state"] == "rest" and status["bad_frames"] == 0
    assert json.loads(ask(port, made, link.SETTINGS)[2:]) == settings.defaults()
    assert ask(port, made, link.COMMAND, b"start") == bytes([0x87, 7])
    assert refusal(ask(port, made, link.COMMAND, b"dance"), link.COMMAND) == "no: dance"
    assert json.loads(ask(port, made, link.SETTINGS_PUT, b'{"rest_s": 60}')[2:]) == {"changed": 1}
    assert refusal(ask(port, made, link.SETTINGS_PUT, b'{"rest": 60}'), link.SETTINGS_PUT).startswith("rest:")


def test_malformed_requests_are_refused_by_number():
    port, app, made = start("malformed")
    for kind, body in (
        (link.HELLO, b""),
        (link.READ, b"1234"),
        (link.CONTACT, b"12"),
        (link.SETTINGS_PUT, b"{"),
        (link.SETTINGS_PUT, b"[1]"),
        (link.SETTINGS_PUT, b"\xff\xfe"),
        (link.COMMAND, b"\xff\xfe"),
    ):
        assert refusal(ask(port, made, kind, body), kind)
    assert "0x42" in refusal(ask(port, made, 0x42), 0x42)


def test_contact_is_carried_from_the_uptime_it_names_to_now():
    port, app, made = start("contact")
    port.now_ms += 20000
    body = struct.pack("<QIIQ", 1700000000000, 12, 30, 19000) + "Büro".encode()
    message = ask(port, made, link.CONTACT, body)
    assert struct.unpack("<IQ", message[2:]) == (41, 20000)
    assert app.calls == [(1700000001000, 13, 30, "Büro")]


def test_contact_too_old_or_from_the_future_is_refused():
    port, app, made = start("stale")
    port.now_ms += 20000
    for uptime_ms in (9999, 20001, 1 << 63):
        body = struct.pack("<QIIQ", 1700000000000, 12, 30, uptime_ms)
        assert refusal(ask(port, made, link.CONTACT, body), link.CONTACT)
    assert app.calls == []


def test_contact_without_time_only_acknowledges():
    port, app, made = start("acknowledge")
    message = ask(port, made, link.CONTACT, struct.pack("<QIIQ", 0, 0, 30, 0))
    assert struct.unpack("<IQ", message[2:]) == (40, 0)
    assert app.calls == [] and app.journal.stored_seq == 30


def test_damaged_and_foreign_bytes_are_skipped():
    port, app, made = start("noise")
    good = request(link.COMMAND, b"start")
    bad = bytearray(good)
    bad[4] ^= 0x20
    port.incoming = b"\x55" * 5000 + b"\0" + bytes(bad) + good[:5] + b"\0" + b"\0\0\0" + good
    settle(made)
    assert replies(port) == [bytes([0x87, 7])]
    assert app.calls == ["start"]


def test_a_host_that_does_not_read_stops_nothing():
    port, app, made = start("stalled")
    for tag in range(1, 9):
        port.incoming += request(link.READ, struct.pack("<IHH", 1, 0, 4096), tag)
    port.accepts = 0
    settle(made)  # took a request, could not send
    waiting = len(port.incoming)
    for _ in range(50):
        assert made.poll() == link.STALLED
    assert len(port.incoming) == waiting  # nothing more is taken in meanwhile
    port.now_ms += 1001
    assert made.poll() == link.NOTHING  # and nobody hurries for a host that is gone
    port.accepts = 1000
    for _ in range(1000):
        made.poll()
    assert [m[1] for m in replies(port)] == list(range(1, 9))


def test_one_request_at_most_a_poll():
    port, app, made = start("bounded")
    port.incoming = request(link.STATUS, tag=1) + request(link.STATUS, tag=2)
    sent = 0
    for _ in range(10):
        made.poll()
        now = port.outgoing.count(b"\0")
        assert now - sent <= 1
        sent = now
    assert sent == 2


def test_leave_answers_first():
    port, app, made = start("leave")
    port.accepts = 3
    port.incoming = request(link.LEAVE)
    for _ in range(100):
        made.poll()
    port.incoming = b"\r\x03\r\x01"
    settle(made)
    assert replies(port) == [bytes([0x88, 7])]
    assert app.calls == [0]
    assert port.incoming == b"\r\x03\r\x01"  # for the prompt that follows


def test_mpremote_is_let_in():
    # mpremote 1.29 opens with an interrupt, then asks for the raw prompt (its transport_serial.py).
    for split in (2, 4):
        port, app, made = start("mpremote%d" % split)
        opening = b"\r\x03\r\x01"
        port.incoming = opening[:split]
        settle(made)
        port.incoming += opening[split:]
        port.now_ms += 50
        settle(made)
        assert app.calls == [1]
        assert port.incoming in (b"\r\x01", b"\x01")  # the prompt still sees what asks for it
        made.poll()
        assert port.incoming in (b"\r\x01", b"\x01")


def test_mpremote_behind_the_rest_of_a_broken_frame():
    port, app, made = start("behind")
    port.incoming = request(link.STATUS)[:4]
    settle(made)
    port.now_ms += 2000
    port.incoming = b"\r\x03\r\x01"
    settle(made)
    assert app.calls == [1]


def test_frames_that_begin_like_mpremote_are_frames():
    # A READ whose first zero is at byte 12: COBS code 0x0D, then type 0x03.
    for tag in range(1, 256):
        if tag == 0x0D:
            continue
        raw = b"\r" + bytes([3, tag]) + bytes([1] * 20) + b"\0"
        port, app, made = PORT_APP_LINK
        port.incoming = raw
        settle(made)
        assert app.calls == []


PORT_APP_LINK = start("lookalike")


class DeafPort(Port):
    """A host that asks and does not read; keeps what was offered to it last."""

    offered = None
    tries = 0
    deaf = True

    def serial_write(self, buf, n):
        if not self.deaf:
            return super().serial_write(buf, n)
        self.offered = buf
        self.tries += 1
        return 0


def test_a_host_that_does_not_read_costs_no_memory():
    # While requests wait unread the app tries thousands of times a second: garbage of each try would be
    # collected in some tick.
    port = DeafPort()
    app = App(port, "link_deaf")
    made = link.Link(app, port)
    port.incoming = request(link.READ, struct.pack("<IHH", 1, 0, 4096)) + request(link.HELLO, b"\x01\x00x", 8)
    for _ in range(100):
        made.poll()
    first = port.offered
    gc.collect()
    counted = hasattr(gc, "mem_alloc")
    before = gc.mem_alloc() if counted else 0
    tries = port.tries
    for _ in range(2000):
        made.poll()
    grown = gc.mem_alloc() - before if counted else 0
    assert port.tries == tries + 2000
    assert port.offered is first
    assert grown == 0, grown
    port.deaf = False
    port.accepts = 1000
    settle(made)
    found = replies(port)
    assert [message[0] for message in found] == [link.READ | link.REPLY, link.HELLO | link.REPLY]
    assert len(found[0]) == link.READ_HEAD_BYTES + 4096
