"""Requests of any content for the whole app: `run_request_fuzz.py FIRMWARE TESTS_FIRMWARE N SEED FIRST`.

Run by MicroPython, whose parsers and limits are not CPython's. Each request comes in a good frame, and the
next one, a HELLO, must be answered as well, unless the request made the firmware leave. FIRST is a JSON
file of requests to try first, in hexadecimal. Prints how many were tried, answered, refused, and made it
leave; an exception ends the run with its traceback.
"""

import json
import os
import sys
from binascii import unhexlify

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])

from fake_board import FakeBoard, fresh_folder  # noqa: E402
from skidboard import frames  # noqa: E402
from skidboard.app import App  # noqa: E402

COUNT = int(sys.argv[3])
state = int(sys.argv[4])
with open(sys.argv[5]) as f:
    FIRST = [unhexlify(text) for text in json.load(f)]

GOOD = (
    b"\x01\x07\x01\x00x",
    b"\x02\x07",
    b"\x03\x07\x01\x00\x00\x00\x00\x00\x00\x10",
    b"\x04\x07" + bytes(24) + b"host",
    b"\x05\x07",
    b'\x06\x07{"rest_s": 60, "assets": [1, 2], "meter_table": [[5, 200000]]}',
    b"\x07\x07mark words",
    b"\x07\x07duty 300 5",
    b"\x07\x07cleanup start 1",
    b"\x08\x07",
    b"\x09\x07\x00\x00\x00\x00",
)
# What a parser may take differently here, and what a person could send by mistake.
PUTS = (
    b"{1: 2}", b'{1: 2, "rest_s": 3}', b"{[1]: 2}", b"{{}: 2}", b"{null: 1}", b"{true: 1}", b"{1.5: 1}",
    b'{"rest_s": {}}', b'{"rest_s": [[]]}', b'{"rest_s": 1e400}', b'{"rest_s": -1e400}', b'{"rest_s": NaN}',
    b'{"rest_s": true}', b'{"rest_s": null}', b'{"rest_s": "x"}', b'{"rest_s": 99999999999999999999999}',
    b'{"assets": {"a": 1}}', b'{"assets": [null]}', b'{"assets": [[1], [1]]}', b'{"assets": 7}',
    b'{"meter_table": [1]}', b'{"meter_table": [[1, 2, 3]]}', b'{"meter_table": [[null, {}]]}',
    b'{"meter_table": "12345"}', b"[" * 900, b'{"a":' * 300, b'{"a": "' + b"x" * 1900 + b'"}', b"[1, 2]",
    b"7", b"", b"{", b'{"rest_s": 60} {"rest_s": 61}', b'{"": 0}', b'{"rest_s\xff": 1}', b"\xff\xfe\x00",
    b'{"watchdog_ms": 0}', b'{"log_segments": 8}',
)  # fmt: skip
TOKENS = (b"{", b"}", b"[", b"]", b'"', b":", b",", b"1", b"-", b"null", b"true", b"1e9", b"\0", b"\xff",
          b" ", b"99999999999", b"rest_s", b"start", b"stop", b"cleanup")  # fmt: skip


def dice(n):
    """A number below n from a linear congruential generator ("Numerical Recipes")."""
    global state
    state = (1664525 * state + 1013904223) & 0xFFFFFFFF
    return (state >> 8) % n


def spoiled():
    """A good request with some cuts, tokens and bytes of something else."""
    data = GOOD[dice(len(GOOD))] if dice(3) else b"\x06\x07" + PUTS[dice(len(PUTS))]
    for _ in range(1 + dice(4)):
        at = dice(len(data) + 1)
        put = TOKENS[dice(len(TOKENS))] if dice(2) else bytes([dice(256) for _ in range(dice(4))])
        data = data[:at] + put + data[at + (0, 0, 1, 4, 40)[dice(5)] :]
    return data[:2046]


def started():
    """A board in the first seconds of its cycle, its app just made."""
    board = FakeBoard(fresh_folder("requests"))
    with open(board.settings_path, "w") as f:
        json.dump({"purge_volume_ul": 10000, "rest_s": 20, "sample_volume_ul": 6000, "log_segments": 8}, f)
    app = App(board)
    app.watched = True
    board.to_app = b""
    return board, app


def framed(message):
    """A message as it comes over the cable."""
    work = bytearray(len(message) + 4)
    work[: len(message)] = message
    out = bytearray(len(message) + 32)
    return b"\0" + bytes(memoryview(out)[: frames.pack_frame(work, len(message), out)])


def answer(board, app):
    """The next answer, None when the app has left without one."""
    for _ in range(200):
        app.tick()
        app.service()
        for _ in range(200):
            if not app.link.poll():
                break
        if board.from_app.count(b"\0"):
            receiver = frames.Receiver(frames.MAX_MESSAGE)
            for byte in board.from_app:
                n = receiver.push(byte)
                if n >= 2:
                    board.from_app = b""
                    return bytes(memoryview(receiver.buffer)[:n])
            raise AssertionError("an answer that is no good frame")
        if app.leave_code >= 0:
            return None
        board.idle(100)
    raise AssertionError("no answer")


board, app = started()
tried = answered = refused = left = 0
requests = FIRST + [b"\x06\x07" + put for put in PUTS]
while tried < COUNT or requests:
    request = requests.pop(0) if requests else spoiled()
    if len(request) < 2:
        continue
    tried += 1
    try:
        for message in (request, b"\x01\x55\x01\x00again"):
            board.to_app += framed(message)
            reply = answer(board, app)
            if reply is not None:
                assert reply[1] == message[1], reply
                assert reply[0] == message[0] | 0x80 or (reply[0] == 0xFF and reply[2] == message[0]), reply
                answered += 1
                refused += reply[0] == 0xFF
            if app.leave_code >= 0:
                assert request[0] == 8 or request[:1] == b"\r", request
                left += 1
                board, app = started()
                break
    except BaseException:
        print("request", "".join(["%02x" % byte for byte in request]))
        raise
assert "rest_s" in app.settings and os.stat(board.settings_path)[6] > 0
print("tried %d answered %d refused %d left %d" % (tried, answered, refused, left))
