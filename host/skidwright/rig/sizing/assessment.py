"""What a rig comes to: figures cold and hot beside their limits, and a plain sentence for each shortfall."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from skidwright.formulas import iso4406
from skidwright.rig.sizing import figures
from skidwright.rig.sizing.figures import (
    COUNTER_LEAST_BAR,
    Cycle,
    FigureRow,
    cycle_at,
    cycle_rows,
    flow_rows,
    flush_rows,
    particle_rows,
)
from skidwright.rig.sizing.hydraulics import (
    LAMINAR_BELOW,
    LOWEST_C,
    HydraulicState,
    coldest_c,
    largest_flow_ml_min,
    limits,
    state_at,
)

from .rig_file import Rig

# Common practice, no source: a rising line carries what settles at less than half its mean velocity.
LIFT_MOST = 0.5


@dataclass(frozen=True)
class SizingAssessment:
    """The answer of `skidwright size`."""

    name: str
    rows: tuple[FigureRow, ...]
    shortfalls: tuple[str, ...]
    coldest_c: dict[str, float | None]
    settings: dict[str, int]
    advice: tuple[str, ...] = field(default=())

    @property
    def coldest_oil_c(self) -> float | None:
        """Coldest oil it can sample (degC); None when it cannot sample at all."""
        values = list(self.coldest_c.values())
        return None if None in values else max(v for v in values if v is not None)


_REMEDY = {
    "suction pressure": "tap a line under pressure, widen or shorten the suction line, or lower the pump",
    "released air": "raise the inlet pressure (pressurised tap, wider or shorter suction line)",
    "delivery pressure": "widen the lines behind the pump or lower the back pressure",
    "counter pressure": "lower the back pressure or widen the return line",
    "pump speed": "take a pump of larger displacement or less slip",
    "torque": "take a stronger motor or gear, or widen the lines",
    "power": "take a motor and supply of more power",
    "pump viscosity": "take a pump for thicker oil, or sample warm oil only",
    "counter viscosity": "sample warm oil only, or warm the sample",
    "meter viscosity": "take a meter for thicker oil, or sample warm oil only",
}


def _temperature(celsius: float | None) -> str:
    if celsius is None:
        return "at no temperature"
    return f"down to {celsius:.0f} degC" + (" and below" if celsius <= LOWEST_C else "")


def _limit_shortfalls(rig: Rig) -> list[str]:
    """Each limit at each flow of the cycle; what no flow changes is told once."""
    told = []
    for name, remedy in _REMEDY.items():
        for doing, flow in rig.flows_ml_min().items():
            ends = [state_at(rig, t, flow) for t in (rig.fluid.coldest_c, rig.fluid.hottest_c)]
            bad = [s for s in ends if not limits(rig, s)[name]]
            if not bad:
                continue
            at = " and ".join(f"{s.celsius:.0f} degC ({s.viscosity_mm2_s:.0f} mm2/s)" for s in bad)
            holds = _temperature(coldest_c(rig, flow, name))
            what = f"{name.capitalize()} is out of its limit"
            if name == "suction pressure":
                what += f" ({min(s.inlet_bar_abs for s in bad):.2f} bar abs)"
            if name == "released air":
                air = max(s.released_air for s in bad)
                what = f"Up to {air:.1%} of air may come out at the pump's inlet and count as particles"
            if name.endswith("viscosity"):
                told.append(f"{what} at {at}; it holds {holds}. Remedy: {remedy}.")
                break
            slower = ""
            if doing == "flushing":
                most = min(largest_flow_ml_min(rig, s.celsius, flow) for s in bad)
                slower = f", or flush at {math.floor(most)} mL/min at most" if most >= 1 else ""
            told.append(
                f"{what} at {at} while {doing} at {flow:g} mL/min; it holds {holds}. "
                f"Remedy: {remedy}{slower}."
            )
    return told


def _other_shortfalls(
    rig: Rig, rows: list[FigureRow], cold: HydraulicState, hot: HydraulicState, cycles: tuple[Cycle, Cycle]
) -> list[str]:
    s, c, told = rig.sampling, rig.counter, []
    bad = {row.name for row in rows if not row.ok}
    if min(cold.counter_bar, hot.counter_bar) < COUNTER_LEAST_BAR:
        told.append(
            f"The counter is at {min(cold.counter_bar, hot.counter_bar):.2f} bar only, so that bubbles stay. "
            "Remedy: put a back-pressure valve behind it."
        )
    if hot.reynolds >= LAMINAR_BELOW:
        told.append(
            f"The flow is not laminar when hot (Reynolds number {hot.reynolds:.0f}). "
            "Remedy: count at a lower flow or in a wider passage."
        )
    m = rig.meter
    if m.flow_low_ml_min > c.flow_low_ml_min or s.purge_flow_ml_min > m.flow_high_ml_min:
        told.append(
            f"The meter reads {m.flow_low_ml_min:g} to {m.flow_high_ml_min:g} mL/min, the rig runs "
            f"from {c.flow_low_ml_min:g} to {s.purge_flow_ml_min:g}. "
            "Remedy: take a meter that covers both ends."
        )
    pulses = s.volume_ml * 1000 / rig.meter.pulse_ul
    if pulses < 100:
        told.append(
            f"A sample has {pulses:.0f} meter pulses, so one pulse is {1 / pulses:.1%} of the volume. "
            "Remedy: take a meter of finer pulses or a larger sample."
        )
    needed = figures.needed_volume_ml(s.cleanest_code, s.least_count)
    if needed > s.volume_ml:
        told.append(
            f"At {'/'.join(map(str, s.cleanest_code))} the sample of {s.volume_ml:g} mL may hold fewer than "
            f"{s.least_count:g} particles of the scarcest channel. Remedy: count {needed:.0f} mL."
        )
    for row in rows:
        if row.name.endswith("settled on the way at most") and not row.ok:
            told.append(
                f"Of {row.name.split(':')[0]}, {max(row.cold, row.hot):.0f} % may settle before the counter. "
                "Remedy: shorten the level stretches, run lines upright, or take a narrower bore."
            )
    if "days until the log is full" in bad:
        told.append(
            f"The log is full after {cycles[1].days_of_log:.0f} days. Remedy: pull more often or rest longer."
        )
    held = state_at(rig, rig.fluid.hottest_c, c.flow_low_ml_min).delivery_bar
    if rig.tap.pressure_high_bar > held:
        told.append(
            f"A tap at {rig.tap.pressure_high_bar:g} bar drives more through the counter than its band "
            "allows; the pump cannot hold it back. Remedy: a rated pressure reducer set below "
            f"{held:.1f} bar, and a relief valve."
        )
    return told


def _advice(rig: Rig, hot: HydraulicState, rows: list[FigureRow]) -> list[str]:
    told = []
    lines = figures.transport_lines(rig)
    for size, density, name in figures.KINDS:
        if size <= 21:
            continue
        settling = figures.stokes_m_s(size, density, hot.density_kg_m3, hot.viscosity_mm2_s)
        loss = next(row.hot for row in rows if row.name.startswith(name))
        if loss > 50 or figures.lift_ratio(lines, hot.flow_ml_min, settling) > LIFT_MOST:
            re = figures.particle_reynolds(size, settling, hot.viscosity_mm2_s)
            stokes = "" if re < 1 else f" (rough: particle Reynolds number {re:.1f}, Stokes' law wants 1)"
            told.append(
                f"{name} settles at {settling * 1000:.2f} mm/s{stokes} and mostly does not come through "
                "these lines: put a metal sensor into the main line, not behind this one."
            )
    crowd = figures.crowded_per_ml(rig.counter.sensing_volume_ul, rig.sampling.coincidence_percent / 100)
    code = iso4406.scale_numbers([crowd])[0]
    told.append(
        f"From about scale number {code} in the smallest channel on, more than "
        f"{rig.sampling.coincidence_percent:g} % of particles hide behind others."
    )
    return told


def settings_for(rig: Rig, cycle: Cycle) -> dict[str, int]:
    """Settings of the board that follow from the rig, by name."""
    ul_s = 1000 / 60
    s, c = rig.sampling, rig.counter
    return {
        "flow_set_ul_s": round(s.flow_ml_min * ul_s),
        "flow_low_ul_s": round(c.flow_low_ml_min * ul_s),
        "flow_high_ul_s": round(c.flow_high_ml_min * ul_s),
        "purge_flow_ul_s": round(s.purge_flow_ml_min * ul_s),
        "purge_volume_ul": round(cycle.purge_ml * 1000),
        "sample_volume_ul": round(s.volume_ml * 1000),
        "meter_pulse_nl": round(rig.meter.pulse_ul * 1000),
        "pump_full_ul_s": round(rig.pump.displacement_ml_rev * rig.pump.speed_max_rpm * ul_s),
        "rest_s": round(s.rest_s),
    }


def _coldest_c(rig: Rig, name: str) -> float | None:
    """Coldest temperature (degC) at which one limit is kept at every flow of the cycle; None when at none."""
    found = [coldest_c(rig, flow, name) for flow in rig.flows_ml_min().values()]
    kept = [celsius for celsius in found if celsius is not None]
    return max(kept) if len(kept) == len(found) else None


def assess(rig: Rig) -> SizingAssessment:
    """Compute everything for a rig: at its coldest and hottest, with the lowest pressure at the tap."""
    s = rig.sampling
    cold, hot = (state_at(rig, t, s.flow_ml_min) for t in (rig.fluid.coldest_c, rig.fluid.hottest_c))
    cycles = (cycle_at(rig, rig.fluid.coldest_c), cycle_at(rig, rig.fluid.hottest_c))
    flush = [state_at(rig, x.celsius, s.purge_flow_ml_min) for x in (cold, hot)]
    rows = (
        flow_rows(rig, cold, hot)
        + flush_rows(rig, *flush)
        + cycle_rows(rig, *cycles)
        + particle_rows(rig, cold, hot)
    )
    return SizingAssessment(
        name=rig.name,
        rows=tuple(rows),
        shortfalls=tuple(_limit_shortfalls(rig) + _other_shortfalls(rig, rows, cold, hot, cycles)),
        coldest_c={name: _coldest_c(rig, name) for name in _REMEDY},
        settings=settings_for(rig, cycles[1]),
        advice=tuple(_advice(rig, hot, rows)),
    )
