"""Lines of a counter with a line of its own. Check value of the CRC: 31C3 over "123456789", as catalogues of
CRCs give it for ITU-T V.41 begun at 0; the lines here were made with CPython's `binascii.crc_hqx`."""

import sys

from fake_board import FakeBoard, counter_line, fresh_folder
from skidboard import faults, interlocks
from skidboard.app import App
from skidboard.drivers.plain_serial import BYTES, PlainSerial

FIRST = b"N 1 1000 300 40 5 0 2B95\r\n"
SECOND = b"N 2 1500 420 52 7 0 37D7\n"
MASK = (1 << 30) - 1


class Port:
    """A board's side of the line: bytes that a test hands over."""

    def __init__(self):
        self.counts = [9, 9, 9, 9, 17, 23]
        self.bytes = b""

    def counter_read(self, buf):
        n = min(len(buf), len(self.bytes))
        buf[:n] = self.bytes[:n]
        self.bytes = self.bytes[n:]
        return n


def take(driver, data, dt_ms=100):
    port = Port()
    port.bytes = data
    driver.step(port, dt_ms)
    return driver.counts


def test_lines_are_those_of_an_independent_crc():
    # MicroPython has no crc_hqx: there the lines stand as they were made.
    if sys.implementation.name == "cpython":
        from binascii import crc_hqx

        assert crc_hqx(b"123456789", 0) == 0x31C3
        for line in (FIRST, SECOND, counter_line(77, [MASK, 1, 0, 12], 3)):
            text, check = line.rsplit(b" ", 1)
            assert int(check, 16) == crc_hqx(text + b" ", 0)


def test_the_first_line_says_where_to_count_from_and_metal_stays_pulses():
    driver = PlainSerial()
    assert take(driver, FIRST) == [0, 0, 0, 0, 17, 23]
    assert take(driver, SECOND) == [500, 120, 12, 2, 17, 23]
    assert not driver.failed


def test_a_line_in_pieces_of_any_size_counts_the_same():
    for cut in range(len(SECOND)):
        driver = PlainSerial()
        take(driver, FIRST + SECOND[:cut])
        assert take(driver, SECOND[cut:])[:4] == [500, 120, 12, 2]


def test_lost_lines_cost_no_particle():
    driver = PlainSerial()
    take(driver, FIRST)
    for n in range(2, 40):
        line = counter_line(n, [1000 + 10 * n, 300 + n, 40, 5])
        take(driver, line if n % 3 == 0 else line[:-5] + b"\n")
    assert driver.counts[:2] == [390, 39]


def test_every_single_bit_turned_over_is_seen():
    tried = 0
    for place in range(len(SECOND) - 1):
        for bit in range(8):
            bad = bytearray(SECOND)
            bad[place] ^= 1 << bit
            driver = PlainSerial()
            take(driver, FIRST)
            take(driver, bytes(bad))
            # What begins a new line in mid-line leaves a rest that is none.
            assert driver.counts[:4] == [0, 0, 0, 0], bad
            tried += 1
    assert tried == 8 * (len(SECOND) - 1)


def test_what_is_no_line_is_passed_over():
    for bad in (
        b"N 2 1500 420 52 7 0 37D7 \n", b"N 2 1500 420 52 7 0 37d7\n", b"N 2 1500 420 52 7 37D7\n",
        b"N  2 1500 420 52 7 0 37D7\n", b" N 2 1500 420 52 7 0 37D7\n", b"NN 2 1500 420 52 7 0 37D7\n",
        b"N 2 99999999999 420 52 7 0 0000\n", b"N 2 1073741824 420 52 7 0 0000\n", b"\n\n\r\n", b"N" * 300,
        b"N 2 -5 1 1 1 0 0000\n", bytes(range(256)),
    ):  # fmt: skip
        driver = PlainSerial()
        take(driver, FIRST)
        for at in range(0, len(bad), BYTES):
            take(driver, bad[at : at + BYTES])
        assert driver.counts[:4] == [0, 0, 0, 0], bad
        take(driver, b"\n" + SECOND)
        assert driver.counts[:4] == [500, 120, 12, 2], bad


def test_totals_go_on_past_their_highest_number():
    driver = PlainSerial()
    take(driver, counter_line(1, [MASK - 9, MASK, 5, 0]))
    take(driver, counter_line(2, [MASK, 3, 5, 0]))
    take(driver, counter_line(3, [90, 4, 6, 0]))
    assert driver.counts[:4] == [100, 5, 1, 0]
    assert not driver.failed


