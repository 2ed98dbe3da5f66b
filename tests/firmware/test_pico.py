"""The real board's file on stand-ins for `machine` and `rp2`: conversions, inputs, resets, leaving.

That it counts, drives and resets on the chip itself can only be seen on one, or on an emulator of it.
"""

import importlib
import sys
from types import ModuleType, SimpleNamespace

import pytest
from i2c_bus import Bus, ConverterOnBus


class Mem32(dict):
    """Registers: 0 until written; the alias at +0x3000 clears bits."""

    def __init__(self, pausable=True):
        super().__init__()
        self.pausable = pausable

    def __missing__(self, address):
        return 0

    def __setitem__(self, address, value):
        if address == 0x40058000 + 0x3000:
            if self.pausable:
                super().__setitem__(0x40058000, self[0x40058000] & ~value)
            return
        super().__setitem__(address, value)


class Pin:
    """A pin; `levels` are what the outside puts on inputs."""

    IN, OUT, PULL_UP, IRQ_RISING = 0, 1, 2, 4
    levels: dict[int, int] = {}
    modes: dict[int, int] = {}

    def __init__(self, number, mode=None, pull=None, value=None):
        self.number = number
        if mode is not None:
            Pin.modes[number] = mode
        if value is not None:
            Pin.levels[number] = value

    def value(self, level=None):
        if level is None:
            return Pin.levels.get(self.number, 1)
        Pin.levels[self.number] = level
        return None

    def irq(self, handler=None, trigger=0, hard=False):
        Pin.handler = handler


class Pwm:
    """Remembers its duty."""

    made: list = []

    def __init__(self, pin, freq, duty_u16):
        self.pin, self.freq, self.duty, self.on = pin, freq, duty_u16, True
        Pwm.made.append(self)

    def duty_u16(self, duty):
        self.duty = duty

    def deinit(self):
        self.on = False


class Adc:
    """Reads what `levels` says, as a fraction of the reference."""

    levels: dict[int, float] = {}

    def __init__(self, pin):
        self.number = pin.number

    def read_u16(self):
        return int(65535 * Adc.levels.get(self.number, 0.0) + 0.5)


class StateMachine:
    """A counter whose X a test may set; exec and get stand for copy, push, read."""

    made: list = []

    def __init__(self, number, program, freq, in_base, jmp_pin):
        self.number, self.pin, self.freq, self.x, self.running = number, in_base.number, freq, None, False
        assert jmp_pin.number == in_base.number
        StateMachine.made.append(self)

    def exec(self, instruction):
        if instruction == "mov(x, invert(null))":
            self.x = 0xFFFFFFFF

    def active(self, on):
        self.running = bool(on)

    def get(self, words):
        words[0] = self.x


class Poll:
    def register(self, stream, flags):
        pass

    def ipoll(self, ms):
        return iter(())


def forget():
    """Have the board's modules loaded anew, with the stand-ins of the moment."""
    package = importlib.import_module("skidboard.board")
    for name in ("pico", "resets", "edges", "edge_counters"):
        sys.modules.pop(f"skidboard.board.{name}", None)
        if hasattr(package, name):
            delattr(package, name)


