"""The figures of a rig, cold and hot, each beside its limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

from . import particles
from .cycle import Cycle
from .hydraulics import RELEASED_AIR_MOST, State, inlet_least_bar_abs, limits
from .pipe_flow import LAMINAR_BELOW, velocity_m_s
from .rig_file import Rig

# Common practice, no source: below this much over the surrounding air, bubbles do not dissolve again soon.
COUNTER_LEAST_BAR = 0.5
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
    """Viscosity, pressures, speed, torque, power at the counting flow."""
    p, c = rig.pump, rig.counter
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
        Row("pressure drop, tap to pump", "bar", cold.suction_drop_bar, hot.suction_drop_bar),
        Row(
            "pressure at the counter",
            "bar",
            cold.counter_bar,
            hot.counter_bar,
            f"{COUNTER_LEAST_BAR:g} to {c.pressure_limit_bar:g}",
            both("counter pressure") and min(cold.counter_bar, hot.counter_bar) >= COUNTER_LEAST_BAR,
        ),
        *pump_rows(rig, cold, hot),
    ]


def flush_rows(rig: Rig, cold: State, hot: State) -> list[Row]:
    """What the larger flow of the flush asks of lines and pump."""
    limit = rig.counter.pressure_limit_bar
    rows = [
        Row("Reynolds number", "", cold.reynolds, hot.reynolds),
        Row(
            "pressure at the counter",
            "bar",
            cold.counter_bar,
            hot.counter_bar,
            f"at most {limit:g}",
            max(cold.counter_bar, hot.counter_bar) <= limit,
        ),
        *pump_rows(rig, cold, hot),
    ]
    return [replace(row, name=f"{row.name} while flushing") for row in rows]


def pump_rows(rig: Rig, cold: State, hot: State) -> list[Row]:
    """The pump at one flow: its inlet, the pressure behind it, speed, slip, torque, power."""
    p, least = rig.pump, inlet_least_bar_abs(rig)
    cold_ok, hot_ok = limits(rig, cold), limits(rig, hot)

    def row(name: str, unit: str, figure: str, limit: str, checked: str, scale: float = 1.0) -> Row:
        values = getattr(cold, figure) * scale, getattr(hot, figure) * scale
        return Row(name, unit, *values, limit, cold_ok[checked] and hot_ok[checked])

    return [
        row(
            "pressure at the pump's inlet",
            "bar abs",
            "inlet_bar_abs",
            f"at least {least:g}",
            "suction pressure",
        ),
        row(
            "air that may come out at the inlet",
            "%",
            "released_air",
            f"at most {RELEASED_AIR_MOST:.1%}",
            "released air",
            100.0,
        ),
        row(
            "pressure behind the pump",
            "bar",
            "delivery_bar",
            f"at most {p.pressure_limit_bar:g}",
            "delivery pressure",
        ),
        row("pump speed", "1/min", "pump_rpm", f"at most {p.speed_max_rpm:g}", "pump speed"),
        Row("slip", "mL/min", cold.slip_ml_min, hot.slip_ml_min),
        row("torque", "Nm", "torque_nm", f"at most {p.torque_limit_nm:g}", "torque"),
        row("power at the shaft", "W", "power_w", f"at most {p.power_limit_w:g}", "power"),
    ]


def cycle_rows(rig: Rig, cold: Cycle, hot: Cycle) -> list[Row]:
    """Volumes, times, storage."""
    s = rig.sampling
    needed = particles.needed_volume_ml(s.cleanest_code, s.least_count)
    return [
        Row("volume from tap to counter", "mL", hot.line_ml, hot.line_ml),
        Row("travel time at the counting flow", "s", hot.residence_s, hot.residence_s),
        Row(f"flush volume ({hot.flush_volumes:.1f} times)", "mL", hot.purge_ml, hot.purge_ml),
        Row(
            "flush flow within all limits",
            "mL/min",
            cold.purge_flow_ml_min,
            hot.purge_flow_ml_min,
            f"at least {s.purge_flow_ml_min:g}",
            min(cold.purge_flow_ml_min, hot.purge_flow_ml_min) >= s.purge_flow_ml_min,
        ),
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
