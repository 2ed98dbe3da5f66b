"""Framing, on both interpreters (viper machine code on MicroPython, plain Python on CPython).

The pairs are the examples of consistent overhead byte stuffing that follow from the rules of
S. Cheshire and M. Baker (IEEE/ACM Trans. Networking 7(2), 1999); worked by hand.
"""

from skidboard import frames

PAIRS = (
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
    (bytes(range(0, 255)), b"\x01\xff" + bytes(range(1, 255))),
    (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
    (bytes(range(2, 256)) + b"\x00", b"\xff" + bytes(range(2, 256)) + b"\x01\x01"),
    (bytes(range(3, 256)) + b"\x00\x01", b"\xfe" + bytes(range(3, 256)) + b"\x02\x01"),
)


def _noise(n, seed):
    out = bytearray(n)
    for i in range(n):
        seed = (seed * 1103515245 + 12345) & 0x7FFFFFFF
        out[i] = (seed >> 16) & 0xFF if seed & 0x300000 else 0
    return out


def test_worked_pairs():
    for plain, stuffed in PAIRS:
        target = bytearray(len(plain) + 8)
        n = frames.stuff(plain, len(plain), target)
        assert bytes(target[:n]) == stuffed, plain
        back = bytearray(len(plain) + 8)
        m = frames.unstuff(stuffed, len(stuffed), back)
        assert bytes(back[:m]) == plain, stuffed


def test_round_trip_of_many_lengths():
    for n in list(range(0, 520)) + [frames.MAX_MESSAGE]:
        source = _noise(n, n + 1)
        target = bytearray(n + n // 254 + 2)
        length = frames.stuff(source, n, target)
        assert bytes(target[:length]).find(b"\x00") < 0
        assert frames.unstuff(target, length, target) == n
        assert target[:n] == source


def test_what_is_not_stuffed_is_refused():
    target = bytearray(16)
    assert frames.unstuff(b"\x05\x11\x22", 3, target) == -1
    assert frames.unstuff(b"\x03\x11\x00", 3, target) == -1
    assert frames.unstuff(b"\x00", 1, target) == -1


def test_a_receiver_is_right_again_after_the_next_zero():
    message = bytearray(b"\x02\x07hello\x00world" + bytes(4))
    frame = bytearray(64)
    n = frames.pack_frame(message, len(message) - 4, frame)
    receiver = frames.Receiver(64)
    stream = b"left over from before\x00" + bytes(frame[:n])
    got = [receiver.push(byte) for byte in stream]
    assert got[:-1] == [0] * (len(stream) - 1)
    assert bytes(receiver.buffer[: got[-1]]) == b"\x02\x07hello\x00world"
    assert receiver.bad_frames == 1


def test_a_frame_too_long_is_dropped_whole():
    receiver = frames.Receiver(16)
    for byte in b"\x01" * 500 + b"\x00":
        assert receiver.push(byte) == 0
    assert receiver.bad_frames == 1
    message = bytearray(b"ok" + bytes(4))
    frame = bytearray(16)
    n = frames.pack_frame(message, 2, frame)
    assert [receiver.push(byte) for byte in frame[:n]][-1] == 2
