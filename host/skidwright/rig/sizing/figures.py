"""The figures of a rig, cold and hot, each beside its limit."""

from __future__ import annotations

from dataclasses import dataclass

from . import particles
from .cycle import Cycle
from .hydraulics import State, inlet_least_bar_abs, limits, state_at
from .pipe_flow import LAMINAR_BELOW, velocity_m_s
from .rig_file import Rig

# Common practice, no source: below this much over the surrounding air, bubbles do not dissolve again soon.
COUNTER_LEAST_BAR = 0.5
RELEASED_AIR_MOST = 0.005
DAYS_OF_LOG_LEAST = 7.0


@dataclass(frozen=True)
class Row:
    """A figure cold and hot (equal when temperature does not matter), with its limit in words."""

    name: str
    unit: str
    cold: float
    hot: float
    limit: str = ""
    ok: bool = True


def flow_rows(rig: Rig, cold: State, hot: State) -> list[Row]:
    """Pressures, speed, torque, power at the counting flow."""
    p, c = rig.pump, rig.counter
    flush_cold, flush_hot = (
        state_at(rig, x.celsius, rig.sampling.purge_flow_ml_min).reynolds for x in (cold, hot)
    )
    least = inlet_least_bar_abs(rig)
    cold_ok, hot_ok = limits(rig, cold), limits(rig, hot)

    def both(name: str) -> bool:
        return cold_ok[name] and hot_ok[name]

    return [
        Row(
            "viscosity",
            "mm2/s",
            cold.viscosity_mm2_s,
            hot.viscosity_mm2_s,
            f"at most {min(p.viscosity_max_mm2_s, c.viscosity_max_mm2_s, rig.meter.viscosity_max_mm2_s):g}",
            both("pump viscosity") and both("counter viscosity") and both("meter viscosity"),
        ),
        Row("density", "kg/m3", cold.density_kg_m3, hot.density_kg_m3),
        Row(
            "Reynolds number, narrowest bore",
            "",
            cold.reynolds,
            hot.reynolds,
            f"below {LAMINAR_BELOW:.0f}",
            hot.reynolds < LAMINAR_BELOW,
        ),
        Row("Reynolds number while flushing", "", flush_cold, flush_hot),
        Row("pressure drop, tap to pump", "bar", cold.suction_drop_bar, hot.suction_drop_bar),
        Row(
            "pressure at the pump's inlet",
            "bar abs",
            cold.inlet_bar_abs,
            hot.inlet_bar_abs,
            f"at least {least:g}",
            both("suction pressure"),
        ),
        Row(
            "air that may come out at the inlet",
            "%",
            cold.released_air * 100,
            hot.released_air * 100,
            f"at most {RELEASED_AIR_MOST:.1%}",
            max(cold.released_air, hot.released_air) <= RELEASED_AIR_MOST,
        ),
        Row(
            "pressure at the counter",
            "bar",
            cold.counter_bar,
            hot.counter_bar,
            f"{COUNTER_LEAST_BAR:g} to {c.pressure_limit_bar:g}",
            both("counter pressure") and min(cold.counter_bar, hot.counter_bar) >= COUNTER_LEAST_BAR,
        ),
        Row(
            "pressure behind the pump",
            "bar",
            cold.delivery_bar,
            hot.delivery_bar,
            f"at most {p.pressure_limit_bar:g}",
            both("delivery pressure"),
        ),
        Row(
            "pump speed",
            "1/min",
            cold.pump_rpm,
            hot.pump_rpm,
            f"at most {p.speed_max_rpm:g}",
            both("pump speed"),
        ),
        Row("slip", "mL/min", cold.slip_ml_min, hot.slip_ml_min),
        Row("torque", "Nm", cold.torque_nm, hot.torque_nm, f"at most {p.torque_limit_nm:g}", both("torque")),
        Row(
            "power at the shaft",
            "W",
            cold.power_w,
            hot.power_w,
            f"at most {p.power_limit_w:g}",
            both("power"),
        ),
    ]


def cycle_rows(rig: Rig, cold: Cycle, hot: Cycle) -> list[Row]:
    """Volumes, times, storage."""
    s = rig.sampling
    needed = particles.needed_volume_ml(s.cleanest_code, s.least_count)
    return [
        Row("volume from tap to counter", "mL", hot.line_ml, hot.line_ml),
        Row("travel time at the counting flow", "s", hot.residence_s, hot.residence_s),
        Row(f"flush volume ({hot.flush_volumes:.1f} times)", "mL", hot.purge_ml, hot.purge_ml),
        Row("flush flow it can draw", "mL/min", cold.purge_flow_ml_min, hot.purge_flow_ml_min),
        Row("flush time", "s", cold.purge_s, hot.purge_s),
        Row("count time", "s", cold.count_s, hot.count_s),
        Row("cycle with rest", "s", cold.cycle_s, hot.cycle_s),
        Row("samples a day", "", cold.samples_a_day, hot.samples_a_day),
        Row(
            "days until the log is full",
            "d",
            cold.days_of_log,
            hot.days_of_log,
            f"at least {DAYS_OF_LOG_LEAST:g}",
            hot.days_of_log >= DAYS_OF_LOG_LEAST,
        ),
        Row(
            f"volume for {s.least_count:g} particles at {'/'.join(map(str, s.cleanest_code))}",
            "mL",
            needed,
            needed,
            f"sample has {s.volume_ml:g}",
            needed <= s.volume_ml,
        ),
    ]


def particle_rows(rig: Rig, cold: State, hot: State) -> list[Row]:
    """What settles on the way, how crowded it may be, velocities."""
    lines = particles.transport_lines(rig)
    limit = rig.sampling.settling_loss_percent
    rows = []
    for size, density, name in particles.KINDS:
        loss_cold, loss_hot = (
            100 * particles.line_loss(lines, s.flow_ml_min, size, density, s.density_kg_m3, s.viscosity_mm2_s)
            for s in (cold, hot)
        )
        counted = size <= 21
        rows.append(
            Row(
                f"{name}: settled on the way at most",
                "%",
                loss_cold,
                loss_hot,
                f"at most {limit:g}" if counted else "",
                not counted or max(loss_cold, loss_hot) <= limit,
            )
        )
    crowd = particles.crowded_per_ml(rig.counter.sensing_volume_ul, rig.sampling.coincidence_percent / 100)
    rows.append(
        Row(f"concentration with {rig.sampling.coincidence_percent:g} % hidden", "1/mL", crowd, crowd)
    )
    for x in rig.lines:
        v = velocity_m_s(rig.sampling.flow_ml_min, x.bore_mm)
        rows.append(Row(f"mean velocity, {x.place} line of {x.bore_mm:g} mm", "m/s", v, v))
    return rows
