"""Families of short scenarios, one condition each, with every particular drawn from the seed."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from skidwright.formulas import settling, viscosity
from skidwright.sim.scenario import from_table
from skidwright.sim.scenario_keys import HOUR_S, Scenario

LINE_ML = 10.0
PULSE_UL = 200.0
# A meter's factor is known to one per cent: what `volume_uncertainty_percent` says by default.
METER_KNOWN_TO = 0.01
# When a pump is measured with a cylinder and a clock: warm, at about the flow of the counts.
_COMMISSIONED_C, _COMMISSIONED_ML_S = 45.0, 0.833
_DURATION_S = 210

Table = dict[str, Any]
Draw = np.random.Generator


def _log(rng: Draw, low: float, high: float) -> float:
    """A number whose logarithm is even between those of `low` and `high`."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _fault(kind: str, **more: Any) -> list[Table]:
    return [{"kind": kind, "start": 0, **more}]


def _steady(table: Table, rng: Draw) -> None:
    """Nothing wrong."""


def _cold(table: Table, rng: Draw) -> None:
    """Gear oil too thick for the pump, or nearly."""
    table["line"]["resistance"] = 0.002
    table["temperature"] = {"air_c": 3}
    table["asset"][0].update(v40_mm2_s=220, v100_mm2_s=19, fluid_c=float(rng.uniform(6, 34)))


def _hot(table: Table, rng: Draw) -> None:
    """Thin oil at 55 to 75 degC."""
    table["asset"][0].update(v40_mm2_s=32, v100_mm2_s=5.4, fluid_c=float(rng.uniform(55, 75)))


def _dense(table: Table, rng: Draw) -> None:
    """So many particles that two to ten per cent coincide."""
    table["asset"][0]["particles_4um_per_ml"] = _log(rng, 8_000, 45_000)


def _very_clean(table: Table, rng: Draw) -> None:
    """Few particles in each channel."""
    table["asset"][0]["particles_4um_per_ml"] = _log(rng, 4, 120)


def _air(table: Table, rng: Draw) -> None:
    """Air is drawn in during some of the samples."""
    start = float(rng.uniform(40, 110))
    table["fault"] = [
        {"kind": "air", "start": start, "end": start + float(rng.uniform(5, 90)),
         "amount": _log(rng, 5, 90)},
    ]  # fmt: skip


def _droplets(table: Table, rng: Draw) -> None:
    """Water from well below saturation to beyond it."""
    table["asset"][0]["water_percent"] = float(rng.uniform(84, 100))


def _settling(table: Table, rng: Draw) -> None:
    """Large particles settle in a long, level line, or hardly do, for particles of any usual density."""
    oil = float(rng.choice([10, 15, 22, 32, 46]))
    thin = {10: 2.6, 15: 3.4, 22: 4.3, 32: 5.4, 46: 6.8}[int(oil)]
    warm_c = float(rng.uniform(38, 70))
    level_ul, bore_mm = _log(rng, 1_000, 30_000), float(rng.choice([4, 6, 8, 10]))
    table["asset"][0].update(v40_mm2_s=oil, v100_mm2_s=thin, fluid_c=warm_c)
    table["commissioned"].update(
        line_level_ul=level_ul, line_bore_mm=bore_mm, oil_v40_mm2_s=oil, oil_v100_mm2_s=thin
    )
    table["line"]["volume_ml"] = max(LINE_ML, level_ul / 1000)
    table["settings"]["purge_volume_ul"] = round(6 * table["line"]["volume_ml"] * 1000)
    # the scenario wants the share of the class 14 to 21 um, whose middle is 17 um
    viscosity_mm2_s = viscosity.viscosity(viscosity.line_through(40, oil, 100, thin), warm_c)
    sinks = settling.stokes_m_s(17, viscosity_mm2_s, float(rng.uniform(2000, 4000)))
    table["fault"] = _fault("settling", amount=float(settling.settled_share(level_ul, bore_mm, 833, sinks)))


def _drifting_meter(table: Table, rng: Draw) -> None:
    """The meter's factor drifts by up to a third while samples are taken: away from right, or towards it."""
    an_hour = float(rng.uniform(2.5, 6.0))
    table["fault"] = _fault("meter_drift", amount=an_hour)
    if rng.random() < 0.5:
        # drifts can only be scripted upwards: begun too low, the factor is right at the end
        at_the_end = 1 + an_hour * _DURATION_S / HOUR_S
        table["fault"] += _fault("meter_off", amount=1 / at_the_end)


