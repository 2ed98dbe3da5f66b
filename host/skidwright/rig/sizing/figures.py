"""The figures of a rig, cold and hot, each beside its limit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from skidboard.cleanliness import UPPER_CENTI_PER_ML
from skidboard.records import SLOTS

from skidwright.formulas.coincidence import observed
from skidwright.formulas.purge import volumes_needed
from skidwright.rig.sizing.hydraulics import (
    GRAVITY_M_S2,
    LAMINAR_BELOW,
    RELEASED_AIR_MOST,
    HydraulicState,
    inlet_least_bar_abs,
    largest_flow_ml_min,
    limits,
    velocity_m_s,
    volume_ml,
)
from skidwright.rig.sizing.rig_file import Rig, SampleLine

# Size (um), density (kg/m3), name. Mineral dust as in test dust; metals as in gears and bearings.
KINDS = (
    (14.0, 2650.0, "14 um mineral"),
    (21.0, 2650.0, "21 um mineral"),
    (70.0, 7850.0, "70 um steel"),
    (200.0, 8800.0, "200 um bronze"),
)


def stokes_m_s(size_um: float, density: float, fluid_density: float, viscosity_mm2_s: float) -> float:
    """Settling velocity of a sphere, downwards positive."""
    mu = viscosity_mm2_s * 1e-6 * fluid_density
    return (density - fluid_density) * GRAVITY_M_S2 * (size_um * 1e-6) ** 2 / (18 * mu)


def particle_reynolds(size_um: float, velocity: float, viscosity_mm2_s: float) -> float:
    """Reynolds number of the settling particle; Stokes' law holds well below 1."""
    return velocity * size_um * 1e-6 / (viscosity_mm2_s * 1e-6)


def settled_share(length_m: float, bore_mm: float, flow_velocity: float, settling_velocity: float) -> float:
    """Share of particles that reach the bottom of a level bore on the way, none lifted again."""
    e = 3 * length_m * settling_velocity / (4 * bore_mm / 1000 * flow_velocity)
    if e <= 0:
        return 0.0
    if e >= 1:
        return 1.0
    cube = float(e ** (1 / 3))
    root = math.sqrt(1 - cube * cube)
    return 2 / math.pi * (2 * e * root - cube * root + math.asin(cube))


def line_loss(
    lines: tuple[SampleLine, ...], ml_min: float, size_um: float, density: float, rho: float, nu: float
) -> float:
    """Share of particles settled over all level stretches of lines in series."""
    kept = 1.0
    settling = stokes_m_s(size_um, density, rho, nu)
    for line in lines:
        if line.horizontal_m:
            kept *= 1 - settled_share(
                line.horizontal_m, line.bore_mm, velocity_m_s(ml_min, line.bore_mm), settling
            )
    return 1 - kept


def lift_ratio(lines: tuple[SampleLine, ...], ml_min: float, settling_velocity: float) -> float:
    """Settling velocity over the slowest mean velocity of the rising lines; 0 when none rises."""
    rising = [velocity_m_s(ml_min, x.bore_mm) for x in lines if x.rise_m > 0]
    return settling_velocity / min(rising) if rising else 0.0


def needed_volume_ml(code: tuple[int, int, int], least_count: float) -> float:
    """Volume (mL) that holds `least_count` particles of the scarcest channel at the low end of its code.

    The code says "more than" its lower limit, so the volume is the one at that limit.
    """
    lowest_per_ml = min(UPPER_CENTI_PER_ML[number - 1] / 100 for number in code)
    return least_count / lowest_per_ml


def count_spread(count: float) -> float:
    """Relative standard deviation of a Poisson count."""
    return 1 / math.sqrt(count)


def crowded_per_ml(sensing_volume_ul: float, share: float) -> float:
    """Concentration (per mL) at which coincidence hides a share of the particles: c = -ln(1 - share) / v."""
    return -math.log(1 - share) / (sensing_volume_ul / 1000)


def coincidence_share(per_ml: float, sensing_volume_ul: float) -> float:
    """Share of particles hidden at a concentration."""
    return 1 - float(observed(per_ml, sensing_volume_ul / 1000)) / per_ml


def transport_lines(rig: Rig) -> tuple[SampleLine, ...]:
    """Lines between tap and counter."""
    return rig.lines_at("suction") + rig.lines_at("counter")