@pytest.fixture
def chip(monkeypatch):
    """Stand-in modules in place; gives a function that builds a Board as after a reset."""
    Pin.levels = {9: 0, 10: 0, 11: 1}
    Pin.modes = {}
    Adc.levels = {}
    Pwm.made = []
    StateMachine.made = []
    state = SimpleNamespace(mem=Mem32(), resets=0, watchdog=None, kbd=[])

    def reset():
        state.resets += 1

    machine = ModuleType("machine")
    machine.Pin, machine.PWM, machine.ADC, machine.mem32 = Pin, Pwm, Adc, state.mem
    state.bus = Bus()
    machine.I2C = lambda *_, **__: state.bus
    machine.unique_id = lambda: b"12345678"
    machine.reset = reset

    def wdt(timeout):
        state.watchdog = SimpleNamespace(timeout=timeout, feed=lambda: None)
        state.mem[0x40058000] = 1 << 30
        return state.watchdog

    machine.WDT = wdt
    rp2 = ModuleType("rp2")
    rp2.asm_pio = lambda: lambda function: function
    rp2.asm_pio_encode = lambda text, _: text
    rp2.StateMachine = StateMachine
    micropython = ModuleType("micropython")
    micropython.kbd_intr = state.kbd.append
    micropython.viper = lambda function: function
    clock = importlib.import_module("time")
    monkeypatch.setattr(clock, "ticks_ms", lambda: 0, raising=False)
    monkeypatch.setattr(clock, "ticks_us", lambda: 12345, raising=False)
    monkeypatch.setattr(clock, "ticks_diff", lambda later, earlier: later - earlier, raising=False)
    monkeypatch.setattr(importlib.import_module("select"), "poll", Poll)
    monkeypatch.setattr(sys.implementation, "_machine", "board with RP2040", raising=False)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=None))
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(buffer=None))
    for name, module in (("machine", machine), ("rp2", rp2), ("micropython", micropython)):
        monkeypatch.setitem(sys.modules, name, module)
    forget()
    pico = importlib.import_module("skidboard.board.pico")
    # In machine code it reads the word through a pointer.
    counters = importlib.import_module("skidboard.board.edge_counters")
    monkeypatch.setattr(counters, "ptr32", lambda words: words, raising=False)
    state.pico = pico
    state.build = pico.Board
    yield state
    forget()


def test_pump_is_on_a_slice_that_a_soft_reset_stops(chip):
    chip.build()
    # RP2040 data sheet, "PWM": slice n is on GPIO 2n, 2n+1 and again from GPIO 16 on.
    assert Pwm.made[0].pin.number >> 1 & 7 <= 3
    assert Pwm.made[0].duty == 0


def test_counts_what_x_has_gone_down(chip):
    board = chip.build()
    assert [sm.pin for sm in StateMachine.made] == [2, 3, 4, 17, 6, 7, 8]
    for i, sm in enumerate(StateMachine.made):
        assert sm.running
        sm.x = (sm.x - 1000 * i) & 0xFFFFFFFF
    board.refresh()
    assert board.counts == [0, 1000, 2000, 3000, 4000, 5000] and board.meter_count == 6000
    StateMachine.made[0].x = (0xFFFFFFFF - (1 << 30) - 5) & 0xFFFFFFFF
    board.refresh()
    assert board.counts[0] == 5


def test_meter_edge_time_comes_from_the_interrupt(chip):
    board = chip.build()
    Pin.handler(None)
    board.refresh()
    assert board.meter_edge_us == 12345


def test_meter_count_and_time_belong_together(chip, monkeypatch):
    """An edge right after the count was read: its time must not go with the count without it."""
    board = chip.build()
    meter = StateMachine.made[6]
    reads = []

    def get(sm, words):
        words[0] = sm.x
        if sm is meter:
            reads.append(sm.x)
            if len(reads) == 1:
                sm.x -= 1
                Pin.handler(None)

    monkeypatch.setattr(StateMachine, "get", get)
    board.refresh()
    assert len(reads) == 2
    assert (board.meter_count, board.meter_edge_us) == (1, 12345)


def test_noise_on_the_meter_costs_a_bounded_number_of_interrupts(chip, monkeypatch):
    """50 kHz for a second: the count is the PIO's and whole, the interrupts stay at 200 a control step."""
    board = chip.build()
    meter = StateMachine.made[6]
    now_us = [0]
    monkeypatch.setattr(chip.pico, "ticks_us", lambda: now_us[0])
    for tick in range(10):
        taken = 0
        for _ in range(5000):
            now_us[0] += 20
            meter.x -= 1
            if Pin.handler is not None:
                Pin.handler(None)
                taken += 1
        assert taken == 200, tick
        board.refresh()
        assert Pin.handler is not None and board.meter_count == 5000 * (tick + 1)
        # Time and count belong together: the newest edge is counted now.
        assert board.meter_edge_us == now_us[0]
    # A meter of 1 kHz is timed edge by edge.
    for _ in range(100):
        now_us[0] += 1000
        meter.x -= 1
        Pin.handler(None)
    now_us[0] += 700
    board.refresh()
    assert board.meter_edge_us == now_us[0] - 700


