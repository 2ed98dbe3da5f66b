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
from skidwright.judgement import charts, events, judge, points, series, trend
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
CHARTED = {
    "one sample a day": {"every_h": 24, "wander": 0.0},
    **{f"hourly, days alike by {alike:g}": {"alike": alike} for alike in (0.0, 0.5, 0.8, 0.9)},
}
NEVER = float("inf")


def clean_years(number, first_seed=0, charted_years=0, **how):
    """Sums over `number` clean years, for a year of 365 points: alarms of charts, of these upward, occasions
    of alarm, changes; share of series with a trend; hints and events.

    The charts are tried on `charted_years`, if that is more. An occasion: alarms of whichever series that
    begin less than `charts.TOGETHER` points after the one before.
    """
    told = up = occasions = charted = changes = shown = lined = hints = told_of = pointed = 0
    for seed in range(first_seed, first_seed + max(number, charted_years)):
        rng = np.random.default_rng(seed)
        made = years(rng, **how)
        if seed < first_seed + number:
            book = [
                events.MachineEvent(int(START.astype(np.int64) + day * 86_400_000), kind, "")
                for day in np.sort(rng.uniform(10, how.get("days", 365), 52))
                for kind in (events.TOP_UP, events.FILTER)
            ]
            found = judge.judge(made, ASSET, book)
            both = found.particle_series, found.water_series
            drawn = [one.charts for one in both]
            changes += sum(len(some) for one in both for some in one.changes)
            lines = [line for one in both for line in one.trends if line is not None]
            shown += sum(line.rising or line.falling for line in lines)
            lined += len(lines)
            hints += len(found.hints)
            told_of += sum(e.days > both[0].points.days[-1] - 90 for e in book)
            pointed += min(len(both[0].points), points.MOST_POINTS)
        else:
            both = points.count_points(made), series.water_points(made, ASSET)[0]
            drawn = [charts.charts(series.in_detail(one)) for one in both]
        alarms = [alarm for one in drawn for alarm in charts.alarms(one)]
        told += len(alarms)
        up += sum(alarm.up for alarm in alarms)
        first = sorted(alarm.first for alarm in alarms)
        occasions += bool(first) + int((np.diff(first) > charts.TOGETHER).sum())
        charted += int(np.isfinite(drawn[0].single[:, 0]).sum())
    return {
        "charts": told * 365 / charted,
        "upward": up * 365 / charted,
        "occasions": occasions * 365 / charted,
        "changes": changes * 365 / pointed,
        "trends": shown / lined,
        "hints": hints / number,
        "events": told_of / number,
    }


def chart_delay(rise, start_day, seed, every_h=1.0, wander=0.1, **how):
    """Days from the start of a rise to the first upward alarm of the charts; infinite for never within the
    year.

    Charts look back only, so that one chart over the whole year shows what was to be seen on each day.
    """
    made = years(np.random.default_rng(seed), every_h=every_h, rise=rise, wander=wander, **how)
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
        found = trend.forecast(line, limit)
        words[found.state] = words.get(found.state, 0) + 1
        if found.state == trend.AHEAD:
            held += found.earliest_days <= first + crossing_day <= found.latest_days
            width.append(found.latest_days - found.earliest_days)
    ahead = max(words.get(trend.AHEAD, 0), 1)
    return held / ahead, words, float(np.median(width)) if width else float("nan")


def quarters(values):
    """Lowest, quarter, median, three quarters and highest in words."""
    ranked = sorted(values)
    last = len(ranked) - 1
    ends = (ranked[round(share * last)] for share in (0, 0.25, 0.5, 0.75, 1))
    return ", ".join("never" if np.isinf(x) else f"{x:.0f}" for x in ends)


def clean(given):
    """How often each errs in clean years."""
    charted = given.chart_years or 2 * given.years
    print(f"{given.years} clean years of each kind, {charted} for the charts, seeds from {given.seed};")
    print("a year of 365 points, all five series together; stated: charts 0.1, changes 0.1, trends 5 %")
    for name, how in CLEAN.items():
        found = clean_years(given.years, given.seed, charted, **how)
        print(
            f"  {name:28} charts {found['charts']:.3f}   upward {found['upward']:.3f}   occasions "
            f"{found['occasions']:.3f}   changes {found['changes']:.3f}   trends {found['trends']:.1%}   "
            f"hints {found['hints']:.3f} from {found['events']:.0f} events",
            flush=True,
        )


def delays(given):
    """How late each sees a rise."""
    print(f"days until a rise is seen, hourly samples, {given.runs} years each:")
    print("lowest, quarter, median, three quarters, highest")
    for name, (rise, day) in RISES.items():
        seen = [delay(rise, day, given.seed + 10_000 + k) for k in range(given.runs)]
        lines = [quarters(one) for one in zip(*seen, strict=True)]
        print(f"  {name:28} charts {lines[0]:26} change point {lines[1]:26} trend {lines[2]}", flush=True)
    print(f"the same by charts alone, {2 * given.runs} years each")
    for name, (rise, day) in RISES.items():
        seeds = range(given.seed + 10_000, given.seed + 10_000 + 2 * given.runs)
        for kind, how in CHARTED.items():
            seen = quarters([chart_delay(rise, day, k, **how) for k in seeds])
            print(f"  {name:24} {kind:28} {seen}", flush=True)


def ramps(given):
    """How many forecasts from ramps hold the true day."""
    print("forecast on the 120th day of a ramp that crosses the limit on the 200th, 200 runs each")
    for name, how in (("one sample a day", {"every_h": 24}), ("hourly", {"every_h": 1}),
                      ("hourly, days alike by 0.5", {"every_h": 1, "alike": 0.5})):  # fmt: skip
        held, words, width = coverage(200, given.seed + 20_000, **how)
        told = ", ".join(f"{count} {word}" for word, count in words.items())
        print(
            f"  {name:28} holds the true day in {held:.1%} ({told}); median width {width:.0f} days",
            flush=True,
        )


PARTS = {"clean": clean, "delays": delays, "ramps": ramps}


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--years", type=int, default=200, help="clean years of each kind")
    parser.add_argument("--chart-years", type=int, default=0, help="for the charts, if not twice as many")
    parser.add_argument("--runs", type=int, default=20, help="years with each rise")
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    parser.add_argument(
        "--part", action="append", choices=[*PARTS, *plant_floor.PARTS], help="only this; may be given again"
    )
    given = parser.parse_args()
    wanted = given.part or (*PARTS, *plant_floor.PARTS)
    for part in (one for one in PARTS if one in wanted):
        began = time.process_time()
        PARTS[part](given)
        print(f"  ({time.process_time() - began:.0f} s)", flush=True)
    apart = [one for one in plant_floor.PARTS if one in wanted]
    if apart:
        print("machines on a plant floor, by a generator apart, on seeds that nothing was tuned on")
    return 0 if plant_floor.report(given.years, given.years, parts=apart) else 1


if __name__ == "__main__":
    raise SystemExit(main())
