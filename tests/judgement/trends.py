"""How often judgement errs and how late it sees: `python tests/judgement/trends.py --years 200`.

Clean invented years give the false alarms of charts, change points, trends and hints, against what
docs/judgement.md states. The charts, which are quick, are tried on twice as many years: the alarms of an
asset's series come together, so that a mean of few is worth little. Years with a known rise give the delay
until it is seen; ramps towards a limit give the share of forecasts that hold the true day. Every seed is
printed or follows from one that is.
"""

import argparse
import time

import numpy as np
import plant_floor
from machine_years import START, ramp, step, years
from skidwright.judgement import charts, events, forecast, judge, points, series
from skidwright.register.model import AssetRecord

ASSET = AssetRecord(1, "machine", target=(20, 18, 15), water_limit_percent=90.0, coldest_c=40.0)
CLEAN = {
    "one sample a day": {"every_h": 24},
    "hourly": {"every_h": 1, "wander": 0.1},
    "hourly, days alike by 0.5": {"every_h": 1, "wander": 0.1, "alike": 0.5},
    "hourly, days alike by 0.8": {"every_h": 1, "wander": 0.1, "alike": 0.8},
    "hourly, days alike by 0.9": {"every_h": 1, "wander": 0.1, "alike": 0.9},
    "a day each, alike by 0.9": {"every_h": 24, "wander": 0.3, "alike": 0.9},
    "one sample a week": {"every_h": 168, "days": 365 * 7},
}
RISES = {
    "one code at once": (step(250, 1.0), 250),
    "half a code at once": (step(250, 0.5), 250),
    "one code in 30 days": (ramp(250, 1.0, 30), 250),
    "one code in 90 days": (ramp(250, 1.0, 90), 250),
    "one code in a year": (ramp(150, 1.0, 365), 150),
}
ALIKE = (0.0, 0.5, 0.8, 0.9)
NEVER = float("inf")


def clean_years(number, first_seed=0, **how):
    """Sums over `number` clean years: alarms, changes, trends and hints a year of 365 points."""
    sums = {"charts": 0.0, "changes": 0.0, "trends": 0, "series": 0, "hints": 0, "events": 0}
    charted = 0
    for seed in range(first_seed, first_seed + number):
        rng = np.random.default_rng(seed)
        made = years(rng, **how)
        span = how.get("days", 365)
        book = [
            events.Event(int(START.astype(np.int64) + day * 86_400_000), kind, "")
            for day in np.sort(rng.uniform(10, span, 52))
            for kind in (events.TOP_UP, events.FILTER)
        ]
        found = judge.judge(made, ASSET, book)
        for judged in (found.particle_series, found.water_series):
            lines = [line for line in judged.trends if line is not None]
            sums["charts"] += len(judged.alarms)
            sums["changes"] += sum(map(len, judged.changes))
            sums["trends"] += sum(line.rising or line.falling for line in lines)
            sums["series"] += len(lines)
        charted += np.isfinite(found.particle_series.charts.single[:, 0]).sum()
        sums["hints"] += len(found.hints)
        sums["events"] += sum(e.days > found.particle_series.points.days[-1] - 90 for e in book)
    pointed = number * min(len(found.particle_series.points), points.MOST_POINTS)
    return {
        "charts": sums["charts"] * 365 / charted,
        "changes": sums["changes"] * 365 / pointed,
        "trends": sums["trends"] / sums["series"],
        "hints": sums["hints"] / number,
        "events": sums["events"] / number,
    }


def chart_alarms(number, first_seed=0, **how):
    """Chart alarms of `number` clean years for a year of 365 charted points, of these upward, and occasions:
    alarms of whichever series that begin less than `charts.TOGETHER` points after the one before."""
    told = up = occasions = charted = 0
    for seed in range(first_seed, first_seed + number):
        made = years(np.random.default_rng(seed), **how)
        both = points.count_points(made), series.water_points(made, ASSET)[0]
        found = [charts.charts(series.in_detail(one)) for one in both]
        alarms = [alarm for one in found for alarm in charts.alarms(one)]
        told += len(alarms)
        up += sum(alarm.up for alarm in alarms)
        first = sorted(alarm.first for alarm in alarms)
        occasions += bool(first) + int((np.diff(first) > charts.TOGETHER).sum())
        charted += int(np.isfinite(found[0].single[:, 0]).sum())
    return told * 365 / charted, up * 365 / charted, occasions * 365 / charted


def chart_delay(rise, start_day, seed, every_h=1.0, **how):
    """Days from the start of a rise to the first upward alarm of the charts; infinite for never within the
    year.

    Charts look back only, so that one chart over the whole year shows what was to be seen on each day.
    """
    made = years(np.random.default_rng(seed), every_h=every_h, rise=rise, wander=0.1, **how)
    whole = series.in_detail(points.count_points(made))
    day = whole.days - START.astype(np.int64) / 86_400_000
    seen = charts.charts(whole).up[:, :3].any(axis=1) & (day > start_day)
    return float(day[seen][0] - start_day) if seen.any() else NEVER