class UsbPort:
    """The port as the chip's USB stack has it: 256 bytes each way; a host that holds it open may not read.

    A write into a full buffer waits half a second and drops what does not fit, as measured on an emulated
    board; with the port closed it drops at once.
    """

    def __init__(self, chip, board):
        self._chip, self._board = chip, board
        self.to_board, self.to_host = b"", b""
        self.open, self.reading = False, False
        self.now_ms = 0
        self.longest_ms = 0
        board._stdin = SimpleNamespace(readinto=self._readinto)
        board._stdout = SimpleNamespace(write=self._write)
        board._in_poll = SimpleNamespace(ipoll=lambda ms: iter([1] if self.to_board else []))
        board._out_poll = SimpleNamespace(ipoll=lambda ms: iter([1] if self._room() else []))
        chip.pico.ticks_ms = lambda: self.now_ms
        self.received = b""

    def _room(self):
        return 256 - len(self.to_host) if self.open else 256

    def _readinto(self, buf):
        buf[0] = self.to_board[0]
        self.to_board = self.to_board[1:]

    def _write(self, data):
        if not self.open:
            return
        fits = self._room()
        self.to_host += bytes(data[:fits])
        if self.reading:
            self.to_host += bytes(data[fits:])
            self.pump()
        elif len(data) > fits:
            self.now_ms += 500

    def pump(self):
        """The host takes what is there."""
        if self.open and self.reading:
            n = self.dice.choice((37, 64, 200, 256))
            self.received += self.to_host[:n]
            self.to_host = self.to_host[n:]


@pytest.mark.parametrize("first_seed", [0, 50, 100, 150])
def test_the_link_comes_back_whatever_a_host_breaks_off(chip, first_seed):
    """200 hosts that ask ahead and then close, pause for minutes or are unplugged, each at another moment."""
    import random

    from skidboard import link
    from skidwright.link.framing import FrameReader, frame
    from test_link import App, Port

    app = App(Port(), f"usb_{first_seed}")
    board = chip.build()
    usb = UsbPort(chip, board)
    made = link.Link(app, board)
    stalls = []

    def turn(ms):
        """The loop of the board for so long."""
        end_ms = usb.now_ms + ms
        while usb.now_ms < end_ms:
            before_ms = usb.now_ms
            made.poll()
            usb.pump()
            stalls.append(usb.now_ms - before_ms)
            usb.now_ms += 1

    for seed in range(first_seed, first_seed + 50):
        dice = usb.dice = random.Random(seed)
        usb.open = usb.reading = True
        usb.to_board += b"\0"
        for k in range(dice.randrange(1, 9)):
            usb.to_board += frame(bytes((link.READ, 1 + k)) + (1).to_bytes(4, "little") + b"\0\0\0\x10")
        turn(dice.choice((1, 3, 20)))
        usb.reading = False
        turn(dice.choice((0, 5, 700, 5000)))
        how = dice.choice(("close", "pause", "unplug", "hold"))
        if how in ("close", "unplug"):
            usb.open = False
        if how == "unplug":
            usb.to_board = usb.to_host = b""
        turn(dice.choice((0, 10, 1500, 6000, 15000)))
        # Another host, as a session begins; it asks again every two seconds.
        usb.open = usb.reading = True
        usb.received = b""
        answered = False
        for _ in range(6):
            usb.to_board += b"\0" + frame(bytes((link.HELLO, 0x55)) + b"\1\0who")
            turn(2000)
            messages = list(FrameReader().feed(b"\0" + usb.received))
            if any(m[:2] == bytes((link.HELLO | link.REPLY, 0x55)) for m in messages):
                answered = True
                break
        assert answered, (seed, how)
    assert max(stalls) <= 1000


