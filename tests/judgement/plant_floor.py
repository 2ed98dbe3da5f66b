"""What is stated of judgement over time against what it does to invented machines on a plant floor.

`python tests/judgement/plant_floor.py --runs 200`, and at the end of `make trends`. The machines come from
`processes`, which knows nothing of the code under test; seeds from `processes.NEVER_TUNED` on were never
looked at while limits were chosen.
"""

import argparse
import time

import numpy as np
import processes
from scipy import stats
from skidwright.formulas.iso4406 import UPPER_PER_ML
from skidwright.judgement import changes, charts, points, scatter, series, trend
from skidwright.register.model import AssetRecord
from skidwright.standing.goals import Goals
from skidwright.standing.particles import chance_at_or_below, scatter_of

ASSET = AssetRecord(1, "machine", target=(20, 18, 15), water_limit_percent=90.0, coldest_c=40.0)
# Levels that wander so slowly that it passes for a drift; what is stated of trends and of changes.
SLOW = ("alike by 0.97", "half of it alike by 0.9")
TREND_STATED = {name: 0.90 if name in SLOW else 0.95 for name in processes.NOISES}
# A line goes through the mean of skewed points, which is not where most of them lie.
DATES_STATED = TREND_STATED | {"skewed": 0.90}
CHANGES_STATED, CHANGES_SLOW = 0.1, 1.0
CHARTS_SLOW = 0.5
TREND_POINTS = (8, 20, 60, 122)
MACHINES = {name: {"name": name} for name in processes.NOISES} | {
    "few counts (60/20/2/0.2 per mL)": {"per_ml": processes.FEW_PER_ML},
    "weeks missing": {"missing": True},
    "hourly, days alike by 0.8": {"every_days": 1 / 24, "wander": 0.1},
    "a season of half a scale number": {"season": 0.5},
}
# A real move: told, and counted apart.
REAL = "a season of half a scale number"


def chart_alarms(how, seeds):
    """Alarms of all five series, alarms upward, and years of 365 charted points."""
    told = up = charted = 0
    for seed in seeds:
        made = processes.machine(np.random.default_rng(seed), **how)
        both = points.count_points(made), series.water_points(made, ASSET)[0]
        found = [charts.charts(series.in_detail(one)) for one in both]
        alarms = [alarm for one in found for alarm in charts.alarms(one)]
        told += len(alarms)
        up += sum(alarm.up for alarm in alarms)
        charted += int(np.isfinite(found[0].single[:, 0]).sum())
    return told, up, charted / 365


def trends_held(name, many, runs, seed):
    """How many of `runs` intervals of a trend through `many` points hold the true slope."""
    days = np.arange(float(many))
    rows = processes.noise(np.random.default_rng(seed), name, (runs, many))
    found = [trend.trend(days, row + 0.01 * days) for row in rows]
    return sum(one.low <= 0.01 <= one.high for one in found)


def young_logs(days, seeds):
    """Share of series of hourly logs so long, days alike by 0.8, that show a trend; and a date."""
    shown = dated = tried = 0
    for seed in seeds:
        made = processes.machine(np.random.default_rng(seed), days=days, every_days=1 / 24, wander=0.1)
        for one in series.particle_series(made).trends:
            tried += 1
            shown += one is not None and (one.rising or one.falling)
            if one is not None:
                dated += trend.forecast(one, one.at(one.last_days) + 0.5).state == trend.AHEAD
    return shown, dated, tried


def forecasts_held(name, seeds):
    """Ramps of 0.02 a day seen for 120 days that cross their limit on the 180th: held, and foreseen."""
    days, held, ahead = np.arange(120.0), 0, 0
    for seed in seeds:
        values = 0.2 * processes.noise(np.random.default_rng(seed), name, (120,)) + 0.02 * days
        found = trend.forecast(trend.trend(days, values), 3.6)
        ahead += found.state == trend.AHEAD
        held += found.state == trend.AHEAD and found.earliest_days <= 180 <= found.latest_days
    return held, ahead


