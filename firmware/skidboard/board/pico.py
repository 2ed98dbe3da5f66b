"""The real board: Raspberry Pi Pico class (RP2040, RP2350).

Edges are counted by PIO state machines, which go on while code sleeps and while
flash is erased. Pins are in pins.py. The pump pin belongs to PWM slices 0-3,
which a soft reset stops, and has a resistor to its safe side; an open input
reads as "stop". Clock chip, converter and tachometer are options.
"""

import os
import select
import sys
from array import array
from time import ticks_diff, ticks_ms, ticks_us

import machine
import micropython
from machine import ADC, I2C, PWM, Pin

from skidboard.board import pins, resets
from skidboard.board.edge_counters import EdgeCounters
from skidboard.clock_chip import ClockChip
from skidboard.converter import Converter
from skidboard.drivers import PLAIN_SERIAL

IN_STOP = 1
IN_OVER_PRESSURE = 2
IN_SAFE_MODE = 4

_MASK = (1 << 30) - 1
_ADC_READINGS = 8
# Edges of the flow meter that are timed from one refresh to the next. An interrupt takes about 33 us, so that
# noise on the wire, whatever its frequency, takes 7 ms of a control step and no more; the count is the PIO's.
_TIMED_EDGES = 200
# Written at a time. The USB driver holds 256 bytes; POLLOUT says only that there is room for one.
_CHUNK = 64
_STALL_MS = 100
_METER = 6
_TACHOMETER = 7
_HEARTBEAT = 9
_I2C_HZ = 100000
# A bus held low by a broken device may not hold up the control tick for long.
_I2C_TIMEOUT_US = 2000
_LINE_BAUD = 9600
_LINE_BYTES = 256


