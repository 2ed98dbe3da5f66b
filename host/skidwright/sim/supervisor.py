"""Stands between the board's process and the plant: answers each request, keeps the clock, cuts the power."""

from __future__ import annotations

import dataclasses
import hashlib
import select
import socket
import struct
import threading
import time
from pathlib import Path

from skidboard.board import virtual

from skidwright.errors import SimError
from skidwright.sim.board_process import CPythonBoard, MicroPythonBoard
from skidwright.sim.plant import Plant
from skidwright.sim.scenario import amount
from skidwright.sim.scenario_keys import Scenario

POWER, SOFT, WATCHDOG, COMMANDED = range(4)
_REQUEST = struct.Struct(f"={virtual.REQUEST_WORDS}q")
_REPLY = struct.Struct(f"={virtual.REPLY_WORDS}q")
_MOST_CRASHES = 5


def identity(scenario: Scenario, seed: int) -> tuple[bytes, int]:
    """The eight bytes by which the board is known, and where its random numbers begin: its log's id is one.

    Both follow from the whole scenario and the seed: what gives another log gets another name for it.
    """
    whole = dataclasses.replace(scenario, seed=seed)
    digest = hashlib.sha256(f"virtual skid {whole!r}".encode()).digest()
    return digest[:8], int.from_bytes(digest[8:12], "little")