def flush_volumes(dirtier_codes: float, leftover_share: float) -> float:
    """Line volumes to draw when the fluid before may be dirtier by so many scale numbers (factor 2 each).

    Leftovers then falsify the sample by `leftover_share` of its own level at most.
    """
    return float(volumes_needed(2.0**dirtier_codes, 1.0, leftover_share))


@dataclass(frozen=True)
class Cycle:
    """One sampling cycle; volumes in mL, times in s."""

    line_ml: float
    flush_volumes: float
    purge_ml: float
    residence_s: float
    purge_flow_ml_min: float
    purge_s: float
    count_s: float
    cycle_s: float
    samples_a_day: float
    days_of_log: float


def cycle_at(rig: Rig, celsius: float) -> Cycle:
    """The cycle at a temperature; when cold, the purge flow is what the rig can still draw."""
    s = rig.sampling
    line = sum(volume_ml(x.bore_mm, x.length_m) for x in transport_lines(rig))
    dead = rig.pump.dead_volume_ml + rig.counter.dead_volume_ml
    times = flush_volumes(s.dirtier_codes, s.leftover_percent / 100)
    purge = (line + dead) * times
    flow = largest_flow_ml_min(rig, celsius, s.purge_flow_ml_min)
    purge_s = purge / flow * 60 if flow > 0 else math.inf
    count_s = s.volume_ml / s.flow_ml_min * 60
    cycle_s = purge_s + s.settle_s + count_s + s.rest_s
    a_day = 86400 / cycle_s
    records = a_day * (1 + s.extra_records_percent / 100)
    return Cycle(
        line_ml=line + dead,
        flush_volumes=times,
        purge_ml=purge,
        residence_s=(line + dead) / s.flow_ml_min * 60,
        purge_flow_ml_min=flow,
        purge_s=purge_s,
        count_s=count_s,
        cycle_s=cycle_s,
        samples_a_day=a_day,
        days_of_log=s.log_segments * SLOTS / records if records > 0 else math.inf,
    )


# Common practice, no source: below this much over the surrounding air, bubbles do not dissolve again soon.
COUNTER_LEAST_BAR = 0.5
DAYS_OF_LOG_LEAST = 7.0


@dataclass(frozen=True)
class FigureRow:
    """A figure cold and hot (equal when temperature does not matter), with its limit in words."""

    name: str
    unit: str
    cold: float
    hot: float
    limit: str = ""
    ok: bool = True


def flow_rows(rig: Rig, cold: HydraulicState, hot: HydraulicState) -> list[FigureRow]:
    """Viscosity, pressures, speed, torque, power at the counting flow."""
    p, c = rig.pump, rig.counter
    cold_ok, hot_ok = limits(rig, cold), limits(rig, hot)

    def both(name: str) -> bool:
        return cold_ok[name] and hot_ok[name]

    return [
        FigureRow(
            "viscosity",
            "mm2/s",
            cold.viscosity_mm2_s,
            hot.viscosity_mm2_s,
            f"at most {min(p.viscosity_max_mm2_s, c.viscosity_max_mm2_s, rig.meter.viscosity_max_mm2_s):g}",
            both("pump viscosity") and both("counter viscosity") and both("meter viscosity"),
        ),
        FigureRow("density", "kg/m3", cold.density_kg_m3, hot.density_kg_m3),
        FigureRow(
            "Reynolds number, narrowest bore",
            "",
            cold.reynolds,
            hot.reynolds,
            f"below {LAMINAR_BELOW:.0f}",
            hot.reynolds < LAMINAR_BELOW,
        ),
        FigureRow("pressure drop, tap to pump", "bar", cold.suction_drop_bar, hot.suction_drop_bar),
        FigureRow(
            "pressure at the counter",
            "bar",
            cold.counter_bar,
            hot.counter_bar,
            f"{COUNTER_LEAST_BAR:g} to {c.pressure_limit_bar:g}",
            both("counter pressure") and min(cold.counter_bar, hot.counter_bar) >= COUNTER_LEAST_BAR,
        ),
        *pump_rows(rig, cold, hot),
    ]


