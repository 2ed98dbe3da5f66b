"""The virtual skid in one process: the firmware's app and virtual board under CPython, the plant called.

Time is the plant's. Nothing of the firmware is replaced; only the wire between board and plant is a call.
"""

from __future__ import annotations

import json
import random
import sys
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any

from skidboard.app import App
from skidboard.board import virtual
from skidwright.sim.plant import Plant
from skidwright.sim.scenario import from_table
from skidwright.sim.scenario_keys import PlantFault
from skidwright.sim.supervisor import POWER, Supervisor

# What appending a record costs on the board: 1.4 to 109 ms (measured on an emulated RP2040).
APPEND_US = (1400, 109000)


class Done(Exception):
    """Raised by a watcher to end a run."""


class ExactPlant(Plant):
    """A plant whose steps end where a fault begins or ends, so that it does so at its time."""

    def step(self, dt_us: int) -> None:
        """As the plant's own."""
        end_us = self.t_us + dt_us
        while self.t_us < end_us:
            change_us = self.next_change_us()
            until_us = change_us if self.t_us < change_us < end_us else end_us
            super().step(until_us - self.t_us)


class _Flash:
    operations = 0
    busy_us = 0
    die_at = virtual.NEVER


class _Rom:
    """The module `skidrom` of the virtual board."""

    def __init__(self, skid: SkidInProcess, config: dict[str, Any], folder: Path) -> None:
        self.device_id = bytes.fromhex(config["device"])
        self.cause = config["cause"]
        self.random_seed = config["random_seed"]
        self.ticks_start_ms = config["ticks_start_ms"]
        self.utc_base_ms = config["utc_base_ms"]
        self.log_dir = str(folder / "log")
        self.settings_path = str(folder / "settings.json")
        self.left = self.raw_repl_wanted = False
        self.flash = _Flash()
        self.send = skid.take_request
        self.receive = skid.give_reply


class SkidInProcess:
    """A skid for one scenario (a table as from its file) in an empty folder.

    `watch` is called after each control step, before time goes on; it may end the run by raising Done.
    """

    def __init__(self, table: dict[str, Any], seed: int, folder: Path) -> None:
        scenario = from_table(table)
        self.folder = folder
        self.watch: Callable[[], None] = lambda: None
        self.plant = ExactPlant(scenario, seed)
        self._request = b""
        self._answer = b""
        self._told = False
        self._costs = random.Random(seed)
        self._supervisor = Supervisor(scenario, self.plant, self, seed, folder)  # type: ignore[arg-type]
        self._supervisor.stop_at_us = 1 << 62
        (folder / "settings.json").write_text(json.dumps(scenario.settings), "utf-8")
        self._supervisor.power_on(POWER)
        sys.modules["skidrom"] = self._rom  # type: ignore[assignment]
        try:
            self.board: Any = virtual.Board()
        finally:
            del sys.modules["skidrom"]
        self.app: Any = App(self.board)
        self._append = self.app.journal.append
        self.app.journal.append = self._append_at_a_cost

    def run(self) -> None:
        """The firmware's loop until the watcher has had enough."""
        try:
            self.app.run()
        except Done:
            return
        finally:
            self._supervisor.close()
        raise AssertionError("the app has left by itself")

    @property
    def duty_permille(self) -> int:
        """What the board gives the pump now."""
        return int(self.board._request[virtual.DUTY])

    @property
    def outputs(self) -> int:
        """The board's outputs now."""
        return int(self.board._request[virtual.OUTPUTS])

    def tell(self, text: str) -> str | None:
        """A host's command; None, or why not."""
        self._told = True
        said: str | None = self.app.command(text)
        return said

    def fault(self, kind: str, start_us: int, end_us: int, amount: float = -1.0) -> None:
        """Have a fault happen in the plant."""
        self.plant.add_fault(PlantFault(kind, start_us * 1e-6, end_us * 1e-6, amount=amount))

    def log_bytes(self) -> bytes:
        """The log as a host pulls it: all segments back to back."""
        found = sorted((self.folder / "log").rglob("*.seg"), key=lambda path: path.name)
        return (
            b"".join(path.read_bytes().ljust(4096, b"\xff") for path in found[:-1]) + found[-1].read_bytes()
        )

    def _append_at_a_cost(self, slot: bytes) -> int:
        self._rom.flash.busy_us += self._costs.randint(*APPEND_US)
        return int(self._append(slot))

    # -- the wire between board and plant, and the part of a board's process that the supervisor needs ----

    def take_request(self, request: array[int]) -> None:
        """From the board."""
        if request[virtual.OP] == virtual.ADVANCE:
            self._told = False
            self.watch()
            if self._told:
                # What comes over the cable ends the board's waiting.
                request[virtual.WAKE_US] = self.board._now_us()
        self._request = bytes(request)

    def give_reply(self, reply: array[int]) -> None:
        """To the board."""
        self._supervisor._take()
        reply[:] = array(virtual.WORD, self._answer)

    def power_on(self, config: dict[str, Any]) -> None:
        """Called by the supervisor."""
        self._rom = _Rom(self, config, self.folder)

    def power_off(self) -> None:
        """Called by the supervisor when the watchdog has bitten."""
        raise AssertionError("the board was reset by its watchdog")

    def receive(self) -> bytes:
        """The board's request."""
        return self._request

    def send(self, reply: bytes) -> None:
        """The supervisor's reply."""
        self._answer = reply

    def app_has_port(self, yes: bool) -> None:
        """There is no port."""
