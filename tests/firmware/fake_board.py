"""A board with a small hydraulic model behind it, for tests on CPython and MicroPython alike.

Time moves only in `idle()`. Flow follows the duty with a first-order lag; the
meter gives an edge for each pulse volume, and particles come evenly, so that
every figure a test expects can be worked out by hand.
"""

import os

MASK = (1 << 30) - 1
STEP_US = 5000


def counter_line(number, totals, state=0):
    """A line of docs/counter_drivers.md; its CRC bit by bit, as ITU-T V.41 has it."""
    text = (
        "N %d %d %d %d %d %d " % (number % 256, totals[0], totals[1], totals[2], totals[3], state)
    ).encode()
    crc = 0
    for byte in text:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return text + b"%04X\r\n" % crc


class FakeBoard:
    """Everything a board offers, and the knobs of the model as plain attributes."""

    def __init__(self, folder, start_ms=0):
        self.device_id = b"\x01\x02\x03\x04\x05\x06\x07\x08"
        self.log_dir = folder + "/log"
        self.settings_path = folder + "/settings.json"
        self.counts = [0] * 6
        self.meter_count = 0
        self.meter_edge_us = 0
        self.water_ua = 8000
        self.temp_ua = 12000
        self.temp_ohm = 10000
        self.inputs = 0
        self.tacho_count = 0
        self.clock_ms = None
        # the model
        self.now_us = start_ms * 1000
        self.full_ul_s = 4000.0
        self.lag_ms = 300.0
        self.pulse_nl = 200000
        self.per_ml = [4000, 1000, 100, 10, 0, 0]
        self.leak_ul_s = 0.0
        self.meter_broken = False
        self.flow_ul_s = 0.0
        self.duty_permille = 0
        self.outputs = 0
        self.watchdog_ms = 0
        self.fed_us = 0
        self.feeds = 0
        self.left = False
        self.cause = 0
        self.input_bits = 0
        self.real_water_ua = 8000
        self.real_temp_ua = 12000
        self.to_app = b""
        self.from_app = b""
        self.at_ms = []  # (ms, function) to call then, soonest first
        self._volume_nl = 0.0
        self._edges = 0
        self._edge_us = 0
        self._particles = [0.0] * 6
        self._lines = 0
        self._port = bytearray(256)
        self._in_port = 0

    def ticks_ms(self):
        """Milliseconds, modulo 2**30."""
        return (self.now_us // 1000) & MASK

    def ticks_us(self):
        """Microseconds, modulo 2**30."""
        return self.now_us & MASK

    def idle(self, ms):
        """Let the model run."""
        end_us = self.now_us + ms * 1000
        while self.now_us < end_us:
            while self.at_ms and self.at_ms[0][0] * 1000 <= self.now_us:
                self.at_ms.pop(0)[1]()
            self._step()
            if self.watchdog_ms and self.now_us - self.fed_us > self.watchdog_ms * 1000:
                raise RuntimeError("the watchdog bit")

    def _step(self):
        self.now_us += STEP_US
        wanted = self.full_ul_s * self.duty_permille / 1000
        self.flow_ul_s += (wanted - self.flow_ul_s) * (STEP_US / 1000) / self.lag_ms
        flow = self.flow_ul_s + self.leak_ul_s
        step_nl = flow * STEP_US / 1000
        self._volume_nl += step_nl
        while self._volume_nl >= self.pulse_nl:
            self._volume_nl -= self.pulse_nl
            if not self.meter_broken:
                self._edges += 1
                self._edge_us = self.now_us - int(STEP_US * self._volume_nl / step_nl)
        for i in range(6):
            self._particles[i] += step_nl * self.per_ml[i] / 1e6

    def refresh(self):
        """Latch the inputs."""
        for i in range(6):
            self.counts[i] = int(self._particles[i]) & MASK
        self.meter_count = self._edges & MASK
        self.meter_edge_us = self._edge_us & MASK
        self.water_ua = self.real_water_ua
        self.temp_ua = self.real_temp_ua
        self.inputs = self.input_bits

    def say_line(self, totals=None, state=0):
        """A counter with a line of its own says its totals, the model's where none are given."""
        self._lines += 1
        said = counter_line(self._lines, totals or self.counts, state)
        for byte in said[: len(self._port) - self._in_port]:
            self._port[self._in_port] = byte
            self._in_port += 1

    def counter_read(self, buf):
        """What it said since the last time; nothing is allocated."""
        n = self._in_port
        for i in range(n):
            buf[i] = self._port[i]
        self._in_port = 0
        return n

    def set_pump(self, duty_permille):
        """Pump drive."""
        assert 0 <= duty_permille <= 1000
        self.duty_permille = duty_permille

    def set_outputs(self, mask):
        """Valves and lamps."""
        self.outputs = mask

    def safe(self):
        """All off."""
        self.duty_permille = 0
        self.outputs = 0

    def leave(self):
        """The end."""
        self.safe()
        self.watchdog_ms = 0
        self.left = True

    def serial_read(self, buf):
        """What a test has put into `to_app`."""
        n = min(len(buf), len(self.to_app))
        buf[:n] = self.to_app[:n]
        self.to_app = self.to_app[n:]
        return n

    def serial_write(self, buf, n):
        """Collects in `from_app`."""
        self.from_app += bytes(memoryview(buf)[:n])
        return n

    def random_u32(self):
        """Four, by a fair roll."""
        return 0x11223344

    def reset_cause(self):
        """As a test says."""
        return self.cause

    def start_watchdog(self, ms):
        """From now on `feed()` must come."""
        self.watchdog_ms = ms
        self.feed()

    def feed(self):
        """Feed."""
        self.fed_us = self.now_us
        self.feeds += 1

    def utc_ms(self):
        """What a clock chip says, or None."""
        return self.clock_ms

    def set_utc_ms(self, utc_ms):
        """Set the clock chip; it stands still between."""
        if self.clock_ms is not None:
            self.clock_ms = utc_ms

    def configure(self, settings):
        """Take what is fitted."""
        self.fitted = (settings["loop_converter"], settings["tachometer_pulses_rev"])


def fresh_folder(name):
    """An empty folder for one test, on CPython and MicroPython alike."""
    # One for each process, so that two runs at once do not empty each other's.
    base = os.getenv("SKIDBOARD_TEST_DIR") or "/tmp/skidboard-test-%d" % os.getpid()
    folder = base + "/" + name
    for path in (base, folder):
        if path.split("/")[-1] not in os.listdir("/".join(path.split("/")[:-1])):
            os.mkdir(path)
    _empty(folder)
    return folder


def _empty(folder):
    for name in os.listdir(folder):
        path = folder + "/" + name
        try:
            os.remove(path)
        except OSError:
            _empty(path)
            os.rmdir(path)