def test_loop_current_by_ohms_law(chip):
    board = chip.build()
    for milliamps in (0, 3.6, 4, 12, 20, 21.5):
        # 150 ohm, reference 3.3 V
        Adc.levels = {26: milliamps * 0.150 / 3.3, 27: milliamps * 0.150 / 3.3}
        board.refresh()
        assert abs(board.water_ua - milliamps * 1000) <= 2, board.water_ua
        assert board.temp_ua == board.water_ua


def test_thermistor_by_the_divider(chip):
    board = chip.build()
    for ohm in (200, 1000, 10000, 50000, 200000):
        # 1.5 kilohm between terminal and pin
        Adc.levels = {28: (ohm + 1500) / (ohm + 11500)}
        board.refresh()
        # A reading is one of 65536; at the cold end one of them is 0.03 % of the resistance.
        assert abs(board.temp_ohm - ohm) <= ohm / 300 + 5, (ohm, board.temp_ohm)
    Adc.levels = {28: 0.0}
    board.refresh()
    assert board.temp_ohm == 0
    Adc.levels = {28: 1.0}
    board.refresh()
    assert board.temp_ohm > 200204


def test_open_inputs_are_on_the_safe_side(chip):
    Pin.levels = {11: 1}
    board = chip.build()
    board.refresh()
    assert board.inputs == 1 | 2
    Pin.levels = {9: 0, 10: 0, 11: 0}
    board.refresh()
    assert board.inputs == 4


FITTED = {"loop_converter": 0, "tachometer_pulses_rev": 0, "counter_driver": 0}


def test_converter_takes_the_place_of_the_chips_own(chip):
    board = chip.build()
    device = ConverterOnBus([0.6, 1.8])
    chip.bus.devices[0x48] = device
    Adc.levels = {26: 0.2, 27: 0.2}
    board.configure({**FITTED, "loop_converter": 1})
    for _ in range(3):
        board.refresh()
        device.finish()
    # 0.6 V and 1.8 V over 150 ohm
    assert board.water_ua == 4000 and board.temp_ua == 12000
    board.configure(FITTED)
    board.refresh()
    assert abs(board.water_ua - 4400) <= 2


def test_tachometer_takes_the_eighth_valves_pin_and_state_machine(chip):
    board = chip.build()
    assert Pin.modes[21] == Pin.IN
    board.configure(FITTED)
    assert Pin.modes[21] == Pin.OUT and Pin.levels[21] == 0 and len(StateMachine.made) == 7
    fitted = {**FITTED, "tachometer_pulses_rev": 2}
    board.configure(fitted)
    board.configure(fitted)
    assert Pin.modes[21] == Pin.IN
    assert [sm.pin for sm in StateMachine.made][7:] == [21]
    StateMachine.made[7].x -= 600
    board.refresh()
    assert board.tacho_count == 600
    board.leave()
    assert not any(sm.running for sm in StateMachine.made)


def test_without_a_clock_chip_time_is_unknown(chip):
    board = chip.build()
    board.set_utc_ms(1772427600000)
    assert board.utc_ms() is None


def test_outputs_and_safe(chip):
    board = chip.build()
    board.configure(FITTED)
    board.set_pump(1000)
    assert Pwm.made[0].duty == 65535
    board.set_pump(500)
    board.set_outputs(1 << 7 | 1 << 8 | 1 << 9)
    assert Pwm.made[0].duty == 32767
    on = {number for number, level in Pin.levels.items() if level and number >= 12}
    assert on == {21, 22}
    board.safe()
    assert Pwm.made[0].duty == 0
    assert not {number for number, level in Pin.levels.items() if level and number >= 12}


def test_the_heartbeat_turns_over_with_each_tick_and_stands_still_while_a_fault_is_up(chip):
    board = chip.build()
    levels = []
    for mask in (0, 1, 0, 0, 1 << 9, 1 << 9 | 1, 0, 0):
        board.set_outputs(mask)
        levels.append(Pin.levels[5])
    assert levels == [1, 0, 1, 0, 0, 0, 1, 0]
    board.set_outputs(0)
    board.safe()
    assert Pin.levels[5] == 0