def step_found(name, seeds):
    """Falls of two scale numbers at maintenance on the 200th of 300 days: how many are found within three
    days in each size that is counted well, and other changes of these three sizes."""
    found = other = 0
    for seed in seeds:
        made = processes.machine(np.random.default_rng(seed), name, days=300, level=processes.serviced(200))
        told = changes_of(made, water=False)[:3]
        right = [[one for one in size if abs(one.at - 200) <= 3 and one.step < 0] for size in told]
        found += all(right)
        other += sum(map(len, told)) - sum(map(len, right))
    return found, other


def dated_after_service(name, seeds):
    """Machines that foul by 0.02 a day, 80 days up to maintenance and 120 since, and cross their limit 180
    days after it: intervals that hold the day, and dates given."""
    held = ahead = 0
    start = processes.START.astype(np.int64) / 86_400_000
    limit = np.log2(processes.PER_ML[0]) + 0.02 * 260 - 2
    for seed in seeds:
        made = processes.machine(
            np.random.default_rng(seed), name, days=200, level=processes.serviced(80, a_day=0.02)
        )
        found = trend.forecast(series.particle_series(made).trends[0], limit)
        ahead += found.state == trend.AHEAD
        held += found.state == trend.AHEAD and found.earliest_days <= start + 260 <= found.latest_days
    return held, ahead


def changes_of(made, water=True):
    """Changes of the four sizes, and of water."""
    both = [points.count_points(made), *([series.water_points(made, ASSET)[0]] if water else [])]
    detail = [series.in_detail(one) for one in both]
    return [one for made in detail for one in changes.changes(made.days, made.values, made.floor)]


def called_met(many, sd, above, each, seeds, name="normal"):
    """How many machines so far above the limit of >=4 um(c) are called at or below it with 95 %.

    `each`: by the rule for a fluid that is received.
    """
    goals = Goals(numbers=(14, None, None, None), each=each)
    limit = np.array([float(UPPER_PER_ML[14])])
    wrong = 0
    per_ml = (limit[0] * (1 + above), *(np.array((0.3, 0.05, 0.01)) * limit[0]))
    for seed in seeds:
        made = processes.machine(
            np.random.default_rng(seed), name, days=many, scatter=sd, own=0.0, per_ml=per_ml
        )
        found = scatter_of(scatter.between_samples(made, ASSET), np.array([0]))
        newest = slice(-3, None)
        chance = chance_at_or_below(made.counted(newest).of(slice(None), slice(0, 1)), limit, goals, found)
        wrong += chance.least[0] >= goals.confidence
    return wrong


def verdict(bad, runs, stated):
    """Whether so many failures are no more than a promise and chance (1 in 1,000) allow."""
    return "" if bad <= stats.binom.ppf(0.999, runs, stated) else "  MISSED"


def met(runs, chart_years, first):
    """Machines and received fluids called met although above their limit."""
    yield f"met although above its limit, of {runs}, seeds from {first}; stated: at most 5 %"
    for who, each in (("machine", False), ("received", True)):
        for above, many in ((0.0005, 1), (0.0005, 3), (0.0005, 10), (0.0005, 60), (0.05, 3)):
            cells = []
            for sd in (0.07, 0.15, 0.3):
                wrong = called_met(many, sd, above, each, range(first, first + runs))
                cells.append(f"{sd:g}: {wrong / runs:.1%}{verdict(wrong, runs, 0.05)}")
            yield f"  {who:8} {above:.2%} above, {many:2} samples   {'  '.join(cells)}"


