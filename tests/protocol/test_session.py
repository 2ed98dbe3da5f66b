"""The host's side of the link against a scripted board: lost, late, hostile answers, other versions."""

import json
import os
import struct
import time
import tty
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scripted_port import ScriptedPort
from skidboard import link
from skidwright.errors import (
    BadReply,
    LinkTimeout,
    NotASkid,
    PortBusy,
    PortError,
    PortGone,
    PortNotFound,
    ProtocolMismatch,
    Refused,
    SkidwrightError,
)
from skidwright.link import port as port_module
from skidwright.link.framing import frame
from skidwright.link.port import open_port
from skidwright.link.replies import parse_hello, parse_part, parse_table
from skidwright.link.session import Session

HELLO = {
    "protocol": 1, "firmware": "0.1.0", "layout": 1, "device": "00112233aabbccdd", "log": "0badcafe",
    "boot": 3, "uptime_ms": 123456, "segment_first": 1, "segment_last": 9, "open_bytes": 352, "next_seq": 226,
    "stored_seq": 9,
}  # fmt: skip


def session(answer, noise=b"", tries=3):
    return Session(ScriptedPort(answer, noise), timeout_s=0.02, tries=tries)


def hello_answer(message, **changes):
    return bytes((message[0] | 0x80, message[1])) + json.dumps({**HELLO, **changes}).encode()


def test_hello():
    found = session(hello_answer).hello()
    assert found.device == HELLO["device"] and found.segment_last == 9 and found.boot == 3


def test_banner_and_noise_before_the_first_answer():
    noise = (
        b"MicroPython v1.28.0 on 2026-01-01; Raspberry Pi Pico with RP2040\r\n\xff\x00\x01\x00\x00\x05ab\x00"
    )
    made = session(hello_answer, noise)
    assert made.hello().boot == 3 and made.bad_frames >= 2


@pytest.mark.parametrize("noise", [b"x", b"\x05ab", b"AT\r\n", bytes(range(1, 256)) * 9])
def test_noise_on_the_line_costs_no_request(noise):
    class Noisy(ScriptedPort):
        def write(self, data):
            super().write(noise + data)

    # Asked once each, on a line on which noise without a zero byte comes before every request.
    made = Session(Noisy(hello_answer), timeout_s=0.02, tries=1)
    assert [made.hello().boot for _ in range(3)] == [3, 3, 3]


@pytest.mark.parametrize("lost", [1, 2])
def test_a_lost_answer_is_asked_for_again(lost):
    answered = []

    def answer(message):
        answered.append(message)
        return hello_answer(message) if len(answered) > lost else None

    assert session(answer).hello().boot == 3
    assert len(answered) == lost + 1 and len({m[1] for m in answered}) == 1


def test_late_answers_to_others_are_passed_over():
    def answer(message):
        return [
            bytes((0x82, message[1])) + b"{}",
            bytes((0x81, message[1] ^ 1)) + b"{}",
            hello_answer(message),
        ]

    assert session(answer).hello().boot == 3


def test_silence_is_no_skid_and_later_a_timeout():
    with pytest.raises(NotASkid, match="no skid answers"):
        session(lambda message: None).hello()
    with pytest.raises(NotASkid, match="prompt"):
        session(lambda message: None, b"\r\n>>> ").hello()
    made = session(lambda message: hello_answer(message) if message[0] == link.HELLO else None)
    made.hello()
    with pytest.raises(LinkTimeout, match="stopped answering"):
        made.status()


def test_an_echo_is_no_skid():
    """A loop-back plug, or a line whose TX and RX touch: each request comes back as it was sent."""
    made = session(lambda message: message)
    with pytest.raises(NotASkid, match="no skid answers, only what is sent comes back"):
        made.hello()
    made = session(lambda message: message)
    with pytest.raises(NotASkid, match="no skid answers"):
        list(made.read_ahead([(1, 0, 4096)]))


def test_an_echo_beside_a_skid_does_no_harm():
    made = session(lambda message: [message, hello_answer(message)])
    assert made.hello().boot == 3


def test_a_command_is_never_given_twice():
    made = session(lambda message: None)
    with pytest.raises(NotASkid):
        made.command("mark once")
    assert len(made.port.requests) == 1


@pytest.mark.parametrize("lost", [0, 2])
def test_a_stop_is_given_until_it_is_answered(lost):
    answered = []

    def answer(message):
        answered.append(message)
        if len(answered) <= lost:
            return None
        # The first was done, its answer lost: nothing is left to stop.
        return (
            bytes((0xFF, message[1], message[0])) + b"none is running"
            if lost
            else bytes((message[0] | 0x80, message[1]))
        )

    made = session(answer)
    made.port.write(b"half a frame, broken off")
    made.insist("cleanup stop")
    assert [message[2:] for message in answered] == [b"cleanup stop"] * (lost + 1)


def test_a_stop_that_is_refused_at_once_is_refused():
    def answer(message):
        return bytes((0xFF, message[1], message[0])) + b"none is running"

    with pytest.raises(Refused, match="none is running"):
        session(answer).insist("cleanup stop")
    with pytest.raises(NotASkid):
        session(lambda message: None).insist("stop")


