"""Cases for the virtual board and its flash that run under CPython and MicroPython alike."""

import sys

try:
    from micropython import heap_lock, heap_unlock
except ImportError:

    def heap_lock():
        """CPython has no heap to lock."""

    def heap_unlock():
        """See heap_lock."""


class Flash:
    operations = 0
    busy_us = 0
    die_at = 0


class Rom:
    """Answers every request like a plant that does what it is asked at once."""

    def __init__(self, ticks_start_ms=0):
        self.device_id = b"12345678"
        self.log_dir = "/log"
        self.settings_path = "/settings.json"
        self.ticks_start_ms = ticks_start_ms
        self.utc_base_ms = None
        self.random_seed = 1234567
        self.cause = 2
        self.flash = Flash()
        self.raw_repl_wanted = False
        self.left = False
        self.requests = []
        self.flags = 0
        self.serial = False

    def send(self, request):
        self.requests.append(list(request))

    def receive(self, reply):
        request = self.requests[-1]
        values = [request[1], self.flags, request[2], 5, 77, 1500, 7200, 9000, 10000, 0, 6, 5, 4, 3, 2, 1]
        for i in range(len(values)):
            reply[i] = values[i]

    def wait_serial(self):
        return self.serial

    def serial_read(self, buf):
        buf[0] = 65
        return 1

    def serial_write(self, buf, n):
        return n


def board(**options):
    """A board on a fresh ROM, and that ROM."""
    from skidboard.board.virtual import Board

    rom = Rom(**options)
    sys.modules["skidrom"] = rom
    return Board(), rom


def test_idle_moves_time_and_carries_the_outputs():
    b, rom = board()
    b.set_pump(250)
    b.set_outputs(0x101)
    b.idle(100)
    assert b.ticks_ms() == 100
    assert b.ticks_us() == 100000
    assert rom.requests[-1][:5] == [0, 2, 100000, 250, 0x101]
    b.safe()
    b.idle(1)
    assert rom.requests[-1][3:5] == [0, 0]


def test_refresh_latches_and_allocates_nothing():
    b, rom = board()
    b.idle(10)
    heap_lock()
    try:
        b.refresh()
        b.set_pump(3)
        b.set_outputs(1)
        b.feed()
        b.ticks_ms()
    finally:
        heap_unlock()
    assert b.counts == [6, 5, 4, 3, 2, 1]
    assert (b.meter_count, b.meter_edge_us, b.inputs) == (77, 1500, 5)
    assert (b.water_ua, b.temp_ua, b.temp_ohm) == (7200, 9000, 10000)


def test_flash_time_passes_and_is_inside_the_next_wait():
    b, rom = board()
    b.idle(100)
    rom.flash.busy_us = 45400
    assert b.ticks_ms() == 145
    b.idle(55)
    assert rom.requests[-1][2] == 200400
    assert rom.flash.busy_us == 0
    assert b.ticks_us() == 200400


def test_ticks_wrap_at_2_to_the_30():
    from skidboard.ticks import ticks_diff

    b, rom = board(ticks_start_ms=(1 << 30) - 50)
    before = b.ticks_ms()
    b.idle(100)
    assert b.ticks_ms() == 50
    assert ticks_diff(b.ticks_ms(), before) == 100
    assert 0 <= b.ticks_us() < 1 << 30


def test_random_numbers_are_splitmix64():
    # Rosetta Code, "Pseudo-random numbers/Splitmix64": the first outputs for seed 1234567.
    b, _ = board()
    published = (6457827717110365317, 3203168211198807973, 9817491932198370423)
    assert [b.random_u32() for _ in published] == [n >> 32 for n in published]


def test_cable_decides_what_serial_does():
    b, rom = board()
    buf = bytearray(4)
    assert b.serial_read(buf) == 0
    assert b.serial_write(buf, 4) == 4
    rom.flags = 2
    b.idle(1)
    assert b.serial_read(buf) == 1 and buf[0] == 65


def test_serial_input_ends_a_wait():
    b, rom = board()
    rom.flags = 3
    rom.serial = True
    b.idle(100)
    assert len(rom.requests) == 2


def test_leave_is_safe_and_ends_the_app():
    b, rom = board()
    b.set_pump(500)
    b.start_watchdog(3000)
    try:
        b.leave()
    except SystemExit:
        pass
    else:
        raise AssertionError("leave() came back")
    assert rom.requests[-1][0] == 2
    assert rom.requests[-1][3:6] == [0, 0, 0]
    assert rom.left


def test_reset_cause_and_clock():
    b, rom = board()
    assert b.reset_cause() == 2
    assert b.utc_ms() is None
    rom.utc_base_ms = 1000
    b.idle(250)
    assert b.utc_ms() == 1250


def make_flash(seed=5):
    """A flash of the board's size on a new image file."""
    import flash

    with open("cases.img", "wb") as f:  # noqa: PTH123
        for _ in range(flash.BLOCKS):
            f.write(b"\xff" * flash.BLOCK_BYTES)
    return flash.Flash("cases.img", seed)


class Dead(Exception):
    """Stands for a board without power."""


def _die():
    raise Dead


def test_flash_counts_operations_and_their_time():
    f = make_flash()
    assert f.ioctl(4, 0) == 352 and f.ioctl(5, 0) == 4096
    f.ioctl(6, 3)
    f.writeblocks(3, b"\x55" * 512, 256)
    assert f.operations == 3
    assert f.busy_us == 45000 + 2 * 400
    got = bytearray(1024)
    f.readblocks(3, got, 0)
    assert got == b"\xff" * 256 + b"\x55" * 512 + b"\xff" * 256
    assert f.operations == 3


def test_a_program_that_dies_is_torn_and_nothing_follows():
    f = make_flash()
    f.on_death = _die
    f.die_at = 2
    try:
        f.writeblocks(7, b"\x11" * 768, 0)
    except Dead:
        pass
    else:
        raise AssertionError("the write went through")
    got = bytearray(768)
    f.readblocks(7, got, 0)
    written = bytes(got).count(b"\x11")
    assert 256 <= written < 512
    assert bytes(got) == b"\x11" * written + b"\xff" * (768 - written)


def test_an_erase_that_dies_leaves_part_of_the_block():
    f = make_flash()
    f.writeblocks(9, b"\x22" * 4096, 0)
    f.on_death = _die
    f.die_at = f.operations + 1
    try:
        f.ioctl(6, 9)
    except Dead:
        pass
    else:
        raise AssertionError("the erase went through")
    got = bytearray(4096)
    f.readblocks(9, got, 0)
    erased = bytes(got).count(b"\xff")
    assert 0 < erased < 4096
    assert bytes(got) == b"\xff" * erased + b"\x22" * (4096 - erased)