def _wrong_meter(table: Table, rng: Draw) -> None:
    """The board was told a wrong meter factor."""
    table["fault"] = _fault("meter_off", amount=float(math.exp(rng.uniform(0.10, 0.4) * rng.choice([-1, 1]))))


def _swapped(table: Table, rng: Draw) -> None:
    """Two channels' wires have changed places."""
    table["fault"] = _fault("swapped_channels", channel=int(rng.integers(1, 4)))


def _short_purge(table: Table, rng: Draw) -> None:
    """A dirty and a clean machine in turn, with too little purged, or nearly."""
    table["settings"].update(
        assets=[1, 2], purge_volume_ul=int(rng.uniform(12_000, 90_000)), purge_limit_ul=0
    )
    table["asset"].append({**table["asset"][0], "number": 2, "name": "second"})
    for asset, level in zip(table["asset"], (_log(rng, 4_000, 12_000), _log(rng, 60, 2_000)), strict=True):
        asset["particles_4um_per_ml"] = level


def _wiring(table: Table, rng: Draw) -> None:
    """A wire is broken: one channel's, or the water loop's."""
    if rng.random() < 0.5:
        table["fault"] = _fault("dead_channel", channel=int(rng.integers(1, 5)))
    else:
        table["fault"] = [{"kind": "water_loop_broken", "start": float(rng.uniform(0, 140))}]


FAMILIES: dict[str, Callable[[Table, Draw], None]] = {
    "steady": _steady,
    "cold": _cold,
    "hot": _hot,
    "dense": _dense,
    "very clean": _very_clean,
    "air": _air,
    "droplets": _droplets,
    "settling": _settling,
    "drifting meter": _drifting_meter,
    "wrong meter factor": _wrong_meter,
    "swapped channels": _swapped,
    "short purge": _short_purge,
    "broken wire": _wiring,
}


def scenario(family: str, seed: int) -> Scenario:
    """The scenario of a family of a seed: three samples or so. KeyError for an unknown family."""
    return drawn(family, seed)[0]


def drawn(family: str, seed: int) -> tuple[Scenario, dict[str, float]]:
    """As `scenario`, with what was measured when that skid was built: thresholds of the checks by name."""
    rng = np.random.default_rng([seed, list(FAMILIES).index(family)])
    table: Table = {
        "title": f"{family}, seed {seed} (invented)",
        # a little longer than the host stays, so that every record lies within the board's life
        "duration": _DURATION_S + 5,
        "settings": {
            "assets": [1],
            "rest_s": 8,
            "sample_volume_ul": 15_000,
            "purge_volume_ul": 60_000,
            "purge_flow_ul_s": 2_800,
            "settle_ms": 6_000,
            "calibration_due_day": 9_831,
            "meter_due_day": 9_831,
            "loops_due_day": 9_831,
        },
        "line": {"volume_ml": LINE_ML},
        "meter": {"pulse_ul": PULSE_UL * (1 + METER_KNOWN_TO * float(rng.standard_normal()))},
        "asset": [
            {
                "number": 1,
                "name": "first",
                "particles_4um_per_ml": _log(rng, 300, 8_000),
                "slope": float(rng.uniform(2.4, 3.4)),
                "water_percent": float(rng.uniform(10, 50)),
                "fluid_c": float(rng.uniform(38, 50)),
            }
        ],
        "contact": [{"at": _DURATION_S}],
        # most of the line runs upright
        "commissioned": {"line_level_ul": 1_000.0, "line_bore_mm": 4.0},
    }
    FAMILIES[family](table, rng)
    commissioned = table.pop("commissioned")
    made = from_table(table)
    return made, {**commissioned, "pump_full_ul_s": _pump_full_ul_s(made)}


def _pump_full_ul_s(made: Scenario) -> float:
    """Full flow, through the dead duty in a straight line, by a cylinder and a clock with the oil sampled."""
    pump, asset = made.pump, made.asset[0]
    oil = viscosity.line_through(40, asset.v40_mm2_s, 100, asset.v100_mm2_s)
    thick = float(viscosity.viscosity(oil, _COMMISSIONED_C))
    drive_ml_s = _COMMISSIONED_ML_S * (1 + made.line.resistance * thick) + pump.slip_ml_s / thick
    return 1000 * _COMMISSIONED_ML_S * pump.full_ml_s / drive_ml_s