class Supervisor:
    """Serves one board in a thread of its own (`run`).

    Other threads set `stop_at_us`, `live`, `cable`, `stopping` and
    `cut_for_us`, then call `wake()`. `still` is set while time stands.
    """

    def __init__(self, scenario: Scenario, plant: Plant, board: MicroPythonBoard | CPythonBoard, seed: int,
                 folder: Path) -> None:  # fmt: skip
        self.plant = plant
        self.stop_at_us = 0
        self.live: tuple[float, int] | None = None  # (wall clock, virtual microseconds) at which it began
        self.cable = False
        self.stopping = False
        self.cut_for_us = -1
        self.still = threading.Event()
        self.problem: Exception | None = None
        self.heard = time.monotonic()
        self.in_repl = False
        self._scenario = scenario
        self._board = board
        self._device_id, self._random = identity(scenario, seed)
        self._folder = folder
        self._wake_read, self._wake_write = socket.socketpair()
        self._pending: tuple[int, int] | None = None  # tag, virtual time to wake at
        self._told_to_wait = False
        self._die_at = virtual.NEVER
        self._off_us = 0
        self._watchdog_us = 0
        self._fed_us = 0
        self._operations = 0
        self._starts = 0
        self._crashes: list[int] = []

    def wake(self) -> None:
        """Have the thread look at what was set."""
        self._wake_write.send(b"x")

    def close(self) -> None:
        """Give the wake-up sockets back."""
        self._wake_read.close()
        self._wake_write.close()

    def now_us(self) -> int:
        """Virtual time, with the wall clock when live."""
        live = self.live
        if live is None:
            return self.plant.t_us
        return max(self.plant.t_us, live[1] + int((time.monotonic() - live[0]) * 1e6))

    def run(self) -> None:
        """Serve until `stopping`."""
        try:
            self.power_on(POWER)
            while not self.stopping:
                if self._pending is None and not self.in_repl:
                    self._take()
                else:
                    self._linger()
        except Exception as problem:
            if not self.stopping:
                self.problem = problem
        self.still.set()

    def power_on(self, cause: int, run_main: bool = True) -> None:
        """Power the board up (or reset it) now."""
        self._starts += 1
        self._pending = None
        self.in_repl = False
        self._die_at = virtual.NEVER
        self._watchdog_us = 0
        self._operations = 0
        self.plant.power_up()
        self.plant.truth.start(self.plant.t_us, cause)
        options = self._scenario.board
        utc_ms = int(self._scenario.start_utc.timestamp()) * 1000 + self.plant.t_us // 1000
        self._board.app_has_port(True)
        self._board.power_on({
            "device": self._device_id.hex(),
            "cause": cause,
            "random_seed": (self._random + self._starts) & 0x7FFFFFFF,
            "ticks_start_ms": options.ticks_start_ms,
            "utc_base_ms": utc_ms if options.clock_chip else None,
            "serial_bytes_s": options.serial_bytes_s,
            "run_main": run_main,
        })  # fmt: skip
        self.heard = time.monotonic()

    def _restart(self, cause: int, off_us: int = 0, run_main: bool = True) -> None:
        """End the board's process, let `off_us` pass without power, and power it up."""
        self._board.power_off()
        self.plant.truth.end(self.plant.t_us)
        self.plant.power_up()
        self.plant.skip_to(self.plant.t_us + off_us)
        if self.live is not None:
            self.live = (time.monotonic(), self.plant.t_us)
        self.power_on(cause, run_main)

    def _take(self) -> None:
        """Take one request of the board and act on it."""
        data = self._board.receive()
        self.heard = time.monotonic()
        if len(data) != _REQUEST.size:
            if not self.stopping:
                self._ended()
            return
        op, tag, wake_us, duty, outputs, watchdog_ms, fed_us, self._operations, extra = _REQUEST.unpack(data)
        if op == virtual.ADVANCE:
            self.plant.drive(duty, outputs)
            self._watchdog_us = watchdog_ms * 1000
            self._fed_us = fed_us
            self._pending = (tag, self.plant.boot_us + wake_us)
            self._told_to_wait = False
            self._advance()
        elif op == virtual.START:
            self._reply(tag, 0)
        elif op == virtual.LEAVE:
            self._leave(tag, bool(extra))
        elif op == virtual.POWER_GONE:
            self._restart(POWER, self._off_us)
        else:
            self._restart(COMMANDED)

    def _reply(self, tag: int, flags: int) -> None:
        plant = self.plant
        loops = plant.loops
        self._board.send(_REPLY.pack(
            tag, flags | (virtual.CABLE if self.cable else 0), plant.t_us - plant.boot_us, plant.inputs,
            plant.meter_count, plant.meter_edge_us, loops.water_ua, loops.temp_ua, loops.temp_ohm,
            self._die_at, *plant.counts, plant.counter_fault,
        ))  # fmt: skip

    def _advance(self) -> None:
        """Move the plant as far as the clock allows, and tell the board when it may go on."""
        if self._pending is None:
            return
        tag, wake_us = self._pending
        if self.live is not None:
            self.plant.step(min(wake_us, self.now_us()) - self.plant.t_us)
            done = self.plant.t_us >= wake_us
        else:
            done = self.plant.t_us < self.stop_at_us
            if done:
                self.plant.step(wake_us - self.plant.t_us)
        if self._supply_failed() or self._watchdog_bit():
            return
        if done:
            self._pending = None
            self._reply(tag, 0)
        elif not self._told_to_wait:
            self._told_to_wait = True
            self._reply(tag, virtual.WAIT)
            if self.live is None:
                self.still.set()

    def _linger(self) -> None:
        """The board waits, or is at its REPL: move time on, or wait for something to happen."""
        timeout = None
        if self.live is not None:
            timeout = 0.2
            if self._pending is not None:
                timeout = min(0.2, max(0.0, (self._pending[1] - self.now_us()) * 1e-6))
        elif self.plant.t_us < self.stop_at_us:
            timeout = 0.0
        else:
            self.still.set()
        ready = select.select([self._board.request, self._wake_read], [], [], timeout)[0]
        if self._wake_read in ready:
            self._wake_read.recv(4096)
            if self.cut_for_us >= 0:
                off_us, self.cut_for_us = self.cut_for_us, -1
                self._restart(POWER, off_us)
                return
            if self._pending is not None:
                self._reply(self._pending[0], virtual.WAIT)
        elif ready:
            self._take()
        elif self._pending is not None:
            self._advance()
        else:
            self._pass_at_repl()

    def _pass_at_repl(self) -> None:
        """Nobody asks for time at the REPL; it passes all the same, with the pump off."""
        until_us = (
            self.now_us() if self.live is not None else min(self.stop_at_us, self.plant.t_us + 10_000_000)
        )
        self.plant.step(until_us - self.plant.t_us)
        self.heard = time.monotonic()
        self._supply_failed()

    def _supply_failed(self) -> bool:
        """Act on a scripted fault of the supply that is due; true when the board has been restarted."""
        if self.plant.t_us < self.plant.schedule.next_power_us:
            return False
        fault = self.plant.schedule.take_power()
        if fault.kind == "power_off":
            self._restart(POWER, round(fault.end_s * 1e6) - self.plant.t_us)
        elif fault.flash_operation and isinstance(self._board, MicroPythonBoard):
            self._die_at = self._operations + fault.flash_operation
            self._off_us = round(amount(fault) * 1e6)
            return False
        else:
            self._restart(POWER, round(amount(fault) * 1e6))
        return True

    def _watchdog_bit(self) -> bool:
        if not self._watchdog_us or self.plant.t_us - self.plant.boot_us - self._fed_us <= self._watchdog_us:
            return False
        self._restart(WATCHDOG)
        return True

    def _leave(self, tag: int, raw_repl_wanted: bool) -> None:
        """The app is over: pump off, the terminal to the REPL."""
        self.plant.drive(0, 0)
        self._watchdog_us = 0
        self._pending = None
        self.in_repl = True
        self._board.app_has_port(False)
        self._reply(tag, 0)
        if raw_repl_wanted:
            # The app took this along with what made it leave.
            self._board.type_in(b"\r\x01")

    def _ended(self) -> None:
        """The board's process has ended by itself: a soft reset at the REPL, or a crash. Raises SimError."""
        if self.in_repl:
            self._board.print_out(b"soft reboot\r\n")
            self._board.type_in(b"\x01")
            self._restart(SOFT, run_main=False)
            return
        self._crashes.append(self.plant.t_us)
        if self._crashes[-_MOST_CRASHES:].count(self.plant.t_us) == _MOST_CRASHES:
            raise SimError(f"{self._folder / 'board.log'}: the board's process ends at once, see there")
        self._restart(SOFT)
