"""The guarded step test on a skid, and the set-point step that verifies new gains.

Every duty is given with a time limit of a few seconds beyond its need: when this program or its cable dies,
the board stops the pump by itself. The board's interlocks watch all the while; their trip ends the test.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from skidwright.errors import LinkError, NoModel, PortError, PumpMayRun, Refused, StepTestStopped
from skidwright.link import pump
from skidwright.link.session import Session
from skidwright.tuning.identify import Model, identify
from skidwright.tuning.simc import GAIN, INTEGRAL
from skidwright.tuning.trace import Trace
from skidwright.tuning.verification import compare

_MODULO = 1 << 30


class TickRecorder:
    """The ticks from now on. `take()` has to be called every few seconds; the board keeps the latest 128."""

    def __init__(self, session: Session, pulse_nl: int) -> None:
        self._session = session
        self._pulse_ul = pulse_nl / 1000.0
        # From the row to come on: what is older belongs to something else.
        _, self._wanted, _ = session.trace(0)
        self._time_us: list[int] = []
        self._edge_us: list[int] = []
        self._count: list[int] = []
        self._flow: list[int] = []
        self._duty: list[int] = []
        self._raw_count = 0

    def take(self) -> None:
        """Ask for what is new. Raises StepTestStopped when ticks are missing, LinkError."""
        first, to_come, rows = self._session.trace(self._wanted)
        if rows and first != self._wanted:
            raise StepTestStopped(
                "the board's ticks came too slowly: some are lost", self._session.where,
                "run it again; let no other program use the port",
            )  # fmt: skip
        self._wanted = to_come
        for now_us, edge_us, count, flow_ul_s, duty in rows:
            if self._time_us:
                self._time_us.append(self._time_us[-1] + (now_us - self._time_us[-1]) % _MODULO)
                self._count.append(self._count[-1] + (count - self._raw_count) % _MODULO)
            else:
                self._time_us.append(now_us)
                self._count.append(0)
            self._raw_count = count
            self._edge_us.append(self._time_us[-1] - (now_us - edge_us) % _MODULO)
            self._flow.append(flow_ul_s)
            self._duty.append(duty)

    @property
    def now_s(self) -> float:
        """Time of the latest tick from the first, s."""
        return (self._time_us[-1] - self._time_us[0]) * 1e-6 if self._time_us else 0.0

    def latest(self, span_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Flow (uL/s) and duty (per mille) of the ticks of the latest `span_s`."""
        n = sum(1 for t in self._time_us if t >= self._time_us[-1] - span_s * 1e6) if self._time_us else 0
        return np.array(self._flow[-n:] if n else [], float), np.array(self._duty[-n:] if n else [], float)

    def trace(self, since_s: float = 0.0, notes: tuple[str, ...] = ()) -> Trace:
        """Everything from `since_s` on as a trace."""
        time_s = (np.array(self._time_us, float) - self._time_us[0]) * 1e-6
        edge_s = (np.array(self._edge_us, float) - self._time_us[0]) * 1e-6
        count = np.array(self._count, float)
        chosen = time_s >= since_s
        # The edge that stood there at the beginning may be of another time, or none at all.
        fresh = chosen & (count > count[np.argmax(chosen)])
        edge_s[~fresh] = np.nan
        volume = np.where(fresh, count * self._pulse_ul, np.nan)
        return Trace(
            time_s[chosen] - since_s,
            np.array(self._duty, float)[chosen],
            np.array(self._flow, float)[chosen],
            edge_s[chosen] - since_s,
            volume[chosen],
            self._session.where,
            notes,
        )


Progress = Callable[[str, float], None]

LONGEST_S = 300.0
# The test goes on until the 95 % intervals are this narrow: of the gain, and of the sum of lag and dead time.
WANTED_WIDTH = 0.08
_LOOK_S = 0.4
_SPARE_S = 8
_APPROACH_S = 20.0
_STEADY_S = 5.0
_PROBE_HOLD_S = 6.0
_HOLDS_S = (3.0, 40.0)
# Of the band's width: how much of it the steps use, and how far beyond its ends flow may stray for a second.
_PROBE_SHARE = 0.2
_STEP_SHARE = 0.6
_STRAY_SHARE = 0.25
_STRAY_S = 1.0
_CYCLES_MAX = 12


def quiet(_what: str, _seconds: float) -> None:
    """Progress for nobody."""


