"""The board's judgement of a sample against the host's checks: never milder, and seldom stricter."""

import numpy as np
import pytest
import synthetic_log as sl
from record_maker import verdict_on
from skidboard import faults, sample_checks
from skidboard import settings as board_settings
from skidboard.cleanliness import scale_number
from skidwright.checks import CheckLimits, SettingsHistory
from skidwright.formulas import iso4406

N = 4000
SETTINGS = board_settings.defaults()
LIMITS = CheckLimits(sensing_volume_ml=2.5e-6)


class Counted:
    """A record's figures as sample.py holds them before they are packed."""

    def __init__(self, row):
        class Range:
            pass

        for quantity, unit in (("flow", "ul_s"), ("water", "ua"), ("temp", "cdeg")):
            spread = Range()
            spread.lowest = int(row[f"{quantity}_min_{unit}"])
            spread.highest = int(row[f"{quantity}_max_{unit}"])
            setattr(self, f"{quantity}_{unit}", spread)
        self.counts = [int(n) for n in row["counts"]] + [0, 0]
        self.faults = int(row["faults"])
        self.out_of_band_ms = int(row["out_of_band_ms"])
        self.purge_ul = int(row["purge_ul"])
        self.start_ms, self.end_ms = 0, int(row["count_ms"])
        self.pulses, self.pulse_nl = int(row["meter_pulses"]), SETTINGS["meter_pulse_nl"]
        self.water_state = int(row["water_state"])
        self._parts = {0: row["windows_4um"].tolist(), 2: row["windows_14um"].tolist()}

    def windows(self, channel):
        return self._parts[channel]


def drawn(rng, spoil):
    """N samples of an asset, particles by chance, of any cleanliness; each spoilt in one way or another."""
    rows = np.concatenate([sl.samples(1, seed=1)] * N)
    rows["seq"] = np.arange(N)
    rows["asset"] = 1
    rows["volume_ul"], rows["meter_pulses"], rows["count_ms"] = 30_000, 150, 36_014
    rows["flow_mean_ul_s"] = 30_000_000 // 36_014
    slope = rng.uniform(0.6, 9.5, N) if spoil else rng.uniform(2, 4, N)
    # a machine's samples do not leap, but for the leaps that carry-over is judged by
    n4 = 10 ** np.sort(rng.uniform(0, 4.2, N))[::-1]
    if spoil:
        n4 *= 10 ** np.where(rng.random(N) < 0.2, rng.uniform(-0.9, 0.9, N), 0)
        n4 = n4.clip(1, 10**4.2)
    above = n4[:, None] * (np.array([4, 6, 14, 21]) / 4.0) ** -slope[:, None]
    extra = np.zeros(N)
    if spoil:
        extra = np.where(rng.random(N) < 0.3, above[:, 2] * 10 ** rng.uniform(-1.5, 1, N), 0)
    classes = np.c_[-np.diff(above, axis=1), above[:, 3]] * 30
    parts = rng.poisson(np.repeat(classes[:, None, :] / 8, 8, axis=1).clip(0))
    # bubbles come in a few of the eight parts only
    burst = rng.random((N, 8)) < rng.uniform(0.1, 1, N)[:, None]
    parts[:, :, 3] += rng.poisson(burst * extra[:, None] * 30 / 8)
    cumulative = parts[:, :, ::-1].cumsum(axis=2)[:, :, ::-1]
    rows["counts"] = cumulative.sum(axis=1)
    # the pulses of a part, 18 or 19 of 150, change its counts: left to the judges alike
    rows["windows_4um"] = cumulative[:, :, 0]
    rows["windows_14um"] = cumulative[:, :, 2]
    rows["window_shift"] = 0
    rows["purge_ul"] = rng.integers(45_000, 300_000, N) if spoil else 200_000
    low = rng.integers(815, 832, N)
    rows["flow_min_ul_s"], rows["flow_max_ul_s"] = low, low + rng.integers(0, 25, N)
    water = rng.integers(5000, 16000, N)
    rows["water_min_ua"], rows["water_mean_ua"], rows["water_max_ua"] = water, water + 20, water + 40
    rows["water_state"] = 0
    if spoil:
        rows["flow_min_ul_s"] = rng.integers(660, 832, N)
        rows["flow_max_ul_s"] = np.maximum(rows["flow_min_ul_s"], rng.integers(815, 1005, N))
        keep = rng.random(N) < 0.7
        rows["flow_min_ul_s"][keep], rows["flow_max_ul_s"][keep] = 820, 840
        rows["out_of_band_ms"] = np.where(rng.random(N) < 0.05, 200, 0)
        rows["faults"] = np.where(rng.random(N) < 0.1, 1 << rng.integers(0, len(faults.NAMES), N), 0)
        rows["water_max_ua"] = rows["water_min_ua"] + rng.integers(0, 500, N)
        high = rng.random(N) < 0.1
        rows["water_max_ua"][high] = rng.integers(18_000, 20_600, high.sum())
        rows["water_min_ua"][high] = rows["water_max_ua"][high] - 30
        rows["temp_max_cdeg"] = rows["temp_min_cdeg"] + rng.integers(0, 700, N)
        state = rng.random(N)
        rows["water_state"] = np.select([state < 0.05, state < 0.1], [1, 2], 0)
        again = np.flatnonzero(rng.random(N) < 0.02)
        again = again[again > 0]
        for name in ("counts", "windows_4um", "windows_14um"):
            rows[name][again] = rows[name][again - 1]
    rows["codes"] = sl.codes_of(rows["counts"], rows["volume_ul"])
    few = (rows["counts"] < iso4406.FEW_PARTICLES).astype(np.uint8)
    rows["flags"] = few[:, 0] | few[:, 1] << 1 | few[:, 2] << 2 | few[:, 3] << 3
    rows["settings_crc"] = board_settings.digest(SETTINGS)
    rows["calibration_due_day"] = 0
    return rows


