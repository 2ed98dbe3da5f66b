"""The plant: pump, line, fluid, counter, flow meter and loops, stepped in virtual time.

Everything random comes from one seed. The same steps with the same duties give the same plant.
"""

from __future__ import annotations

import math

import numpy as np
from skidboard import settings as board_settings
from skidboard.drivers import LOOP_CODES

from skidwright.formulas import iso4406
from skidwright.sim import sensors
from skidwright.sim.fluid import Carts, PlantFluid, viscosity_mm2_s
from skidwright.sim.scenario import FAULT_BITS, Schedule
from skidwright.sim.scenario_keys import PlantFault, Scenario
from skidwright.sim.sensors import Air, Arrivals, Loops, normals
from skidwright.sim.truth import Truth

MODULO = 1 << 30
STOP_CHAIN_OPEN = 1
OVER_PRESSURE = 2
# What ails a counter with a line of its own, as rom/line_counter.py has it.
COUNTER_FAULTS = {"counter_silent": 1, "counter_garbled": 2, "counter_restarts": 4, "counter_ill": 8}


class Plant:
    """Everything that the board's pins see. `t_us` is virtual time since the scenario's start."""

    def __init__(self, scenario: Scenario, seed: int, truth: Truth | None = None) -> None:
        self.scenario = scenario
        self.truth = truth or Truth()
        seeds = np.random.SeedSequence(seed).spawn(9)
        self._flow_noise = normals(seeds[0])
        self._arrivals = Arrivals(seeds[2:8])
        self._air = Air(seeds[8], scenario.line.volume_ml)
        self.schedule = Schedule(scenario.fault)
        self._fluids = [
            PlantFluid(a, [t for t in scenario.top_up if t.asset == a.number]) for a in scenario.asset
        ]
        places = {a.number: fluid for a, fluid in zip(scenario.asset, self._fluids, strict=True)}
        self._carts = Carts([(cart, places[cart.asset]) for cart in scenario.cart], self.truth)
        self.t_us = 0
        self.duty_permille = 0
        self.outputs = 0
        self._asset = 0
        self._open = False
        self._flow = 0.0
        self.drawn_ml = 0.0  # since the scenario's start
        self._since_switch_ml = math.inf
        self._running = False
        first = self._fluids[0]
        self._at_switch = first.per_ml(0.0) + [first.water_percent(0.0)]
        self._at_sensor = list(self._at_switch)
        self._in_beam = self._at_sensor[:4]
        self._droplets_per_ml = 0.0
        self.loops = Loops(scenario, seeds[1], self._at_switch[6])
        self._viscosity = 100.0
        self._to_edge_ul = self._pulse_ul = scenario.meter.pulse_ul
        self._active: dict[str, float] = {}
        self._dead: list[int] = []
        self._change_us = 0
        self._slow_us = 0
        self._slow_due_us = 0
        self._decays: dict[int, float] = {}
        self._row = [0.0, math.inf, 0.0, 0.0]
        self._rates = [0.0] * 6
        self._bubbles_per_ml = 0.0
        self.inputs = 0
        self.counter_fault = 0
        self.power_up()
        self.loops.convert()

    def power_up(self) -> None:
        """Counters of a board that has just been powered or reset start at 0, its outputs off."""
        self._slow()
        if self._carts:
            self._carts.switch(self.t_us, self.outputs, 0)
        self.boot_us = self.t_us
        self.counts = [0] * 6
        self.meter_count = 0
        self.meter_edge_us = 0
        self._noise = 0.0
        self.duty_permille = 0
        self.outputs = 0

    @property
    def t_s(self) -> float:
        """Virtual time in seconds."""
        return self.t_us * 1e-6

    def add_fault(self, fault: PlantFault) -> None:
        """Have one more fault happen, while the plant runs already."""
        self.schedule.add(fault)
        self._change_us = min(self._change_us, round(fault.start_s * 1e6))

    def next_change_us(self) -> int:
        """When the next fault begins or ends; it takes effect in the step that begins there."""
        return self._change_us

    @property
    def viscosity_mm2_s(self) -> float:
        """Kinematic viscosity of the fluid at the sensors, as of the latest second with flow."""
        return self._viscosity

    def skip_to(self, t_us: int) -> None:
        """Move on without a board, in steps of up to 10 s: power is off."""
        while self.t_us < t_us:
            self.step(min(10_000_000, t_us - self.t_us))

    def step(self, dt_us: int) -> None:
        """Move on by `dt_us` microseconds of virtual time."""
        if dt_us <= 0:
            return
        start_us = self.t_us
        if start_us >= self._slow_due_us or start_us >= self._change_us:
            self._slow()
        self.t_us = start_us + dt_us
        pump = self.scenario.pump
        dt_s = dt_us * 1e-6
        active = self._active
        if self.duty_permille > pump.dead_permille or self._flow > 1e-3 or "unwanted_flow" in active:
            self._flow_step(start_us, dt_us, dt_s)
        elif self._running:
            self._flow = 0.0
            self._slow()
            self._running = False
        if "meter_noise" in active:
            self._noise += active["meter_noise"] * dt_s
            edges = int(self._noise)
            self._noise -= edges
            if edges:
                self.meter_count = (self.meter_count + edges) % MODULO
                self.meter_edge_us = self.t_us - self.boot_us
        self.loops.convert()

    def _flow_step(self, start_us: int, dt_us: int, dt_s: float) -> None:
        active = self._active
        if not self._running:
            self._start_running()
        target = self._target_ml_s()
        decay = self._decays.get(dt_us)
        if decay is None:
            decay = self._decays[dt_us] = math.exp(-dt_s / self.scenario.pump.lag_s)
        before = self._flow
        self._flow = target + (before - target) * decay
        mean = target + (before - target) * (1.0 - decay) * self.scenario.pump.lag_s / dt_s
        mean *= 1.0 + self.scenario.pump.unsteady * next(self._flow_noise)
        if active or self._air.present:
            mean *= self._air.flow_factor(dt_s, "air" in active, self._bubbles_per_ml)
            if "pump_stall" in active:
                mean = self._flow = 0.0
        if mean < 0.0:
            mean = 0.0
        if "unwanted_flow" in active and mean < active["unwanted_flow"] * 1e-3:
            mean = active["unwanted_flow"] * 1e-3
        volume_ml = mean * dt_s
        self._since_switch_ml += volume_ml
        self.drawn_ml += volume_ml
        row = self._row
        if mean < row[1]:
            row[1] = mean
        if mean > row[2]:
            row[2] = mean
        row[0] += volume_ml
        if "meter_stuck" not in active:
            self._meter(start_us, dt_us, volume_ml * 1000.0)
        self._count(mean, volume_ml)

    def _target_ml_s(self) -> float:
        """Flow at which the pump would settle: displacement less slip, and less what thick oil takes away."""
        pump = self.scenario.pump
        if not self._open or self.duty_permille <= pump.dead_permille:
            return 0.0
        drive = pump.full_ml_s * (self.duty_permille - pump.dead_permille) / (1000.0 - pump.dead_permille)
        flow = (drive - pump.slip_ml_s / self._viscosity) / (
            1.0 + self.scenario.line.resistance * self._viscosity
        )
        if "supply_pressure" in self._active:
            flow += self._active["supply_pressure"] * 1e-3
        if "blocked_line" in self._active:
            flow *= 1.0 - self._active["blocked_line"]
        return max(flow, 0.0)

    def _meter(self, start_us: int, dt_us: int, volume_ul: float) -> None:
        if volume_ul <= 0.0:
            return
        meter = self.scenario.meter
        left = self._to_edge_ul - volume_ul
        while left <= 0.0:
            self.meter_count = (self.meter_count + 1) % MODULO
            self.meter_edge_us = start_us + round(dt_us * (1.0 + left / volume_ul)) - self.boot_us
            left += self._pulse_ul * (1.0 + meter.scatter * next(self._flow_noise))
        self._to_edge_ul = left

    def _count(self, flow_ml_s: float, volume_ml: float) -> None:
        """Pulses of the counter for `volume_ml`, drawn class by class and cumulated."""
        sensor = self.scenario.sensor
        if flow_ml_s < sensor.flow_low_ml_s:
            # Slow particles give longer pulses that look larger, and noise counts with them.
            volume_ml *= min(3.0, (sensor.flow_low_ml_s / max(flow_ml_s, 1e-3)) ** 0.7)
        elif flow_ml_s > sensor.flow_high_ml_s:
            volume_ml *= (sensor.flow_high_ml_s / flow_ml_s) ** 0.7
        n = self._arrivals.draw(self._rates, volume_ml)
        if self._air.present:
            bubbles = self._air.bubbles(volume_ml, self._bubbles_per_ml)
            n = [n[i] + bubbles[i] for i in range(4)] + n[4:]
            self._row[3] += sum(bubbles)
        for i in (2, 1, 0):
            n[i] += n[i + 1]
        for i in self._dead:
            n[i] = 0
        if "swapped_channels" in self._active:
            i = int(self._active["swapped_channels"]) - 1
            n[i], n[i + 1] = n[i + 1], n[i]
        self.counts = [(c + new) % MODULO for c, new in zip(self.counts, n, strict=True)]

    def _start_running(self) -> None:
        """Flow begins: what stands in the line is old fluid, to be purged."""
        self._running = True
        self._at_switch = list(self._at_sensor)
        self._since_switch_ml = 0.0
        self._row = [0.0, math.inf, 0.0, 0.0]
        self._slow()

    def _select(self) -> None:
        """The lowest open selector valve chooses the asset; with one asset there need be no valve."""
        bits = self.outputs & 0xFF
        chosen = (bits & -bits).bit_length() - 1
        self._open = 0 <= chosen < len(self._fluids) or len(self._fluids) == 1
        if 0 <= chosen < len(self._fluids) and chosen != self._asset:
            self._asset = chosen
            self._at_switch = list(self._at_sensor)
            self._since_switch_ml = 0.0

    def drive(self, duty_permille: int, outputs: int) -> None:
        """Take over the board's pump duty and outputs."""
        self.duty_permille = duty_permille
        if outputs != self.outputs:
            if self._carts:
                self._carts.switch(self.t_us, self.outputs, outputs)
            self.outputs = outputs
            self._select()
            self._slow()

    def _slow(self) -> None:
        """What changes slowly: fluid at the sensor, temperatures, faults; and a row of truth."""
        t_us = self.t_us
        t_s = t_us * 1e-6
        dt_s = (t_us - self._slow_us) * 1e-6
        if self._carts:
            self._carts.work(t_us, self.outputs)
        fluid = self._fluids[self._asset]
        if self._running and dt_s > 0.0:
            self._record(fluid, dt_s)
        self._slow_us = t_us
        # With air in the line every step is a row of its own: a bubble is in the count or not.
        row_us = 1 if self._air.present else 1_000_000
        self._slow_due_us = t_us + (row_us if self._running else 10_000_000)
        self._active, self._dead, change_s = self.schedule.update(t_s, fluid.asset.number)
        self._bubbles_per_ml = self._active.get("air", self._bubbles_per_ml)
        self._change_us = round(change_s * 1e6) if change_s < 1e11 else 1 << 62
        stopped, pressed = "stop_input" in self._active, "over_pressure" in self._active
        self.inputs = STOP_CHAIN_OPEN * stopped | OVER_PRESSURE * pressed
        self.counter_fault = sum(bit for kind, bit in COUNTER_FAULTS.items() if kind in self._active)
        fluid_c = fluid.temperature_c(t_s) if self._running else None
        self.loops.warm(t_s, dt_s, fluid_c, self._active.get("hot_fluid", 0.0))
        if self._running:
            self._viscosity = viscosity_mm2_s(*fluid.viscosity, self.loops.line_c)
            volumes = self._since_switch_ml / self.scenario.line.volume_ml
            # Laminar displacement: behind n line volumes 1/(4 n^2) of the step is left.
            old = 1.0 if volumes < 0.5 else 1.0 / (4.0 * volumes * volumes)
            now = fluid.per_ml(t_s) + [fluid.water_percent(t_s)]
            self._at_sensor = [n + (s - n) * old for n, s in zip(now, self._at_switch, strict=True)]
        self._optics()
        self.loops.settle(dt_s, self._at_sensor[6], self._active, self._code_ua())

    def _code_ua(self) -> float | None:
        """Current of a counter that gives the scale number of what it sees; None where it gives counts."""
        board = {**board_settings.defaults(), **self.scenario.settings}
        if board["counter_driver"] != LOOP_CODES:
            return None
        per_ml = sum(self._rates[board["code_channel"] - 1 : 4])
        number = int(iso4406.scale_numbers(np.array([per_ml]))[0])
        low, high = board["code_low"], board["code_high"]
        return float(4000 + 16000 * (number - low) / (high - low))

    def _optics(self) -> None:
        """What reaches the beam, what it counts, and what a pulse of the meter is worth."""
        active, sensor = self._active, self.scenario.sensor
        self._in_beam = self._at_sensor[:4]
        if "settling" in active:
            self._in_beam = sensors.settled(self._in_beam, active["settling"])
        self._droplets_per_ml = sensors.droplets_per_ml(
            self._at_sensor[6], sensor.droplets_from_percent, sensor.droplets_per_ml_percent
        )
        both = [
            n + self._droplets_per_ml * share
            for n, share in zip(self._in_beam, sensors.DROPLET_SHARES, strict=True)
        ]
        self._rates = sensors.seen(both, sensor.sensing_volume_nl) + self._at_sensor[4:6]
        off = active.get("meter_off", 1.0) * max(1.0 + active.get("meter_drift", 0.0), 0.1)
        meter = self.scenario.meter
        self._pulse_ul = meter.pulse_ul * off * (1.0 + meter.slip_mm2_s / self._viscosity)

    def _record(self, fluid: PlantFluid, dt_s: float) -> None:
        """One row of truth over the time since the last one."""
        volume_ml, low, high, bubbles = self._row
        self._row = [0.0, math.inf, 0.0, 0.0]
        tank = fluid.per_ml(self.t_s)
        faults = sum(FAULT_BITS[kind] for kind in self._active)
        self.truth.row(
            self._slow_us, self.t_us, fluid.asset.number, min(low, high), volume_ml / dt_s, high, tank[:4],
            self._in_beam, self._air.present, bubbles, fluid.water_percent(self.t_s),
            self._at_sensor[6], self.loops.line_c, faults, self._droplets_per_ml,
        )  # fmt: skip
