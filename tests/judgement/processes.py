"""Invented machines on a plant floor, made apart from what judges them (nothing of `judgement` is imported).

What samples do besides counting, each by its name in `NOISES`, in scale numbers (log2) of standard
deviation `SCATTER` unless said: heavy tails, skew, odd samples, likeness from sample to sample, a season.
`machine` gives a history of samples, `noise` the bare numbers. Seeds: those below `NEVER_TUNED` were looked
at while limits were chosen or their rules mended, those from it on only to measure what the documents state.
"""

import numpy as np
from skidwright.samples import history

START = np.datetime64("2027-01-01T00:00:00", "ms")
PER_ML = (1800.0, 420.0, 38.0, 7.0)
FEW_PER_ML = (60.0, 20.0, 2.0, 0.2)
VOLUME_ML = 30.0
SCATTER = 0.15
NEVER_TUNED = 2_000_000


def alike(rng, shape, r):
    """First-order noise of standard deviation 1 along the last axis, correlation `r` from one to the next."""
    steps = rng.standard_normal(shape)
    out = np.empty(shape)
    out[..., 0] = steps[..., 0]
    left = np.sqrt(1 - r * r)
    for i in range(1, shape[-1]):
        out[..., i] = r * out[..., i - 1] + left * steps[..., i]
    return out


def _student(rng, shape):
    return rng.standard_t(3, shape)


def _skewed(rng, shape):
    # gamma of shape 2: skewness 1.4, all of it upward; median at 0
    return (rng.gamma(2.0, 1.0, shape) - 1.678) / np.sqrt(2)


def _odd(rng, shape):
    # one of twenty is one to three scale numbers high
    high = (rng.random(shape) < 0.05) * rng.uniform(1, 3, shape)
    return rng.standard_normal(shape) + high / SCATTER


def _likeness(r):
    return lambda rng, shape: alike(rng, shape, r)


def _half_alike(rng, shape):
    return np.sqrt(0.5) * (rng.standard_normal(shape) + alike(rng, shape, 0.9))


def _alike_and_heavy(rng, shape):
    return 0.7 * alike(rng, shape, 0.8) + 0.5 * rng.standard_t(3, shape)


NOISES = {
    "normal": lambda rng, shape: rng.standard_normal(shape),
    "heavy tails (t3)": _student,
    "skewed": _skewed,
    "5 % odd samples": _odd,
    "alike by 0.5": _likeness(0.5),
    "alike by 0.8": _likeness(0.8),
    "alike by 0.9": _likeness(0.9),
    "alike by 0.97": _likeness(0.97),
    "half of it alike by 0.9": _half_alike,
    "alike by 0.8 with heavy tails": _alike_and_heavy,
}


def noise(rng, name, shape):
    """Noise of unit size along the last axis."""
    return NOISES[name](rng, shape)


def times(rng, days, every_days=1.0, missing=False):
    """Days of samples from the start; with `missing` a week is left out every seven weeks or so, and every
    tenth sample."""
    at = np.arange(0, days, every_days)
    if missing:
        gone = np.floor(at / 7).astype(int)
        weeks = rng.random(gone.max() + 1) < 1 / 7
        at = at[~weeks[gone] & (rng.random(len(at)) > 0.1)]
    return at


def serviced(day, codes=2.0, a_day=0.0):
    """A level that rises by `a_day` and falls by so many scale numbers at maintenance on `day`."""
    return lambda at: a_day * at - np.where(at >= day, codes, 0.0)


def machine(
    rng,
    name="normal",
    days=365,
    every_days=1.0,
    scatter=SCATTER,
    own=0.3,
    per_ml=PER_ML,
    missing=False,
    season=0.0,
    level=None,
    wander=0.0,
    wander_alike=0.8,
    water=30.0,
):
    """A history. A sample's noise is common to all sizes but for a share `own` of its variance.

    `season` is the swing of a yearly wave from middle to top, `level(days)` is added, both in scale numbers;
    `wander` is that of a level that differs from day to day and is alike by `wander_alike`.
    """
    at = times(rng, days, every_days, missing)
    n = len(at)
    common = noise(rng, name, (1, n))
    each = noise(rng, name, (4, n))
    moved = scatter * (np.sqrt(1 - own) * common + np.sqrt(own) * each).T
    if name == "5 % odd samples":
        # an odd sample is odd in all sizes
        moved = scatter * common.T + 0.05 * rng.standard_normal((n, 4))
    daily = wander * alike(rng, (int(np.ceil(days)) + 1,), wander_alike)[at.astype(int)]
    moved = moved + daily[:, None] + season * np.sin(2 * np.pi * at / 365)[:, None]
    if level is not None:
        moved = moved + np.asarray(level(at), float)[:, None]
    mean = np.exp2(moved) * np.array(per_ml) * VOLUME_ML
    # sizes are cumulative: each counts what the next larger one counts as well
    mean = np.maximum.accumulate(mean[:, ::-1], axis=1)[:, ::-1]
    classes = rng.poisson(mean - np.c_[mean[:, 1:], np.zeros(n)])
    counts = np.cumsum(classes[:, ::-1], axis=1)[:, ::-1]
    wet = water + 0.5 * noise(rng, name, (n,)) + 2 * daily + 10 * season * np.sin(2 * np.pi * at / 365)
    return history.of_arrays(
        START + (at * 86_400_000).astype("timedelta64[ms]"),
        counts,
        VOLUME_ML,
        water_percent=np.clip(wet, 0, 100),
        temperature_c=np.full(n, 45.0),
    )
