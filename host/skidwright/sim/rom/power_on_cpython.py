"""What a board does at power-up, under CPython: a directory is the flash, a socket the cable.

Started as `python power_on_cpython.py` in the virtual skid's folder with `board.json` there.
"""
# mypy: ignore-errors

import contextlib
import json
import os
import select
import socket
import sys
import time
import traceback

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import line_counter  # noqa: E402


class Flash:
    """A directory stands for the flash: it costs no time, and power fails between operations only."""

    operations = 0
    busy_us = 0
    die_at = 0


class Rom:
    """The module `skidrom`: serial port, flash, reset and the wire to the plant."""

    def __init__(self, config):
        self.device_id = bytes.fromhex(config["device"])
        self.cause = config["cause"]
        self.random_seed = config["random_seed"]
        self.ticks_start_ms = config["ticks_start_ms"]
        self.utc_base_ms = config["utc_base_ms"]
        self.line_counter = line_counter.LineCounter()
        root = os.path.abspath("flash")
        self.log_dir = root + "/log"
        self.settings_path = root + "/settings.json"
        self.left = False
        self.raw_repl_wanted = False
        self.flash = Flash()
        self._plant = socket.create_connection(("127.0.0.1", config["plant_port"]))
        self._plant.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._listener = socket.create_server(("127.0.0.1", config["link_port"]), backlog=1)
        self._host = None
        self._refused = False
        self.send = self._plant.sendall

    def receive(self, reply):
        view = memoryview(reply).cast("B")
        n = 0
        while n < len(view):
            got = self._plant.recv_into(view[n:])
            if got == 0:
                os._exit(0)
            n += got

    def wait_serial(self):
        """Wait for serial input, room for output that was refused, or a reply; false for the reply alone."""
        while True:
            refused = [self._host] if self._refused and self._host is not None else []
            ready, room, _ = select.select([self._plant, self._host or self._listener], refused, [])
            if room:
                return True
            if self._listener in ready:
                self._accept()
            else:
                return self._host is not None and self._host in ready

    def _accept(self):
        self._host = self._listener.accept()[0]
        self._host.setblocking(False)
        self._host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def serial_read(self, buf):
        if self._host is None:
            if not select.select([self._listener], [], [], 0)[0]:
                return 0
            self._accept()
        try:
            n = self._host.recv_into(buf)
        except BlockingIOError:
            return 0
        except OSError:
            n = 0
        if n == 0:
            self._host.close()
            self._host = None
        return n

    def serial_write(self, buf, n):
        if self._host is None:
            return n
        self._refused = False
        try:
            taken = self._host.send(memoryview(buf)[:n])
        except BlockingIOError:
            taken = 0
        except OSError:
            taken = n
        self._refused = taken < n
        return taken


def run(config):
    """Run main.py of the flash as the board would."""
    sys.modules["skidrom"] = Rom(config)
    sys.path.insert(0, os.path.abspath("flash"))
    main = os.path.abspath("flash/main.py")
    if config["run_main"] and os.path.exists(main):
        with open(main) as f:
            source = f.read()
        try:
            with contextlib.suppress(SystemExit):
                exec(compile(source, main, "exec"), {"__name__": "__main__"})
        except Exception:
            traceback.print_exc()
            sys.exit(1)
    # There is no REPL here: whatever comes in is left unread until the plant ends this process.
    while True:
        time.sleep(10)


with open("board.json") as f:
    run(json.load(f))