class Board:
    """Pins, clock, watchdog and cable. Attributes hold what the latest `refresh()` found."""

    log_dir = "/log"
    settings_path = "/settings.json"

    def __init__(self):
        self._pump = PWM(Pin(pins.PUMP_PIN), freq=pins.PUMP_PWM_HZ, duty_u16=0)
        # The last valve's pin may be the tachometer's: an input until `configure` knows.
        self._outputs = [Pin(n, Pin.OUT, value=0) for n in pins.SELECTOR_PINS[:-1]]
        self._outputs.append(Pin(pins.PUMP_TACHOMETER_PIN, Pin.IN))
        self._outputs += [Pin(n, Pin.OUT, value=0) for n in (pins.STORED_LAMP_PIN, pins.HEARTBEAT_PIN)]
        self.device_id = machine.unique_id()
        self.counts = [0] * 6
        self.meter_count = 0
        self.meter_edge_us = 0
        self.water_ua = 0
        self.temp_ua = 0
        self.temp_ohm = 0
        self.inputs = 0
        self.tacho_count = 0
        self._cause, self._stay_out = resets.take_cause()
        self._watchdog = None
        self._stop = Pin(pins.STOP_CHAIN_PIN, Pin.IN, Pin.PULL_UP)
        self._over_pressure = Pin(pins.OVER_PRESSURE_PIN, Pin.IN, Pin.PULL_UP)
        self._safe_mode = Pin(pins.SAFE_MODE_PIN, Pin.IN, Pin.PULL_UP)
        self._water = ADC(Pin(pins.WATER_LOOP_PIN))
        self._temp = ADC(Pin(pins.TEMP_LOOP_PIN))
        self._thermistor = ADC(Pin(pins.TEMP_THERMISTOR_PIN))
        self._bus = self._i2c()
        self._clock = ClockChip(self._bus, pins.CLOCK_CHIP_ADDRESS)
        self._converter = None
        self._line = None
        self._tachometer = False
        self._counting_pump = False
        self._start_counters()
        self._stdin = sys.stdin.buffer
        self._stdout = sys.stdout.buffer
        self._in_poll = select.poll()
        self._in_poll.register(self._stdin, select.POLLIN)
        self._out_poll = select.poll()
        self._out_poll.register(self._stdout, select.POLLOUT)
        self._byte = bytearray(1)
        self._stalled = False
        # The link's bytes may be anything: a 3 must not raise KeyboardInterrupt.
        micropython.kbd_intr(-1)

    def _i2c(self):
        """The bus with its pins, one object however often."""
        sda, scl = Pin(pins.I2C_SDA_PIN), Pin(pins.I2C_SCL_PIN)
        return I2C(pins.I2C_BUS, sda=sda, scl=scl, freq=_I2C_HZ, timeout=_I2C_TIMEOUT_US)

    def _start_counters(self):
        self._counters = EdgeCounters()
        for number in pins.COUNTER_PINS + (pins.FLOW_METER_PIN,):
            self._counters.add(number)
        self._edge_us = array("i", [0])
        self._meter_pin = Pin(pins.FLOW_METER_PIN, Pin.IN)
        # Made once: in the control step it would be garbage.
        self._on_edge = self._note_edge
        self._edges_left = array("i", [0])
        self._time_edges()

    def configure(self, settings):
        """Take the settings that say what is fitted: converter, counter's line, tachometer."""
        if settings["counter_driver"] == PLAIN_SERIAL and self._line is None:
            from machine import UART

            # The input turns the line over. What comes while flash is written may be lost.
            self._line = UART(pins.COUNTER_LINE_UART, baudrate=_LINE_BAUD, rx=Pin(pins.COUNTER_LINE_PIN),
                              invert=UART.INV_RX, rxbuf=_LINE_BYTES, txbuf=32)  # fmt: skip
            # It took the pin that it would send by, which is the bus's: give that back.
            self._i2c()
        if not settings["loop_converter"]:
            self._converter = None
        elif self._converter is None:
            self._converter = Converter(self._bus, pins.CONVERTER_ADDRESS, pins.SHUNT_OHM)
        self._tachometer = settings["tachometer_pulses_rev"] > 0
        if self._tachometer:
            Pin(pins.PUMP_TACHOMETER_PIN, Pin.IN)
            if not self._counting_pump:
                self._counters.add(pins.PUMP_TACHOMETER_PIN)
                self._counting_pump = True
        else:
            Pin(pins.PUMP_TACHOMETER_PIN, Pin.OUT, value=0)

    def _time_edges(self):
        self._edges_left[0] = _TIMED_EDGES
        self._meter_pin.irq(self._on_edge, Pin.IRQ_RISING, hard=True)

    def _note_edge(self, _):
        self._edge_us[0] = ticks_us()  # type: ignore[call-overload]  # the stubs give ticks a type of their own
        left = self._edges_left[0] - 1
        self._edges_left[0] = left
        if left <= 0:
            self._meter_pin.irq(None)

    # -- inputs and outputs --------------------------------------------------------------------------

    def refresh(self):
        """Latch all inputs into the attributes. Allocates nothing."""
        counts = self.counts
        counters = self._counters
        for i in range(6):
            counts[i] = counters.read(i)
        edge_us = self._edge_us
        latest_us = edge_us[0]
        count = counters.read(_METER)
        if edge_us[0] != latest_us:
            # An edge came in between: once more, so that time and count belong together.
            latest_us = edge_us[0]
            count = counters.read(_METER)
        if self._edges_left[0] <= 0:
            # Too fast to be timed: what is counted now came until now, one period of many at most too late.
            count = counters.read(_METER)
            latest_us = ticks_us()  # type: ignore[assignment]
            self._time_edges()
        else:
            self._edges_left[0] = _TIMED_EDGES
        self.meter_count = count
        self.meter_edge_us = latest_us
        if self._tachometer:
            self.tacho_count = counters.read(_TACHOMETER)
        converter = self._converter
        if converter is None:
            self.water_ua = _microamps(_mean_u16(self._water))
            self.temp_ua = _microamps(_mean_u16(self._temp))
        else:
            converter.step()
            self.water_ua = converter.loop_ua[0]
            self.temp_ua = converter.loop_ua[1]
        self.temp_ohm = _ohms(_mean_u16(self._thermistor))
        inputs = IN_STOP if self._stop.value() == pins.STOP_CHAIN_ACTIVE else 0
        if self._over_pressure.value() == pins.OVER_PRESSURE_ACTIVE:
            inputs |= IN_OVER_PRESSURE
        if self._stay_out or self._safe_mode.value() == pins.SAFE_MODE_ACTIVE:
            inputs |= IN_SAFE_MODE
        self.inputs = inputs

    def counter_read(self, buf):
        """What came on the counter's line into `buf`: the number of bytes. Waits for nothing."""
        # Asked for more than there is it would wait for it.
        line = self._line
        n = line.any() if line else 0
        return line.readinto(buf, n if n < len(buf) else len(buf)) if line and n else 0

    def set_pump(self, duty_permille):
        """Pump drive from 0 to 1000 thousandths."""
        self._pump.duty_u16(duty_permille * 65535 // 1000)

    def set_outputs(self, mask):
        """Bits 0-7 selector valves, bit 8 "stored" lamp, bit 9 a fault is up.

        While none is, each call turns the heartbeat's pin over: lamp "running". A pin that stands
        still, high or low, is lamp "fault".
        """
        outputs = self._outputs
        for i in range(9):
            outputs[i].value(mask >> i & 1)
        beat = outputs[_HEARTBEAT]
        beat.value(0 if mask >> _HEARTBEAT & 1 else 1 - beat.value())

    def safe(self):
        """Pump and outputs off."""
        self._pump.duty_u16(0)
        self.set_outputs(1 << _HEARTBEAT)

    # -- time ----------------------------------------------------------------------------------------

    def ticks_ms(self):
        """Milliseconds, modulo 2**30."""
        return ticks_ms()

    def ticks_us(self):
        """Microseconds, modulo 2**30."""
        return ticks_us()

    def idle(self, ms):
        """Wait `ms` milliseconds, or until serial input waits."""
        for _ in self._in_poll.ipoll(ms):
            return

    def utc_ms(self):
        """UTC of the clock chip in milliseconds since 1970; None without one, or when it stood still."""
        return self._clock.utc_ms()

    def set_utc_ms(self, utc_ms):
        """Set the clock chip, if there is one."""
        self._clock.set_utc_ms(utc_ms)

    # -- serial --------------------------------------------------------------------------------------

    def serial_read(self, buf):
        """Read what has come into `buf`; the number of bytes, 0 when there is nothing. Never blocks.

        The end of a frame ends the piece: behind requests still waiting may come mpremote's opening,
        of which the link must not take more than it needs.
        """
        n = 0
        byte = self._byte
        size = len(buf)
        while n < size and self._readable():
            self._stdin.readinto(byte)
            buf[n] = byte[0]
            n += 1
            if byte[0] == 0:
                break
        if n:
            self._stalled = False
        return n

    def _readable(self):
        for _ in self._in_poll.ipoll(0):
            return True
        return False

    def serial_write(self, buf, n):
        """Write up to `n` bytes of a memoryview; the number accepted, 0 when the host does not read.

        Being refused allocates nothing. Only a host that stops reading just as its buffer fills can hold a
        write up, for half a second; after that nothing is written until it has sent something.
        """
        done = 0
        while done < n and not self._stalled and self._writable():
            end = done + _CHUNK
            begun_ms = ticks_ms()
            self._stdout.write(buf[done : end if end < n else n])
            self._stalled = ticks_diff(ticks_ms(), begun_ms) > _STALL_MS
            done = end if end < n else n
        return done

    def _writable(self):
        for _ in self._out_poll.ipoll(0):
            return True
        return False

    # -- identity, reset, watchdog -------------------------------------------------------------------

    def random_u32(self):
        """A 32-bit random number."""
        return int.from_bytes(os.urandom(4), "little")

    def reset_cause(self):
        """0 power, 1 soft, 2 watchdog, 3 commanded."""
        return self._cause

    def start_watchdog(self, ms):
        """From now on the board resets when `feed()` stays away for `ms` milliseconds (at most 8388)."""
        self._watchdog = machine.WDT(timeout=ms)

    def feed(self):
        """Tell the watchdog that all is well."""
        if self._watchdog is not None:
            self._watchdog.feed()

    def leave(self):
        """Give the board back to its REPL: pump and outputs off, counters stopped, no watchdog running.

        Should the watchdog not let itself be paused, the board resets and stays out of the app once.
        """
        self.safe()
        self._pump.deinit()
        Pin(pins.PUMP_PIN, Pin.OUT, value=0)
        self._meter_pin.irq(None)
        self._counters.stop()
        micropython.kbd_intr(3)
        if self._watchdog is not None and not resets.pause_watchdog():
            resets.reset_and_stay_out()
        resets.note_end()


def _mean_u16(adc):
    total = 0
    for _ in range(_ADC_READINGS):
        total += adc.read_u16()
    return total // _ADC_READINGS


# Halved so that the product stays below 2**30.
_HALF_FULL_UA = pins.ADC_REFERENCE_MV * 1000 // pins.SHUNT_OHM // 2


def _microamps(raw):
    """Loop current for a reading of 16 bits over the shunt."""
    return raw * _HALF_FULL_UA // 32768


def _ohms(raw):
    """Thermistor resistance for a reading of 16 bits, the thermistor and its series resistor to ground."""
    ohm = raw * pins.THERMISTOR_PULL_OHM // (65536 - raw) - pins.THERMISTOR_SERIES_OHM
    return ohm if ohm > 0 else 0