def trend_intervals(runs, chart_years, first):
    """Intervals of trends, and young logs that must not show one."""
    yield f"trend intervals that hold the true slope, of {runs}; stated: 95 %, 90 % for the slow ones"
    for name, stated in TREND_STATED.items():
        held = {many: trends_held(name, many, runs, first + many) for many in TREND_POINTS}
        cells = [f"{n}: {h / runs:.1%}{verdict(runs - h, runs, 1 - stated)}" for n, h in held.items()]
        yield f"  {name:32} {'  '.join(cells)}"
    yield "young hourly logs, days alike by 0.8: series with a trend, with a date; stated: at most 5 %"
    for days in (2, 4, 7, 10, 14, 30):
        shown, dated, tried = young_logs(days, range(first, first + max(runs // 4, 10)))
        # the four sizes of a machine move together: its series count as one
        word = verdict(shown // 4, tried // 4, 0.05)
        yield f"  {days:2} days: {shown / tried:.1%}, {dated / tried:.1%}{word}"


def forecasts(runs, chart_years, first):
    """Dates of ramps, and of ramps after a step at maintenance."""
    yield "forecasts that hold the true day; stated: 95 %, 90 % for slow and skewed ones"
    for name, stated in DATES_STATED.items():
        held, ahead = forecasts_held(name, range(first, first + runs))
        yield f"  {name:32} {held / max(ahead, 1):.1%} of {ahead}{verdict(ahead - held, ahead, 1 - stated)}"
    yield f"the same of {runs // 2} machines after a fall of two scale numbers at maintenance"
    for name, stated in DATES_STATED.items():
        held, ahead = dated_after_service(name, range(first, first + runs // 2))
        yield f"  {name:32} {held / max(ahead, 1):.1%} of {ahead}{verdict(ahead - held, ahead, 1 - stated)}"


def change_points(runs, chart_years, first):
    """False changes, and falls at maintenance that are found."""
    yield f"changes a year of 365 points; stated: {CHANGES_STATED:g}, {CHANGES_SLOW:g} for the slow"
    for name, how in MACHINES.items():
        if name == REAL:
            continue
        told = pointed = 0
        for seed in range(first, first + max(chart_years, 1)):
            made = processes.machine(np.random.default_rng(seed), **how)
            told += sum(map(len, changes_of(made)))
            pointed += len(points.count_points(made))
        years, stated = pointed / 365, CHANGES_SLOW if name in SLOW else CHANGES_STATED
        word = "" if told <= stats.poisson.ppf(0.999, stated * years) else "  MISSED"
        yield f"  {name:32} {told / years:.3f} in {years:.0f} years{word}"
    yield f"falls of two scale numbers at maintenance found, of {runs // 2}; other changes a year"
    for name in processes.NOISES:
        found, other = step_found(name, range(first, first + runs // 2))
        yield f"  {name:32} {found / (runs // 2):.1%}   {other / (runs // 2) * 365 / 300:.3f}"


def chart_rates(runs, chart_years, first):
    """False alarms of charts."""
    usual = charts.FALSE_ALARMS_PER_YEAR
    yield f"chart alarms a year of 365 points; stated: {usual:g}, {CHARTS_SLOW:g} for the slow"
    for name, how in MACHINES.items():
        told, up, years = chart_alarms(how, range(first, first + max(chart_years, 1)))
        most = stats.poisson.ppf(0.999, (CHARTS_SLOW if name in SLOW else usual) * years)
        word = "  (a real move)" if name == REAL else "" if told <= most else "  MISSED"
        yield f"  {name:32} {told / years:.3f}   upward {up / years:.3f}   in {years:.0f} years{word}"


PARTS = {
    "met": met,
    "trends": trend_intervals,
    "forecasts": forecasts,
    "changes": change_points,
    "charts": chart_rates,
}


def report(runs, chart_years, first=processes.NEVER_TUNED, parts=tuple(PARTS)):
    """Prints the lines of some parts; False when a promise is missed by more than chance."""
    good = True
    for part in parts:
        began = time.process_time()
        for line in PARTS[part](runs, chart_years, first):
            print(line, flush=True)
            good &= "MISSED" not in line
        print(f"  ({time.process_time() - began:.0f} s)", flush=True)
    return good


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--chart-years", type=int, default=60)
    parser.add_argument("--seed", type=int, default=processes.NEVER_TUNED)
    parser.add_argument("--part", action="append", choices=PARTS, help="only this; may be given again")
    given = parser.parse_args()
    return 0 if report(given.runs, given.chart_years, given.seed, given.part or tuple(PARTS)) else 1


if __name__ == "__main__":
    raise SystemExit(main())
