"""What a board does at power-up, for the virtual skid under MicroPython: mount the flash, run /main.py.

Started by the virtual skid in its folder with `board.json` there. Afterwards
the REPL follows (`-i`) on the same serial port, as on a board.
"""
# mypy: ignore-errors

import json
import select
import sys

sys.path.insert(0, "rom")
import flash  # noqa: E402
import line_counter  # noqa: E402
import vfs  # noqa: E402


class Rom:
    """The module `skidrom`: serial port, flash, reset and the wire to the plant."""

    def __init__(self, config):
        self.device_id = bytes.fromhex(config["device"])
        self.cause = config["cause"]
        self.random_seed = config["random_seed"]
        self.ticks_start_ms = config["ticks_start_ms"]
        self.utc_base_ms = config["utc_base_ms"]
        self.log_dir = "/log"
        self.settings_path = "/settings.json"
        self.left = False
        self.line_counter = line_counter.LineCounter()
        self.raw_repl_wanted = False
        self._to_plant = open(config["request_fd"], "wb")
        self._from_plant = open(config["reply_fd"], "rb")
        # Another descriptor of the terminal behind stdin: written to without blocking (the start script's
        # parent sets that), which descriptors 0 to 2 do not report.
        self._serial = open(config["serial_fd"], "r+b")
        self.send = self._to_plant.write
        self.receive = self._from_plant.readinto
        self._both = select.poll()
        self._both.register(self._serial, select.POLLIN)
        self._both.register(self._from_plant, select.POLLIN)
        self._rate = config["serial_bytes_s"]
        self._sent_us = 0
        self._refused = False
        self.flash = flash.Flash("flash.img", config["random_seed"])
        self.flash.on_death = self._power_gone

    def wait_serial(self):
        """Wait for serial input, room for output that was refused, or a reply; false for the reply alone."""
        if self._refused and self._rate:
            # The port has room, the rate has none yet: the poll below would not wait.
            time.sleep_us(200)
        return any(item[0] is self._serial for item in self._both.ipoll())

    def serial_read(self, buf):
        got = self._serial.read(len(buf))
        if not got:
            return 0
        n = len(got)
        buf[:n] = got
        self.raw_repl_wanted = b"\x03" in got and b"\x01" in got
        return n

    def serial_write(self, buf, n):
        allowed = self._allowed(n) if self._rate else n
        taken = self._serial.write(memoryview(buf)[:allowed]) or 0 if allowed else 0
        if (taken < n) != self._refused:
            self._refused = taken < n
            self._both.modify(
                self._serial, select.POLLIN | select.POLLOUT if self._refused else select.POLLIN
            )
        return taken

    def _allowed(self, n):
        """How many of `n` bytes a cable of limited rate takes now, by the wall clock."""
        now_us = time.ticks_us()
        room = time.ticks_diff(now_us, self._sent_us) * self._rate // 1000000
        if room > 1024:
            self._sent_us = time.ticks_add(now_us, -1024 * 1000000 // self._rate)
            room = 1024
        n = min(n, room)
        self._sent_us = time.ticks_add(self._sent_us, n * 1000000 // self._rate)
        return n

    def _message(self, op):
        request = array.array("l", [0] * 9)
        request[0] = op
        request[7] = self.flash.operations
        self.send(request)

    def _power_gone(self):
        self._message(3)
        while True:
            time.sleep(10)

    def reset(self):
        """Stands in for `machine.reset`: the virtual skid kills this process and starts it anew."""
        self._message(4)
        while True:
            time.sleep(10)

    def leave(self):
        """Tell the plant that the app is over and wait until the terminal is back to blocking."""
        if not self.left:
            self.left = True
            self._message(2)
            reply = array.array("l", [0] * 17)
            while True:
                self.receive(reply)
                if reply[0] == 0 and not reply[1] & 1:
                    break


class Machine:
    """What of the module `machine` a board without pins has."""

    def __init__(self, rom):
        self.reset = rom.reset
        self.soft_reset = rom.reset


import array  # noqa: E402
import time  # noqa: E402

with open("board.json") as f:
    config = json.load(f)
rom = Rom(config)
sys.modules["skidrom"] = rom
sys.modules["machine"] = Machine(rom)
vfs.umount("/")
HOW = {"progsize": 256, "readsize": 32, "lookahead": 32}
try:
    storage = vfs.VfsLfs2(rom.flash, mtime=False, **HOW)
except OSError:
    # So does the boot script of the real board, without a word.
    vfs.VfsLfs2.mkfs(rom.flash, **HOW)
    storage = vfs.VfsLfs2(rom.flash, mtime=False, **HOW)
vfs.mount(storage, "/")
sys.path[:] = ["", ".frozen", "/lib"]
run_main = config["run_main"]
del config, f
if run_main:
    try:
        source = open("/main.py").read()
    except OSError:
        source = None
    if source is not None:
        try:
            exec(source, {"__name__": "__main__"})
        except SystemExit:
            pass
        except BaseException as problem:
            rom.leave()
            sys.print_exception(problem)
rom.leave()
