"""The 24 V contact inputs (stop chain, pressure switch): surely on when closed, surely off when open.

Formulas: Kirchhoff's voltage law round the input loop; current transfer ratio. Limits of the input:
IEC 61131-2, type 1 (off up to 5 V, on from 15 V).
"""

from __future__ import annotations

from .parts import Optocoupler
from .worst_case import Quantity, band, extremes

OFF_UP_TO_V = 5.0
ON_FROM_V = 15.0
INPUT_HIGH_MIN_MV = 2000.0


def diode_ma(volts: float, series_ohm: float, zener_v: float, forward_v: float, bypass_ohm: float) -> float:
    """Current (mA) through the light-emitting diode at an input voltage, less what the bypass takes."""
    return max(0.0, (volts - zener_v - forward_v) / series_ohm - forward_v / bypass_ohm) * 1000


def input_volts(ma: float, series_ohm: float, zener_v: float, forward_v: float, bypass_ohm: float) -> float:
    """Input voltage (V) at which the diode carries `ma`: `diode_ma` the other way round."""
    return series_ohm * (ma / 1000 + forward_v / bypass_ohm) + zener_v + forward_v


def needed_on_ma(pull_ohm: float, logic_mv: float, saturation_mv: float, transfer: float) -> float:
    """Diode current (mA) that pulls the output down to its saturation voltage."""
    return (logic_mv - saturation_mv) / pull_ohm / transfer


def quantities(p: Optocoupler) -> list[Quantity]:
    """Everything computed of the contact inputs, with limits."""
    supply = band(p.supply_volts, p.supply_tolerance_percent)
    series = band(p.series_ohm, p.series_tolerance_percent)
    zener = (p.zener_min_v, (p.zener_min_v + p.zener_max_v) / 2, p.zener_max_v)
    forward = (p.diode_forward_min_v, 1.2, p.diode_forward_max_v)
    logic = band(p.logic_mv, p.logic_tolerance_percent)
    worn = (p.transfer_min * p.ageing, p.transfer_min, p.transfer_max)

    def on_volts(
        series_ohm: float, zener_v: float, forward_v: float, logic_mv: float, transfer: float
    ) -> float:
        ma = needed_on_ma(p.pull_ohm, logic_mv, p.saturation_mv, transfer)
        return input_volts(ma, series_ohm, zener_v, forward_v, p.bypass_ohm)

    def off_volts(series_ohm: float, zener_v: float, forward_v: float, transfer: float) -> float:
        ma = (logic[0] - INPUT_HIGH_MIN_MV) / p.pull_ohm / transfer
        return input_volts(ma, series_ohm, zener_v, forward_v, p.bypass_ohm)

    closed = extremes(
        lambda volts, series_ohm, zener_v, forward_v: diode_ma(
            volts, series_ohm, zener_v, forward_v, p.bypass_ohm
        ),
        volts=supply,
        series_ohm=series,
        zener_v=zener,
        forward_v=forward,
    )
    power = extremes(lambda v, r, z: (v - z - p.diode_forward_min_v) ** 2 / r, v=supply, r=series, z=zener)
    open_mv = extremes(
        lambda v, dark: v - dark * 1e-3 * p.pull_ohm, v=logic, dark=(0.0, 0.1, p.dark_current_ua)
    )
    return [
        Quantity(
            "diode current when closed",
            "mA",
            *closed,
            "Kirchhoff's voltage law",
            at_least=2.0,
            remedy="take a smaller series resistor",
        ),
        Quantity(
            "input voltage that is surely on",
            "V",
            *extremes(
                on_volts, series_ohm=series, zener_v=zener, forward_v=forward, logic_mv=logic, transfer=worn
            ),
            "current transfer ratio, aged; IEC 61131-2 type 1",
            at_most=ON_FROM_V,
            remedy="take a smaller series resistor or a larger pull-up",
        ),
        Quantity(
            "input voltage that is surely off",
            "V",
            *extremes(off_volts, series_ohm=series, zener_v=zener, forward_v=forward, transfer=worn),
            "current transfer ratio, new; IEC 61131-2 type 1",
            at_least=OFF_UP_TO_V,
            remedy="take a Zener diode of higher voltage",
        ),
        Quantity(
            "power in the series resistor",
            "W",
            *power,
            "V^2 / R",
            at_most=p.series_power_w / 1.5,
            remedy="take a resistor of more power",
        ),
        Quantity(
            "high level when open",
            "mV",
            *open_mv,
            "dark current through the pull-up",
            at_least=INPUT_HIGH_MIN_MV,
            remedy="take a smaller pull-up",
        ),
        Quantity(
            "low level when closed",
            "mV",
            0.0,
            p.saturation_mv / 2,
            p.saturation_mv,
            "saturation voltage",
            at_most=800.0,
            remedy="take an optocoupler of lower saturation voltage",
        ),
    ]
