"""Invented years of a machine: Poisson counts of particles whose concentration scatters, wanders, changes.

Each size class is counted by itself (counts are cumulative). What differs between samples besides counting:

scatter   from sample to sample, independent, the same for all sizes (standard deviation of log2) own
the same, but each size for itself wander    from day to day (standard deviation of log2), first-order noise
with correlation `alike` between days
"""

import numpy as np
from skidwright.samples import history

START = np.datetime64("2026-01-01T00:00:00", "ms")
PER_ML = (1800.0, 420.0, 38.0, 7.0)
VOLUME_ML = 30.0


def first_order(rng, n, alike):
    """`n` values of first-order noise of standard deviation 1."""
    steps = rng.standard_normal(n) * np.sqrt(1 - alike**2)
    steps[0] = rng.standard_normal()
    values = np.empty(n)
    value = 0.0
    for i, step in enumerate(steps.tolist()):
        value = step if i == 0 else alike * value + step
        values[i] = value
    return values


def years(
    rng,
    days=365,
    every_h=24.0,
    scatter=0.15,
    own=0.05,
    wander=0.0,
    alike=0.0,
    rise=None,
    water_rise=None,
    metal=None,
    times=None,
):
    """A history. `rise(days)` gives what is added to log2 of concentration, (n,) or (n, 4).

    `water_rise(days)` is added to percent of saturation. `metal` are mean numbers of ferrous and
    non-ferrous particles in a sample, (2,) or (n, 2). `times` (days from the start) take the place of
    regular ones.
    """
    at = np.arange(0, days, every_h / 24) if times is None else np.asarray(times)
    n = len(at)
    daily = first_order(rng, int(np.ceil(days)) + 1, alike) * wander
    level = scatter * rng.standard_normal((n, 1)) + own * rng.standard_normal((n, 4))
    level += daily[at.astype(int)][:, None]
    if rise is not None:
        added = np.asarray(rise(at), float)
        level += added if added.ndim == 2 else added[:, None]
    mean = np.exp2(level) * np.array(PER_ML) * VOLUME_ML
    classes = np.maximum(mean - np.c_[mean[:, 1:], np.zeros(n)], 0)
    counts = np.cumsum(rng.poisson(classes)[:, ::-1], axis=1)[:, ::-1]
    water = 30 + 0.5 * rng.standard_normal(n) + 3 * daily[at.astype(int)]
    if water_rise is not None:
        water += water_rise(at)
    return history.of_arrays(
        START + (at * 86_400_000).astype("timedelta64[ms]"),
        counts,
        VOLUME_ML,
        water_percent=np.clip(water, 0, 100),
        temperature_c=45 + rng.standard_normal(n),
        metal=None if metal is None else rng.poisson(np.broadcast_to(metal, (n, 2))),
    )


def step(day, codes):
    """A rise of so many scale numbers that stays."""
    return lambda at: np.where(at >= day, codes, 0.0)


def ramp(day, codes, over_days):
    """A rise that goes on: so many scale numbers in so many days."""
    return lambda at: np.maximum(at - day, 0.0) * codes / over_days