@dataclass
class Bench:
    """A skid on the bench. `settings` are those in force; `progress` gets what goes on, and for how long."""

    session: Session
    settings: dict[str, Any]
    longest_s: float = LONGEST_S
    progress: Progress = quiet
    _recorder: TickRecorder = field(init=False)

    def __post_init__(self) -> None:
        self._recorder = TickRecorder(self.session, self.settings["meter_pulse_nl"])

    # -- step test --------------------------------------------------------------------------------

    def step_test(self) -> tuple[Trace, Model | None, str]:
        """The trace, its model, or None and why there is none.

        Raises StepTestStopped when the skid is busy, trips, or flow leaves its limits; LinkError, PortError.
        The pump is off, or back in the cycle's hands, whatever happens.
        """
        self._ready()
        try:
            middle = self._approach()
            return self._steps(middle)
        finally:
            self._let_go()

    def recorded(self) -> Trace | None:
        """What a test that had to end has recorded until then; None when that is nothing."""
        return self._recorder.trace(0.0, self._notes()) if self._recorder.now_s > 0 else None

    def _ready(self) -> None:
        state = self.session.status()
        where = self.session.where
        if state.get("state") not in ("standby", "rest", "manual"):
            remedy = f"`skidwright tell {where} stop` first"
            if state.get("state") == "tripped":
                remedy = f"find the cause, then `skidwright tell {where} reset`"
            raise StepTestStopped(f"the skid is in state {state.get('state')}", where, remedy)

    def _approach(self) -> int:
        """A duty at which flow stands about the middle of the band."""
        target = (self.settings["flow_low_ul_s"] + self.settings["flow_high_ul_s"]) // 2
        self.progress("bringing flow into its band", 0.0)
        self._hold(target, _APPROACH_S)
        _, duty = self._recorder.latest(_APPROACH_S / 2)
        middle = self._within(float(np.mean(duty)))
        for _ in range(4):
            self._drive(middle, _STEADY_S)
            flow = float(np.mean(self._recorder.latest(_STEADY_S / 2)[0]))
            if abs(flow - target) < 0.1 * self._width():
                return middle
            # Flow is about proportional to duty; the whole correction at once could go past the band.
            middle = self._within(middle * (1 + 0.8 * (target / max(flow, target / 2) - 1)))
        raise StepTestStopped(
            f"flow does not come to {target} uL/s and stay there: it stands at {flow:.0f}",
            self.session.where,
            "check the line for air and the band in the settings; warm the fluid",
        )

    def _steps(self, middle: int) -> tuple[Trace, Model | None, str]:
        began_s = self._recorder.now_s
        half = self._half_step(middle, _PROBE_SHARE, None)
        hold_s = _PROBE_HOLD_S
        self._drive(middle, hold_s / 2)
        self.progress("probing with small steps", 0.0)
        for duty in (middle + half, middle - half, middle):
            self._drive(duty, hold_s, guard=True)
        model, refusal = self._model(began_s)
        for cycle in range(_CYCLES_MAX):
            spent_s = self._recorder.now_s - began_s
            if model is not None and cycle and _sure(model):
                break
            if spent_s + 2 * hold_s > self.longest_s:
                break
            half = self._half_step(middle, _STEP_SHARE, model)
            if model is not None:
                lag_s = model.tau_s.value + model.dead_s.value
                hold_s = min(max(4.0 * lag_s, _HOLDS_S[0]), _HOLDS_S[1])
            self.progress(f"step {cycle + 1} up and down by {half} per mille", spent_s)
            self._drive(middle + half, hold_s, guard=True)
            self._drive(middle - half, hold_s, guard=True)
            model, refusal = self._model(began_s)
        return self._recorder.trace(began_s, self._notes()), model, refusal

    def _model(self, since_s: float) -> tuple[Model | None, str]:
        try:
            return identify(self._recorder.trace(since_s)), ""
        except NoModel as why:
            return None, str(why)

    def _half_step(self, middle: int, share: float, model: Model | None) -> int:
        """Half of a step in duty that moves flow by a share of the band, not beyond the duty's limits."""
        if model is not None:
            gain = model.gain.high
        else:
            flow = float(np.mean(self._recorder.latest(_STEADY_S / 2)[0]))
            gain = flow / middle
        low, high = self.settings["duty_min_permille"], self.settings["duty_max_permille"]
        half = max(2, round(share * self._width() / 2 / gain))
        return int(max(1, min(half, middle - low, high - middle)))

    def _width(self) -> float:
        return float(self.settings["flow_high_ul_s"] - self.settings["flow_low_ul_s"])

    def _within(self, duty: float) -> int:
        low, high = self.settings["duty_min_permille"], self.settings["duty_max_permille"]
        return int(round(min(max(duty, low), high)))

    def _notes(self) -> tuple[str, ...]:
        return tuple(f"{name} = {self.settings[name]}" for name in (GAIN, INTEGRAL))

    # -- verification -----------------------------------------------------------------------------

    def verify(self, model: Model) -> tuple[Trace, dict[str, Any]]:
        """Set-point steps with the settings now in force, and how they compare with what the model predicted.

        Raises as `step_test` does.
        """
        self._ready()
        low, high = self.settings["flow_low_ul_s"], self.settings["flow_high_ul_s"]
        from_ul_s, to_ul_s = round(low + 0.3 * (high - low)), round(low + 0.7 * (high - low))
        hold_s = min(max(10.0 * (model.tau_s.value + model.seen_dead_s), 10.0), _HOLDS_S[1])
        plan = [(hold_s, from_ul_s), (hold_s, to_ul_s), (hold_s, from_ul_s)]
        try:
            self.progress("verifying: settling", 0.0)
            self._hold(from_ul_s, hold_s)
            began_s = self._recorder.now_s
            changes = [0.0]
            for held_s, set_ul_s in plan:
                self.progress(f"verifying: set-point {set_ul_s} uL/s", self._recorder.now_s - began_s)
                self._hold(set_ul_s, held_s)
                changes.append(self._recorder.now_s - began_s)
        finally:
            self._let_go()
        trace = self._recorder.trace(began_s, self._notes())
        held = [
            (after - before, s) for before, after, (_, s) in zip(changes, changes[1:], plan, strict=False)
        ]
        return trace, compare(trace, model, self.settings, held)

    # -- driving ----------------------------------------------------------------------------------

    def _drive(self, duty: int, seconds: float, guard: bool = False) -> None:
        self._limit_s = round(seconds) + _SPARE_S
        self._command(f"duty {self._within(duty)} {self._limit_s}")
        self._watch(seconds, guard)

    def _hold(self, set_ul_s: int, seconds: float) -> None:
        self._limit_s = round(seconds) + _SPARE_S
        self._command(f"hold {set_ul_s} {self._limit_s}")
        self._watch(seconds, False)

    def _command(self, text: str) -> None:
        try:
            self.session.command(text)
        except Refused as why:
            raise StepTestStopped(f"the board refuses: {why.what}", self.session.where,
                                  "see `skidwright status`") from None  # fmt: skip

    def _watch(self, seconds: float, guard: bool) -> None:
        """Record for so long by the board's time; end at once on a trip or when flow strays."""
        began_s = self._recorder.now_s
        while self._recorder.now_s - began_s < seconds:
            time.sleep(min(_LOOK_S, max(0.05, seconds - (self._recorder.now_s - began_s))))
            self._recorder.take()
            state = self.session.status()
            if state.get("state") != "manual":
                names = ", ".join(str(f) for f in state.get("faults", [])) or "by command"
                raise StepTestStopped(
                    f"the skid left the test, state {state.get('state')}: {names}", self.session.where,
                    "find the cause (docs/faults.md), then run it again",
                )  # fmt: skip
            if guard:
                self._guard()

    def _guard(self) -> None:
        flow, _ = self._recorder.latest(_STRAY_S)
        if flow.size < 3:
            return
        spare = _STRAY_SHARE * self._width()
        low, high = self.settings["flow_low_ul_s"] - spare, self.settings["flow_high_ul_s"] + spare
        if (flow < low).all() or (flow > high).all():
            raise StepTestStopped(
                f"flow of {flow[-1]:.0f} uL/s has left the band {self.settings['flow_low_ul_s']} to "
                f"{self.settings['flow_high_ul_s']}", self.session.where,
                "let the fluid's temperature settle, then run it again",
            )  # fmt: skip

    def _let_go(self) -> None:
        """The pump back to controller and cycle. Raises PumpMayRun; a board out of reach lets go later."""
        try:
            self.session.insist("auto")
        except Refused:
            return  # nothing runs by hand any more
        except (LinkError, PortError):
            raise PumpMayRun(
                f"the board does not answer: the pump may be running, for {self._limit_s} s at the most",
                self.session.where,
                pump.HARDWARE_STOP,
            ) from None


def _sure(model: Model) -> bool:
    lag = model.tau_s.value + model.dead_s.value
    widest = max(model.tau_s.half_width, model.dead_s.half_width) / lag
    return model.gain.relative < WANTED_WIDTH and widest < WANTED_WIDTH
