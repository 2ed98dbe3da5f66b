"""The virtual skid as a library: start it, move its time, talk to its port."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from skidwright.errors import SimError
from skidwright.sim.board_process import CPythonBoard, MicroPythonBoard, micropython
from skidwright.sim.plant import Plant
from skidwright.sim.scenario_keys import Scenario
from skidwright.sim.supervisor import Supervisor, identity
from skidwright.sim.truth import Truth

Progress = Callable[[float], None]
# A board that says nothing for so long of wall-clock time while time is to move has hung.
_SILENCE_S = 30.0


class VirtualSkid:
    """A virtual skid in a folder of its own. Use as a context manager, or call `start()` and `stop()`.

    Time stands still after `start()`. `run_until()` moves it fast. While it
    stands, a host program may talk to `port` inside `contact()`. After
    `go_live()` time follows the wall clock until `hold()`.

    The same scenario, seed and contacts give the same log, byte for byte.
    Raises SimError when the board cannot be started, crashes again and again, or hangs.
    """

    def __init__(self, scenario: Scenario, folder: Path | str, seed: int | None = None,
                 realtime: bool = False, blank: bool = False, python_board: str = "",
                 heap_kb: int = 256) -> None:  # fmt: skip
        self.scenario = scenario
        self.folder = Path(folder).resolve()
        self.seed = scenario.seed if seed is None else seed
        self.device_id = identity(scenario, self.seed)[0]
        self.start_utc_ms = int(scenario.start_utc.timestamp()) * 1000
        self.python_board = python_board or ("micropython" if micropython() else "cpython")
        if self.python_board not in ("micropython", "cpython"):
            raise SimError(f"{python_board}: no such board; there are micropython and cpython")
        self.folder.mkdir(parents=True, exist_ok=True)
        self.truth = Truth()
        self._board = (
            CPythonBoard(self.folder)
            if self.python_board == "cpython"
            else MicroPythonBoard(self.folder, heap_kb)
        )
        self._supervisor = Supervisor(
            scenario, Plant(scenario, self.seed, self.truth), self._board, self.seed, self.folder
        )
        self._thread = threading.Thread(target=self._supervisor.run, name="virtual skid", daemon=True)
        self._blank = blank
        self._realtime = realtime
        self._stopped = False

    @property
    def port(self) -> str:
        """What pyserial opens: the path of a pseudo-terminal, or a socket URL."""
        return self._board.port

    @property
    def now_s(self) -> float:
        """Virtual seconds since the scenario's start."""
        return self._supervisor.now_us() * 1e-6

    @property
    def in_repl(self) -> bool:
        """Whether the app has left and the board is at its REPL."""
        return self._supervisor.in_repl

    def utc_ms(self) -> int:
        """Virtual UTC in milliseconds since 1970."""
        return self.start_utc_ms + self._supervisor.now_us() // 1000

    def start(self) -> VirtualSkid:
        """Make the flash and power the board up at virtual time 0."""
        (self.folder / "board.log").write_bytes(b"")
        self._board.provision(self._blank, self.scenario.settings)
        if self._realtime:
            self._supervisor.cable = True
            self._supervisor.live = (time.monotonic(), 0)
        self._thread.start()
        self._wait_still()
        return self

    def run_until(self, t_s: float, progress: Progress | None = None) -> None:
        """Run fast until virtual time `t_s`, then stand still; `progress` gets the time so far."""
        self._supervisor.still.clear()
        self._supervisor.heard = time.monotonic()
        self._supervisor.stop_at_us = round(t_s * 1e6)
        self._supervisor.wake()
        self._wait_still(progress)

    def plug(self) -> None:
        """Plug the cable in."""
        self._board.discard()
        self._supervisor.cable = True
        self._supervisor.wake()

    def unplug(self) -> None:
        """Pull the cable; what is under way on it is lost."""
        self._supervisor.cable = False
        self._supervisor.wake()
        time.sleep(0.01)
        self._board.discard()

    @contextmanager
    def contact(self) -> Iterator[str]:
        """The cable plugged in while time stands still; gives the port."""
        self.plug()
        try:
            yield self.port
        finally:
            self.unplug()

    def go_live(self) -> None:
        """From now on time follows the wall clock, with the cable plugged in."""
        self._supervisor.still.clear()
        self._supervisor.live = (time.monotonic(), self._supervisor.plant.t_us)
        self.plug()

    def hold(self) -> None:
        """Let time stand still again after `go_live()`."""
        supervisor = self._supervisor
        supervisor.still.clear()
        supervisor.heard = time.monotonic()
        supervisor.stop_at_us = supervisor.now_us()
        supervisor.live = None
        supervisor.wake()
        self._wait_still()

    def cut_power(self, off_s: float = 2.0) -> None:
        """Cut the power at once, for `off_s` seconds of virtual time."""
        self._supervisor.cut_for_us = round(off_s * 1e6)
        self._supervisor.wake()

    def stop(self) -> None:
        """End everything and write `truth.npz`."""
        if self._stopped:
            return
        self._stopped = True
        supervisor = self._supervisor
        supervisor.stopping = True
        supervisor.wake()
        if self._thread.ident is not None:
            self._thread.join(0.5)
            self._board.power_off()
            self._thread.join(10)
            t_us = supervisor.plant.t_us
            self.truth.end(t_us)
            faults = [f"{f.kind} {f.start_s:.0f} {f.end_s:.0f} {f.asset}" for f in self.scenario.fault]
            self.truth.save(self.folder / "truth.npz", t_us, self.start_utc_ms, faults)
        self._board.close()
        supervisor.close()

    def __enter__(self) -> VirtualSkid:
        return self if self._thread.ident is not None else self.start()

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None,
                 trace: TracebackType | None) -> None:  # fmt: skip
        self.stop()

    def _wait_still(self, progress: Progress | None = None) -> None:
        """Wait until time stands still. Raises SimError when the board is silent for long."""
        supervisor = self._supervisor
        while supervisor.live is None and not supervisor.still.wait(0.2):
            if progress is not None:
                progress(supervisor.plant.t_s)
            if time.monotonic() - supervisor.heard > _SILENCE_S:
                log = self.folder / "board.log"
                supervisor.problem = SimError(
                    f"{log}: the board has hung at {supervisor.plant.t_s:.1f} s of its time"
                )
                break
        if progress is not None:
            progress(supervisor.plant.t_s)
        if supervisor.problem is not None:
            raise supervisor.problem