def delay(rise, start_day, seed, every_h=1.0, **how):
    """Days from the start of a rise to the first upward alarm of the charts, the first change point, the
    first rising trend; infinite for never within the year.

    Change points and trends are sought anew every third day, with what was known then.
    """
    by_chart = chart_delay(rise, start_day, seed, every_h, **how)
    made = years(np.random.default_rng(seed), every_h=every_h, rise=rise, wander=0.1, **how)
    whole = points.count_points(made)
    day = whole.days - START.astype(np.int64) / 86_400_000
    by_change = by_trend = NEVER
    for now in range(start_day + 3, int(day[-1]), 3):
        found = series.particle_series(made.until(START + np.timedelta64(now, "D")))
        recent = whole.days[0] + start_day - 15
        if by_change == NEVER and any(
            c.step > 0 and c.days >= recent for k in range(3) for c in found.changes[k]
        ):
            by_change = float(now - start_day)
        if by_trend == NEVER and any(line is not None and line.rising for line in found.trends[:3]):
            by_trend = float(now - start_day)
        if max(by_change, by_trend) < NEVER:
            break
    return by_chart, by_change, by_trend


def coverage(number, first_seed=0, seen_days=120, crossing_day=200, codes_a_day=0.01, **how):
    """Share of forecasts from a ramp that hold the true day of crossing; and how many said what."""
    limit = np.log2(how.get("per_ml", 1800.0)) + codes_a_day * crossing_day
    first = START.astype(np.int64) / 86_400_000
    words, held, width = {}, 0, []
    for seed in range(first_seed, first_seed + number):
        rng = np.random.default_rng(seed)
        made = years(rng, days=seen_days, rise=ramp(0, codes_a_day, 1.0), wander=0.1, **how)
        line = judge.judge(made, ASSET).particle_series.trends[0]
        found = forecast.forecast(line, limit)
        words[found.state] = words.get(found.state, 0) + 1
        if found.state == forecast.AHEAD:
            held += found.earliest_days <= first + crossing_day <= found.latest_days
            width.append(found.latest_days - found.earliest_days)
    ahead = max(words.get(forecast.AHEAD, 0), 1)
    return held / ahead, words, float(np.median(width)) if width else float("nan")


def middle(values):
    """Lowest, median and highest in words."""
    ranked = sorted(values)
    ends = ranked[0], ranked[len(ranked) // 2], ranked[-1]
    return ", ".join("never" if np.isinf(x) else f"{x:.0f}" for x in ends)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--years", type=int, default=200, help="clean years of each kind")
    parser.add_argument("--chart-years", type=int, default=0, help="for the charts, if not twice as many")
    parser.add_argument("--runs", type=int, default=20, help="years with each rise")
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    given = parser.parse_args()
    began = time.monotonic()
    chart_years = given.chart_years or 2 * given.years
    print(f"{given.years} clean years of each kind, seeds {given.seed} to {given.seed + given.years - 1}")
    print("a year of 365 points, all five series together; stated: changes 0.1, trends 5 %")
    for name, how in CLEAN.items():
        found = clean_years(given.years, given.seed, **how)
        print(
            f"  {name:28} changes {found['changes']:.3f}   trends {found['trends']:.1%}   hints "
            f"{found['hints']:.3f} from {found['events']:.0f} events   (charts {found['charts']:.3f})",
            flush=True,
        )
    print(
        f"chart alarms a year of 365 points, all five series together, {chart_years} years from seed "
        f"{given.seed}; stated: {charts.FALSE_ALARMS_PER_YEAR:g}"
    )
    for name, how in CLEAN.items():
        told, up, occasions = chart_alarms(chart_years, given.seed, **how)
        print(f"  {name:28} {told:.3f}   upward {up:.3f}   occasions {occasions:.3f}", flush=True)
    print(f"days until a rise is seen, hourly samples, {given.runs} years each: lowest, median, highest")
    for name, (rise, day) in RISES.items():
        seen = [delay(rise, day, given.seed + 10_000 + k) for k in range(given.runs)]
        lines = [middle(one) for one in zip(*seen, strict=True)]
        print(f"  {name:28} charts {lines[0]:14} change point {lines[1]:16} trend {lines[2]}", flush=True)
    print(f"the same by charts alone, by how much days are alike, {2 * given.runs} years each")
    for name, (rise, day) in RISES.items():
        seeds = range(given.seed + 10_000, given.seed + 10_000 + 2 * given.runs)
        cells = [
            f"{alike:g}: {middle([chart_delay(rise, day, k, alike=alike) for k in seeds]):20}"
            for alike in ALIKE
        ]
        print(f"  {name:28} {' '.join(cells)}", flush=True)
    print("forecast on the 120th day of a ramp that crosses the limit on the 200th, 200 runs each")
    for name, how in (("one sample a day", {"every_h": 24}), ("hourly", {"every_h": 1}),
                      ("hourly, days alike by 0.5", {"every_h": 1, "alike": 0.5})):  # fmt: skip
        held, words, width = coverage(200, given.seed + 20_000, **how)
        told = ", ".join(f"{count} {word}" for word, count in words.items())
        print(
            f"  {name:28} holds the true day in {held:.1%} ({told}); median width {width:.0f} days",
            flush=True,
        )
    print("machines on a plant floor, by a generator apart, on seeds that nothing was tuned on")
    good = plant_floor.report(given.years, given.years)
    print(f"{time.monotonic() - began:.0f} s")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