@pytest.mark.parametrize("spoil", [False, True])
def test_never_milder_than_the_host(spoil):
    rng = np.random.default_rng(20260302)
    rows = drawn(rng, spoil)
    verdicts = verdict_on(rows, LIMITS, settings=SettingsHistory(SETTINGS))
    host_counts, host_water = verdicts.verdict[:, 0] == 0, verdicts.verdict[:, 1] == 0
    counts, water, numbers = [], [], []
    before = [-1] * 4
    for row in rows:
        sample = Counted(row)
        counts.append(sample_checks.counts_sound(sample, before, SETTINGS))
        water.append(sample_checks.water_sound(sample, SETTINGS))
        # as cleanup.py has them
        numbers.append([scale_number(n + (n >> 8) + 1, 30_000) for n in sample.counts[:3]])
        before = sample.counts[:4]
    counts, water = np.array(counts), np.array(water)
    # beyond 0.38 % lost to coincidence no board's number is asked for: docs/cleanup.md
    near = rows["counts"][:, 0] / 30 * LIMITS.sensing_volume_ml < 0.0038
    milder = np.flatnonzero(counts & ~host_counts & near)
    assert not len(milder), [verdicts.reason_ids(i) for i in milder[:5]]
    assert not (water & ~host_water).any()
    stricter = (host_counts & ~counts).sum() / host_counts.sum()
    # as said on the board: a scale number is never one that the host would call too low
    assert (np.array(numbers)[near] >= verdicts.codes[near, :3]).all()
    kind = "spoilt in all ways" if spoil else "good"
    print(
        f"figure: the board's judgement: of {N} samples {kind} the host finds {host_counts.sum()} valid, the "
        f"board {counts.sum()}; {stricter:.1%} of the host's are refused, none is milder"
    )
    assert stricter < (0.15 if spoil else 0.01)
    assert (host_water & ~water).sum() == 0
    assert host_counts.sum() > N // 8
