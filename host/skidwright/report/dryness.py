"""Is the fluid dry enough? Decided from valid readings only."""

import numpy as np

from skidwright.report.model import ABSENT, VALID, AssetReport
from skidwright.report.part import BAD, CLOSE, GOOD, UNKNOWN, Part
from skidwright.samples.history import JUDGED
from skidwright.trade.water import PUBLISHED, Solubility, carry, free_water_below_c

NO_WATER, NOT_MEASURED = "dryness unknown", "water not measured"
FREE_WATER = "free water would appear"


def dryness(data: AssetReport) -> Part:
    """The answer for water: the median of the newest valid readings against the asset's limit."""
    samples, limit = data.samples, data.asset.water_limit_percent
    if not len(samples) or (samples.water_verdict == ABSENT).all():
        return Part(UNKNOWN, NOT_MEASURED, ["Water was not measured."])
    believed = np.flatnonzero(samples.water_verdict == VALID)
    if not len(believed):
        return Part(
            UNKNOWN,
            NO_WATER,
            ["No water reading could be believed; the reasons are in the table of excluded samples below."],
            ["Check the water sensor's loop, then sample again."],
        )
    last = believed[-JUDGED:]
    water = float(np.median(samples.water_percent[last]))
    warm = (
        np.nanmedian(samples.temperature_c[last])
        if np.isfinite(samples.temperature_c[last]).any()
        else np.nan
    )
    at = f" at {warm:.0f} °C" if np.isfinite(warm) else ""
    text = f"Water: {water:.1f} % of saturation{at} (median of the newest {len(last)} valid readings"
    findings = [f"{text})." if limit is None else f"{text}) against a limit of {limit:g} %."]
    lines, cold_percent = _when_cold(data, water, float(warm))
    findings += lines
    if limit is None:
        return Part(
            UNKNOWN, f"water at {water:.1f} %, no limit set", findings, ["Set a water limit for this asset."]
        )
    wet_actions = [
        "Look where water gets in: cooler, breather, seals, wash-down, condensation when standing.",
        "Drain free water at the lowest point and dry the fluid (vacuum, absorbing cartridge or warm "
        "running).",
    ]
    if water > limit:
        return Part(BAD, "wetter than its limit", findings, wet_actions)
    history = samples.water_percent[believed]
    if water > 0.8 * limit:
        findings.append("That is more than four fifths of the limit.")
        return Part(CLOSE, "dry enough, though close to its limit", findings, wet_actions[:1])
    if len(history) >= 12 and water - float(np.median(history[: len(history) // 4])) > 0.2 * limit:
        findings.append("It has risen by more than a fifth of the limit since the log began.")
        return Part(CLOSE, "dry enough, though getting wetter", findings, wet_actions[:1])
    if any(FREE_WATER in line for line in findings):
        return Part(CLOSE, "dry enough while warm, but free water is likely when cold", findings, wet_actions)
    if cold_percent > limit:
        return Part(
            CLOSE, "dry enough while warm, but wetter than its limit when cold", findings, wet_actions
        )
    return Part(GOOD, "dry enough", findings)


def _when_cold(data: AssetReport, percent: float, warm_c: float) -> tuple[list[str], float]:
    """Where free water begins, and what the same water means at the coldest this fluid gets.

    In words, and as the highest saturation in percent there (0 where it cannot be told). By the fluid's own
    constants, else by both published pairs.
    """
    if not np.isfinite(warm_c) or percent <= 0:
        return [], 0.0
    own = data.asset.solubility
    fluids = [own] if own else list(PUBLISHED.values())
    source = (
        f"by this fluid's own constants, A = {own.a:g} and B = {own.b:g}"
        if own
        else "by the constants published for mineral insulating oil; this fluid's own may differ"
    )
    below = sorted(float(free_water_below_c(percent, warm_c, fluid)) for fluid in fluids)
    degrees = " to ".join(dict.fromkeys(f"{c:.0f}" for c in below))
    # Said once, before the other figure that rests on the same constants.
    found = [f"Free water would begin below {degrees} °C ({source})."]
    cold_c = data.asset.coldest_c
    if cold_c is None:
        return [*found, "It is judged at that temperature, since nobody said how cold this fluid gets."], 0.0
    if cold_c >= warm_c:
        return found, 0.0
    line, cold_percent = _at_coldest(percent, warm_c, cold_c, fluids)
    return [*found, line], cold_percent


def _at_coldest(percent: float, warm_c: float, cold_c: float, fluids: list[Solubility]) -> tuple[str, float]:
    """A line on the same water at `cold_c`, and the highest saturation it may have there, in percent."""
    cold = sorted(float(carry(percent, warm_c, cold_c, fluid).rs_percent) for fluid in fluids)
    if cold[0] >= 100:
        return f"Cooled to {cold_c:g} °C, the coldest this fluid gets, {FREE_WATER}.", 100.0
    span = f"{cold[0]:.0f} %" if round(cold[0]) == round(cold[1]) else f"{cold[0]:.0f} to {cold[1]:.0f} %"
    return (
        f"Cooled to {cold_c:g} °C, the coldest this fluid gets, the same water is {span} of saturation.",
        cold[-1],
    )
