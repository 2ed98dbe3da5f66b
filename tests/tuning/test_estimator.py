"""The flow estimator against true flow, side by side with counting pulses in a window."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from skidboard.flow import Flow

TICK_S = 0.1
PULSE_UL = 200.0
RATES = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
WINDOWS_S = (1.0, 5.0)
SCATTER = 0.003
SEEDS = 5
# (ramping, pulses a second) -> RMS error relative to the highest flow: estimator, counting in either window.
Table = dict[tuple[bool, float], tuple[float, float, float]]
TUNING_PAGE = Path(__file__).resolve().parents[2] / "docs" / "tuning.md"


def true_pulses(rate: float, ramping: bool, t: np.ndarray, span_s: float) -> np.ndarray:
    """Pulses since the start, as a real number: steady, or in ramps of 20 s down to half and up again."""
    if not ramping:
        return rate * t
    phase = (t % 40.0) / 20.0
    done = np.where(phase < 1, phase - phase**2 / 4, 0.75 + (phase - 1) / 2 + (phase - 1) ** 2 / 4) * 20.0
    return rate * (t // 40.0 * 30.0 + done)


def errors(rate: float, ramping: bool, seed: int) -> tuple[float, list[float]]:
    """RMS error relative to the top of the flow: of the estimator, and of each window."""
    rng = np.random.default_rng(seed)
    # No whole number of pulses in a window, which would flatter the counting.
    rate *= rng.uniform(0.85, 1.0)
    span_s = max(120.0, 40.0 / rate)
    fine = np.arange(0.0, span_s, 0.0005)
    passed = true_pulses(rate, ramping, fine, span_s)
    n = int(passed[-1]) + 2
    marks = np.cumsum(1.0 + SCATTER * rng.standard_normal(n)) - rng.uniform()
    edge_s = np.interp(marks[(marks > 0) & (marks < passed[-1])], passed, fine)
    now_s = np.arange(TICK_S, span_s - 0.01, TICK_S)
    seen = np.searchsorted(edge_s, now_s, side="right")
    flow = Flow()
    flow.configure(round(PULSE_UL * 1000), 20)
    estimate = np.zeros(now_s.size)
    before = 0
    for k, (t, count) in enumerate(zip(now_s.tolist(), seen.tolist(), strict=True)):
        latest_us = int(edge_s[count - 1] * 1e6) if count else 0
        flow.update(count - before, latest_us, int(t * 1e6), 100)
        before = count
        estimate[k] = flow.value_ul_s
    truth = np.interp(now_s + 5e-4, fine, np.gradient(passed, fine)) * PULSE_UL
    judged = now_s > max(6.0, 3.0 / rate)
    top = rate * PULSE_UL

    def rms(value: np.ndarray) -> float:
        return float(np.sqrt(np.mean((value - truth)[judged] ** 2))) / top

    counted = []
    for window_s in WINDOWS_S:
        then = np.searchsorted(edge_s, now_s - window_s, side="right")
        counted.append(rms((seen - then) * PULSE_UL / window_s))
    return rms(estimate), counted


def table() -> Table:
    """(ramping, rate) -> RMS error of the estimator and of both windows, over all seeds."""
    found: Table = {}
    for ramping in (False, True):
        for rate in RATES:
            rows = [errors(rate, ramping, seed) for seed in range(SEEDS)]
            squares = np.mean([[e**2, *(w**2 for w in ws)] for e, ws in rows], axis=0)
            e, one, five = np.sqrt(squares).tolist()
            found[ramping, rate] = (e, one, five)
    return found


def lines(found: Table) -> list[str]:
    """The rows of the table in docs/tuning.md."""
    out = []
    for (ramping, rate), (e, one, five) in found.items():
        way = "ramping" if ramping else "steady"
        out.append(
            f"| {rate:g} | {way} | {e:.2%} | {one:.1%} | {five:.1%} | {one / e:.0f} | {five / e:.1f} |"
        )
    return out


@pytest.fixture(scope="module")
def found() -> Table:
    """The table, computed once."""
    return table()


def test_error_against_window_counting(found: Table) -> None:
    """Counting pulses in a window, at each tick anew, is what a board without edge times can do."""
    for line in lines(found):
        print(f"figure: estimator: pulses/s, flow, RMS error, counting 1 s, 5 s, ratios {line}")
    for (ramping, rate), (e, one, five) in found.items():
        assert e < 0.7 * min(one, five), (ramping, rate)
    for ramping in (False, True):
        e, one, five = found[ramping, 2.0]
        assert one >= 5 * e, ramping
        # The long window is slow where flow changes, and about as good as three such errors.
        assert five >= 3 * e, ramping


def test_the_page_has_this_table(found: Table) -> None:
    """docs/tuning.md shows what `python tests/tuning/test_estimator.py` prints."""
    page = TUNING_PAGE.read_text("utf-8")
    shown = [re.findall(r"[0-9.]+", row) for row in re.findall(r"^\| .*(?:steady|ramping) .*$", page, re.M)]
    made = [re.findall(r"[0-9.]+", row) for row in lines(found)]
    assert len(shown) == len(made)
    for ours, theirs in zip(shown, made, strict=True):
        assert [float(n) for n in ours] == pytest.approx([float(n) for n in theirs], rel=0.1), theirs


if __name__ == "__main__":
    print("\n".join(lines(table())))