def test_refusal_in_the_board_s_words():
    def answer(message):
        return bytes((0xFF, message[1], message[0])) + b"rest: there is no such setting\x1b[2J\n"

    with pytest.raises(Refused, match="rest: there is no such setting") as caught:
        session(answer).put_settings({"rest": 1})
    assert "\x1b" not in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "remedy"),
    [
        ({"protocol": 2}, "update skidwright"),
        ({"protocol": 0}, "skidwright install"),
        ({"layout": 7}, "update"),
    ],
)
def test_another_version_says_both_and_the_remedy(changes, remedy):
    with pytest.raises(ProtocolMismatch, match=remedy) as caught:
        session(lambda message: hello_answer(message, **changes)).hello()
    assert "0.1.0" in str(caught.value) and str(list(changes.values())[0]) in str(caught.value)


@pytest.mark.parametrize(
    "changes",
    [
        {"device": "../../../../etc0"}, {"device": "00112233AABBCCDD"}, {"device": 5}, {"device": None},
        {"log": "../../.."}, {"log": "0badcafe0"}, {"boot": -1}, {"boot": 65536}, {"boot": True},
        {"boot": 1.5},
        {"open_bytes": 4097}, {"segment_last": 1 << 30}, {"segment_first": 11}, {"segment_last": 600000},
        {"next_seq": 1 << 32}, {"uptime_ms": "soon"}, {"protocol": "1"},
    ],
)  # fmt: skip
def test_impossible_hello(changes):
    with pytest.raises(BadReply):
        session(lambda message: hello_answer(message, **changes)).hello()


@pytest.mark.parametrize(
    "body",
    [b"", b"\xff\xfe", b"[]", b"1", b'{"a":', b"[" * 4000, b'{"a":' * 700, b'{"a": NaN}', b'{"a": Infinity}',
     b'{"a": ' + b"9" * 4000 + b"}", b'{"a": {"b": {"c": {"d": 1}}}}'],
)  # fmt: skip
def test_impossible_tables(body):
    with pytest.raises(BadReply):
        parse_table(body, "port")


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.binary(max_size=400) | st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=20), inner, max_size=4),
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_any_answer_is_understood_or_refused(body):
    for parse in (lambda: parse_table(body, "port"), lambda: parse_hello(body, "port"),
                  lambda: parse_part(body, 1, 0, 4096, "port")):  # fmt: skip
        try:
            parse()
        except SkidwrightError as error:
            assert "\n" not in str(error) and len(str(error)) < 500


def test_a_part_must_fit_its_question():
    head = struct.Struct("<IHHB")
    good = head.pack(3, 64, 352, 0) + bytes(288)
    assert parse_part(good, 3, 64, 4032, "port").total == 352
    for bad in (
        head.pack(4, 64, 352, 0) + bytes(288),
        head.pack(3, 65, 352, 0) + bytes(288),
        head.pack(3, 64, 4097, 0) + bytes(4032),
        head.pack(3, 64, 352, 2) + bytes(288),
        good + b"x",
        good[:-1],
        b"",
    ):
        with pytest.raises(BadReply):
            parse_part(bad, 3, 64, 4032, "port")


def board_of_segments(lose=()):
    """A scripted board that answers READs, but not the requests whose places in the order are in `lose`."""
    seen = []

    def answer(message):
        seen.append(message)
        segment, offset, length = struct.unpack_from("<IHH", message, 2)
        if len(seen) - 1 in lose:
            return None
        if segment == 13:
            return bytes((0xFF, message[1], message[0])) + b"the log cannot be read: error 5"
        data = bytes([segment & 0xFF]) * 4096
        return (
            bytes((0x83, message[1]))
            + struct.pack("<IHHB", segment, offset, 4096, 1)
            + data[offset:][:length]
        )

    return answer


@pytest.mark.parametrize("lose", [(), (0,), (3,), (0, 1, 2, 3), (5, 9, 10, 19), tuple(range(0, 60, 2))])
def test_read_ahead_gives_all_parts_in_order(lose):
    made = session(board_of_segments(lose))
    found = list(made.read_ahead([(n, 0, 4096) for n in range(30)]))
    assert [part.data[0] if not isinstance(part, Refused) else "refused" for part in found] == [
        n if n != 13 else "refused" for n in range(30)
    ]


def test_a_single_request_amid_read_ahead_loses_nothing():
    answer = board_of_segments()
    made = session(lambda m: hello_answer(m) if m[0] == link.HELLO else answer(m))
    found = []
    for part in made.read_ahead([(n, 0, 4096) for n in range(12)]):
        found.append(part.segment)
        assert made.hello().boot == 3
    assert found == list(range(12))
    assert sum(m[0] == link.READ for m in made.port.requests) == 12