def flush_rows(rig: Rig, cold: HydraulicState, hot: HydraulicState) -> list[FigureRow]:
    """What the larger flow of the flush asks of lines and pump."""
    limit = rig.counter.pressure_limit_bar
    rows = [
        FigureRow("Reynolds number", "", cold.reynolds, hot.reynolds),
        FigureRow(
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


def pump_rows(rig: Rig, cold: HydraulicState, hot: HydraulicState) -> list[FigureRow]:
    """The pump at one flow: its inlet, the pressure behind it, speed, slip, torque, power."""
    p, least = rig.pump, inlet_least_bar_abs(rig)
    cold_ok, hot_ok = limits(rig, cold), limits(rig, hot)

    def row(name: str, unit: str, figure: str, limit: str, checked: str, scale: float = 1.0) -> FigureRow:
        values = getattr(cold, figure) * scale, getattr(hot, figure) * scale
        return FigureRow(name, unit, *values, limit, cold_ok[checked] and hot_ok[checked])

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
        FigureRow("slip", "mL/min", cold.slip_ml_min, hot.slip_ml_min),
        row("torque", "Nm", "torque_nm", f"at most {p.torque_limit_nm:g}", "torque"),
        row("power at the shaft", "W", "power_w", f"at most {p.power_limit_w:g}", "power"),
    ]


def cycle_rows(rig: Rig, cold: Cycle, hot: Cycle) -> list[FigureRow]:
    """Volumes, times, storage."""
    s = rig.sampling
    needed = needed_volume_ml(s.cleanest_code, s.least_count)
    return [
        FigureRow("volume from tap to counter", "mL", hot.line_ml, hot.line_ml),
        FigureRow("travel time at the counting flow", "s", hot.residence_s, hot.residence_s),
        FigureRow(f"flush volume ({hot.flush_volumes:.1f} times)", "mL", hot.purge_ml, hot.purge_ml),
        FigureRow(
            "flush flow within all limits",
            "mL/min",
            cold.purge_flow_ml_min,
            hot.purge_flow_ml_min,
            f"at least {s.purge_flow_ml_min:g}",
            min(cold.purge_flow_ml_min, hot.purge_flow_ml_min) >= s.purge_flow_ml_min,
        ),
        FigureRow("flush time", "s", cold.purge_s, hot.purge_s),
        FigureRow("count time", "s", cold.count_s, hot.count_s),
        FigureRow("cycle with rest", "s", cold.cycle_s, hot.cycle_s),
        FigureRow("samples a day", "", cold.samples_a_day, hot.samples_a_day),
        FigureRow(
            "days until the log is full",
            "d",
            cold.days_of_log,
            hot.days_of_log,
            f"at least {DAYS_OF_LOG_LEAST:g}",
            hot.days_of_log >= DAYS_OF_LOG_LEAST,
        ),
        FigureRow(
            f"volume for {s.least_count:g} particles at {'/'.join(map(str, s.cleanest_code))}",
            "mL",
            needed,
            needed,
            f"sample has {s.volume_ml:g}",
            needed <= s.volume_ml,
        ),
    ]


def particle_rows(rig: Rig, cold: HydraulicState, hot: HydraulicState) -> list[FigureRow]:
    """What settles on the way, how crowded it may be, velocities."""
    lines = transport_lines(rig)
    limit = rig.sampling.settling_loss_percent
    rows = []
    for size, density, name in KINDS:
        loss_cold, loss_hot = (
            100 * line_loss(lines, s.flow_ml_min, size, density, s.density_kg_m3, s.viscosity_mm2_s)
            for s in (cold, hot)
        )
        counted = size <= 21
        rows.append(
            FigureRow(
                f"{name}: settled on the way at most",
                "%",
                loss_cold,
                loss_hot,
                f"at most {limit:g}" if counted else "",
                not counted or max(loss_cold, loss_hot) <= limit,
            )
        )
    crowd = crowded_per_ml(rig.counter.sensing_volume_ul, rig.sampling.coincidence_percent / 100)
    rows.append(
        FigureRow(f"concentration with {rig.sampling.coincidence_percent:g} % hidden", "1/mL", crowd, crowd)
    )
    for x in rig.lines:
        v = velocity_m_s(rig.sampling.flow_ml_min, x.bore_mm)
        rows.append(FigureRow(f"mean velocity, {x.place} line of {x.bore_mm:g} mm", "m/s", v, v))
    return rows
