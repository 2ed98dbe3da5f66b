"""How much of the last asset's fluid is left in the line, and the purge that a sample needs.

Sampling lines run laminar: the fluid in the middle goes at twice the mean
speed, that at the wall hardly at all. After n line volumes the share of old
fluid in what leaves the line is 1 up to half a volume, then 1/(4 n^2): O.
Levenspiel, "Chemical Reaction Engineering", 3rd edition, p. 344 (laminar flow
convection model). A stirred tank's exp(-n) is far too hopeful: after five
volumes it says 0.7 %, the line says 1 %; after ten 0.005 % against 0.25 %.

The model is a straight tube without diffusion. Bends and fittings mix and make
it better; dead legs make it worse than any formula.
"""

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats

# Share of the sample's own level by which leftovers may falsify it. This project's judgement: a
# scale number spans a factor of two, and 10 % moves one in seven samples across a limit at most.
ALLOWED_SHARE = 0.1
PLUG_VOLUMES = 0.5


def residual(line_volumes: ArrayLike) -> Floats:
    """Share of old fluid in what leaves the line after `line_volumes` were drawn; ValueError if negative."""
    n = _checked(line_volumes, "line volumes")
    with np.errstate(divide="ignore"):
        return np.where(n <= PLUG_VOLUMES, 1.0, 1 / (4 * n * n))


def mean_residual(purge_volumes: ArrayLike, sample_volumes: ArrayLike) -> Floats:
    """Mean share of old fluid in a sample of `sample_volumes` drawn after a purge, both in line volumes.

    ValueError when one is negative or the sample is 0.
    """
    start = _checked(purge_volumes, "purge")
    sample = _checked(sample_volumes, "sample")
    if np.any(sample == 0):
        raise ValueError("sample: a volume above 0 is needed")
    end = start + sample
    # up to half a volume all is old, from there on the integral of 1/(4 n^2)
    plug = np.clip(PLUG_VOLUMES - start, 0, sample)
    tail_start, tail_end = np.maximum(start, PLUG_VOLUMES), np.maximum(end, PLUG_VOLUMES)
    return (plug + (1 / tail_start - 1 / tail_end) / 4) / sample


def falsified_share(before_per_ml: ArrayLike, now_per_ml: ArrayLike, purge_volumes: ArrayLike) -> Floats:
    """By what share of the true level leftovers falsify a sample: positive too high, negative too low.

    Levels in particles per mL (or any unit common to both). ValueError when one is negative or the
    present level is 0.
    """
    before, now = _checked(before_per_ml, "level before"), _checked(now_per_ml, "level now")
    if np.any(now == 0):
        raise ValueError("level now: a value above 0 is needed")
    return (before - now) / now * residual(purge_volumes)


def volumes_needed(
    before_per_ml: ArrayLike, now_per_ml: ArrayLike, allowed_share: float = ALLOWED_SHARE
) -> Floats:
    """Line volumes to purge between two levels, so that at most `allowed_share` of the new one is false.

    0 where the step is smaller than that. Errors as in `falsified_share`, and ValueError
    unless 0 < allowed_share < 1.
    """
    if not 0 < allowed_share < 1:
        raise ValueError("the share allowed must lie between 0 and 1")
    return volumes_for(np.abs(falsified_share(before_per_ml, now_per_ml, 0.0)), allowed_share)


def volumes_for(step: ArrayLike, allowed: ArrayLike) -> Floats:
    """Line volumes to purge until `allowed` of a step between two levels is left, both in one unit.

    0 where the step is no larger than that. ValueError when one is negative or `allowed` is 0.
    """
    step, allowed = _checked(step, "step"), _checked(allowed, "allowed")
    if np.any(allowed == 0):
        raise ValueError("allowed: a value above 0 is needed")
    return np.where(step <= allowed, 0.0, np.maximum(np.sqrt(step / allowed) / 2, PLUG_VOLUMES))


def allowed_per_ml(own_per_ml: Floats, sample_ml: Floats, allowed_share: Floats | float) -> Floats:
    """How much of a sample may be left over: a share of its own level and three standard deviations of
    counting, so that a single particle is no carry-over."""
    return np.asarray(allowed_share * own_per_ml + 3 * np.sqrt(own_per_ml * sample_ml + 1) / sample_ml)


def _checked(value: ArrayLike, what: str) -> Floats:
    values = np.asarray(value, dtype=np.float64)
    if np.any(values < 0):
        raise ValueError(f"{what}: a negative value has no meaning")
    return values
