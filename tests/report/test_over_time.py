"""The page's part on judgement over time: what it says, draws and keeps quiet about."""

import dataclasses
import re

import numpy as np
import pytest
from skidwright.judgement.events import MachineEvent
from skidwright.report import over_time, page, pictures


def untold(data):
    """The same asset without what is said of it over time."""
    return dataclasses.replace(data, standing=dataclasses.replace(data.standing, judgement=None))


def rising(make, change, n=400):
    """400 samples, six a day, whose concentration doubles in 40 days."""
    data = make(n=n, minutes=240, target=(20, 18, 15))
    times = 2 ** (np.arange(n) / 6 / 40)[:, None]
    counts = np.random.default_rng(2).poisson(np.array([1800.0, 420.0, 48.0, 12.0]) * 30 * times)
    return change(data, counts=counts.astype(np.uint32), per_ml=counts / 30.0)


def test_page_tells_trend_and_forecast(make, change) -> None:
    text = page.render(rising(make, change))
    part = text[text.index("Judgement over time") : text.index("Flow while counting</h2>")]
    # a doubling in 40 days is three quarters of a scale number in 30
    slopes = [float(x) for x in re.findall(r">\+(0\.\d\d) a month<", part)]
    assert slopes[:3] == pytest.approx([0.75] * 3, abs=0.08)
    # 1800 per mL become the 10000 of number 20 after 2.47 doublings: 99 days from 2026-03-02
    (first, last) = re.findall(r"passed <time>([-0-9]+)</time> to <time>([-0-9]+)", part)[0]
    assert np.datetime64(first) <= np.datetime64("2026-06-09") <= np.datetime64(last)
    assert "made for 0.1 false alarms a" in part


def test_trend_is_drawn_only_where_there_is_one(make, change) -> None:
    up, flat = rising(make, change), make(n=400, minutes=240)
    assert up.standing.judgement.particle_series.trends[0].rising
    assert len(pictures.code_history(up)) > len(pictures.code_history(untold(up)))
    drawn = sum(line.rising or line.falling for line in flat.standing.judgement.particle_series.trends[:3])
    without = pictures.code_history(untold(flat))
    assert drawn or pictures.code_history(flat) == without


def test_no_date_without_a_trend(make) -> None:
    data = make(n=400, minutes=240)
    (line, *_) = over_time.over_time(data).rows
    assert "no trend" in line.trend and line.limit == "no trend"


def test_hints_are_shown_with_what_else_it_could_be(make, change, judge_again) -> None:
    data = make(n=200, minutes=240)
    counts = data.samples.counts.astype(np.int64)
    counts[180:] *= 4
    dirty = change(data, counts=counts.astype(np.uint32), per_ml=counts / 30.0)
    when = int(dirty.samples.utc_ms[180]) - 1000
    text = page.render(judge_again(dirty, (), [MachineEvent(when, "top-up", "<b>20 L</b>")]))
    assert "Hint, no diagnosis: All channels rose when fluid was put in" in text
    assert "+2.0, +2.0" in text and "Or else:" in text
    assert "<b>20 L</b>" not in text


def test_page_without_judgement_has_no_such_part(make) -> None:
    data = untold(make())
    assert over_time.over_time(data) is None
    assert "Judgement over time" not in page.render(data)