def test_silence_is_a_fault_with_its_reason_and_ends_with_the_next_line():
    driver = PlainSerial()
    take(driver, FIRST)
    for _ in range(4):
        take(driver, b"")
    assert not driver.failed
    take(driver, b"")
    assert driver.failed and driver.silent_ms == 500 and driver.why() == "ms; nothing came"
    take(driver, b"\x80\x00\xf8\n")
    assert driver.failed and driver.why() == "ms without a good line; bytes came"
    take(driver, SECOND)
    assert not driver.failed and driver.counts[0] == 500


def test_one_line_said_over_and_over_is_silence():
    driver = PlainSerial()
    for _ in range(7):
        take(driver, FIRST)
    assert driver.failed


def test_a_counter_that_begins_anew_is_seen_and_counts_nothing_false():
    driver = PlainSerial()
    take(driver, counter_line(200, [90000, 2000, 300, 40]))
    take(driver, counter_line(1, [3, 1, 0, 0]))
    assert (
        driver.failed and driver.why() == "ms; the counter began anew" and driver.counts[:4] == [0, 0, 0, 0]
    )
    for n in range(2, 22):
        take(driver, counter_line(n, [3 + n, 1, 0, 0]))
    assert not driver.failed and driver.counts[:4] == [21, 0, 0, 0]


def test_a_counter_that_does_not_measure_says_so():
    driver = PlainSerial()
    take(driver, FIRST)
    take(driver, counter_line(2, [1000, 300, 40, 5], 3))
    assert driver.failed and driver.why() == "ms; the counter says it does not measure: state 3"
    take(driver, counter_line(3, [1000, 300, 40, 5]))
    assert not driver.failed


def skid(name, **more):
    board = FakeBoard(fresh_folder(name))
    app = App(board)
    quick = {"counter_driver": 1, "purge_volume_ul": 10000, "settle_ms": 3000, "sample_volume_ul": 6000,
             "rest_s": 5}  # fmt: skip
    quick.update(more)
    assert app.put_settings(quick)[1] is None
    return board, app


def run(board, app, ticks, silent=(), samples=1000):
    seen = set()
    for i in range(ticks):
        board.idle(100)
        if i not in silent:
            board.say_line()
        app.tick()
        app.service()
        if app.process.faults >> faults.COUNTER & 1:
            seen.add(app.sequence.state)
        if app.recorder.samples >= samples:
            break
    return seen


def test_a_sample_counts_what_the_lines_say():
    board, app = skid("line_sample")
    # Nothing has been said yet when the first tick comes.
    assert run(board, app, 600, samples=1) <= {0}
    assert app.recorder.samples == 1
    sample = app.process.sample
    # 4000 per mL of 6 mL; a line may lie a tick on either side of the meter's edges, 0.083 mL each.
    assert abs(sample.counts[0] - 24000) <= 2 * 4000 * 0.0833 + 40
    assert not sample.faults >> faults.COUNTER & 1


def test_a_silent_counter_stands_in_the_sample_and_stops_the_pump_only_if_told():
    board, app = skid("line_silent")
    run(board, app, 250)
    assert app.sequence.set_ul_s or app.recorder.samples
    run(board, app, 150, silent=range(150))
    assert app.process.faults >> faults.COUNTER & 1 and app.sequence.state != 5
    value, why = app.process.measured(faults.COUNTER)
    assert value >= 500 and why == "ms; nothing came"
    board, app = skid("line_silent_stops", stop_also=interlocks.ALSO_COUNTER, trip_hold_s=10)
    run(board, app, 100)
    assert app.sequence.set_ul_s
    run(board, app, 10, silent=range(10))
    assert app.sequence.state == 5 and board.duty_permille == 0
    run(board, app, 250)
    assert app.sequence.state != 5


def test_the_driver_goes_when_the_setting_does():
    board, app = skid("line_gone")
    run(board, app, 30, silent=range(30))
    assert app.process.faults >> faults.COUNTER & 1
    assert app.put_settings({"counter_driver": 0})[1] is None
    run(board, app, 150, silent=range(150))
    assert app.process.driver is None and not app.process.faults >> faults.COUNTER & 1