def reset_chip(chip, reason):
    """What a reset of the chip does to the registers used here."""
    chip.mem[0x40058000] = 0
    chip.mem[0x40058008] = reason
    chip.mem[0x40050000 + 7 * 0x14 + 0x0C] = 0


def test_reset_causes(chip):
    assert chip.build().reset_cause() == 0
    assert chip.build().reset_cause() == 1
    # RP2040 data sheet, WATCHDOG REASON: bit 0 the timer, bit 1 a forced reset.
    reset_chip(chip, 1)
    assert chip.build().reset_cause() == 2
    reset_chip(chip, 2)
    assert chip.build().reset_cause() == 3
    # A soft reset after a watchdog's bite is a soft reset, though the reason still stands in the register.
    reset_chip(chip, 1)
    chip.build()
    assert chip.build().reset_cause() == 1


def test_leaving_pauses_the_watchdog(chip):
    board = chip.build()
    board.start_watchdog(8000)
    assert chip.watchdog.timeout == 8000
    board.set_pump(400)
    board.set_outputs(1)
    board.leave()
    assert Pwm.made[0].duty == 0 and not Pwm.made[0].on
    assert Pin.levels[16] == 0 and Pin.levels[12] == 0
    assert not any(sm.running for sm in StateMachine.made)
    assert chip.mem[0x40058000] & 1 << 30 == 0 and chip.resets == 0
    assert chip.kbd == [-1, 3]


def test_leaving_resets_and_stays_out_once_when_the_watchdog_cannot_be_paused(chip):
    chip.mem.pausable = False
    board = chip.build()
    board.start_watchdog(8000)
    board.leave()
    assert chip.resets == 1
    # machine.reset() does not return on the chip; here leave() went on to its end, so note it again.
    chip.pico.resets.reset_and_stay_out()
    reset_chip(chip, 2)
    board = chip.build()
    board.refresh()
    assert board.inputs & 4
    reset_chip(chip, 2)
    board = chip.build()
    board.refresh()
    assert not board.inputs & 4


class Uart:
    """The counter's line. As the port does it, making one takes the UART's usual pin for sending as well."""

    INV_RX = 2
    made: list = []

    def __init__(self, number, **how):
        self.number, self.how, self.port = number, how, b""
        Uart.made.append(self)

    def any(self):
        return len(self.port)

    def readinto(self, buf, n):
        assert 0 < n <= len(self.port), "it would wait for more"
        buf[:n] = self.port[:n]
        self.port = self.port[n:]
        return n


def test_the_counters_line_is_read_without_waiting_and_the_bus_keeps_its_pins(chip):
    Uart.made = []
    buses = []
    sys.modules["machine"].UART = Uart
    chip.pico.I2C = lambda *_, **how: buses.append((how["sda"].number, how["scl"].number)) or chip.bus
    board = chip.build()
    board.configure(FITTED)
    assert not Uart.made and board.counter_read(bytearray(8)) == 0
    board.configure({**FITTED, "counter_driver": 1})
    board.configure({**FITTED, "counter_driver": 1})
    (line,) = Uart.made
    # RP2040 data sheet, function table: GPIO 17 is UART0's input. The comparator turns the line over.
    assert (line.number, line.how["rx"].number) == (0, 17)
    assert line.how["baudrate"] == 9600 and line.how["invert"] == Uart.INV_RX
    # UART0 sends by GPIO 0 unless told otherwise, which is the bus's: the bus is made once more behind it.
    assert buses == [(0, 1), (0, 1)]
    buf = bytearray(8)
    assert board.counter_read(buf) == 0
    line.port = b"N 1 1000 300"
    assert board.counter_read(buf) == 8 and bytes(buf) == b"N 1 1000"
    assert board.counter_read(buf) == 4 and bytes(buf[:4]) == b" 300"