def test_read_ahead_passes_over_answers_from_an_earlier_talk():
    answer = board_of_segments()

    def with_leftovers(message):
        fitting = answer(message)
        other = bytearray(fitting)
        other[2] ^= 0x40
        return [bytes(other), fitting]

    parts = list(session(with_leftovers).read_ahead([(n, 0, 4096) for n in range(9)]))
    assert [part.segment for part in parts] == list(range(9))


def test_read_ahead_gives_up_on_silence():
    made = session(board_of_segments(range(10000)))
    with pytest.raises(NotASkid):
        list(made.read_ahead([(1, 0, 4096)]))


def test_the_time_told_holds_whatever_the_cable_delays():
    """The clock moves 7 ms a message, the board's uptime is 1000 ms behind, CONTACT itself takes 400 ms."""
    now = [5_000_000]
    told = []

    def answer(message):
        now[0] += 7
        if message[0] == link.HELLO:
            return hello_answer(message, uptime_ms=now[0] - 1000)
        now[0] += 400
        told.append(struct.unpack_from("<QIIQ", message, 2))
        return bytes((0x84, message[1])) + struct.pack("<IQ", 77, now[0] - 1000)

    assert session(answer).contact(12, clock=lambda: now[0], text="here") == 77
    utc_ms, uncertainty_ms, stored_seq, at_uptime_ms = told[0]
    assert stored_seq == 12
    assert abs(utc_ms - (at_uptime_ms + 1000)) <= uncertainty_ms <= 10


def test_a_clock_that_runs_backwards_is_not_told():
    now = [5_000_000]
    told = []

    def clock():
        now[0] -= 50
        return now[0]

    def answer(message):
        if message[0] == link.HELLO:
            return hello_answer(message)
        told.append(struct.unpack_from("<QIIQ", message, 2))
        return bytes((0x84, message[1])) + struct.pack("<IQ", 226, 0)

    session(answer).contact(12, clock=clock)
    assert told == [(0, 0, 12, 0)]


# -- ports ------------------------------------------------------------------------------------------


def test_ports_that_are_none(tmp_path):
    with pytest.raises(PortNotFound, match="no such port.*ports here now"):
        open_port(str(tmp_path / "ttyACM9"))
    file = tmp_path / "file"
    file.write_bytes(b"x")
    with pytest.raises(PortError, match="not a serial port"):
        open_port(str(file))
    with pytest.raises(PortError):
        open_port(str(tmp_path))
    for url in ("socket://127.0.0.1:1", "socket://127.0.0.1", "socket://", "socket://h:99999999"):
        with pytest.raises(PortNotFound):
            open_port(url)
    assert file.read_bytes() == b"x"


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("wait_s", [60.0, 0.3])
def test_a_port_in_use_is_waited_for(monkeypatch, wait_s):
    """Short commands come after one another; what holds the port for longer is named in one line."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    monkeypatch.setattr(port_module, "BUSY_WAIT_S", wait_s)
    first = open_port(name)
    looks = []

    def sleep(seconds):
        # The other program ends while it is waited for; with the short wait it never does.
        looks.append(seconds)
        time.sleep(seconds)
        if wait_s > 1 and len(looks) == 3:
            first.close()

    monkeypatch.setattr(port_module, "time", SimpleNamespace(monotonic=time.monotonic, sleep=sleep))
    if wait_s > 1:
        open_port(name).close()
        assert len(looks) == 3
    else:
        with pytest.raises(
            PortBusy, match=r"in use by another program; end it there \(Ctrl-C in its window\)"
        ):
            open_port(name)
        assert 1 <= len(looks) <= wait_s / looks[0] + 1
    first.close()
    os.close(master)
    os.close(slave)


def test_ports_are_not_waited_for_long():
    assert 1.0 <= port_module.BUSY_WAIT_S <= 3.0


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_a_port_is_opened_once_and_can_vanish(monkeypatch):
    monkeypatch.setattr(port_module, "BUSY_WAIT_S", 0.0)
    master, slave = os.openpty()
    tty.setraw(slave)
    port = open_port(os.ttyname(slave))
    with pytest.raises(PortError, match="in use"):
        open_port(os.ttyname(slave))
    os.write(master, b"hello")
    assert port.read(1.0) == b"hello"
    assert port.read(0.01) == b""
    port.write(b"there")
    assert os.read(master, 10) == b"there"
    os.close(master)
    with pytest.raises(PortGone, match="broke off.*cable"):
        port.read(1.0)
    port.close()
    port.close()
    os.close(slave)


def test_a_board_that_chatters_without_end_is_given_up():
    """Frames that answer nothing do not put off the end of waiting, however many come."""
    chatter = frame(bytes((link.READ | link.REPLY, 0)) + bytes(9))

    class Chatterbox(ScriptedPort):
        reads = 0

        def read(self, timeout_s):
            Chatterbox.reads += 1
            assert Chatterbox.reads < 1_000_000
            return super().read(timeout_s) or chatter * 20

    session = Session(Chatterbox(lambda message: None), timeout_s=0.01)
    with pytest.raises(LinkTimeout):
        session.request(link.STATUS)
    with pytest.raises(LinkTimeout):
        list(session.read_ahead([(1, 0, 4096), (2, 0, 4096)]))
