"""How much the board purges, against the laminar law in whole numbers' stead: floats of any interpreter."""

from skidboard.purge import Purge, allowed, isqrt, level

LINE_UL = 15000
SAMPLE_UL = 30000


def settled(before_per_ml, own_per_ml, purged_ul, settle_ul=8000):
    """A Purge that has seen what a laminar line would show: 1 / (4 n^2) of the step is left (Levenspiel)."""
    purge = Purge()
    purge.configure(LINE_UL, SAMPLE_UL, 10)
    purge.remember([int(n * SAMPLE_UL / 1000) for n in before_per_ml], SAMPLE_UL)
    purge.clear(purged_ul)
    left = 0.25 / (purged_ul / LINE_UL) ** 2
    seen = [own + (dirty - own) * left for dirty, own in zip(before_per_ml, own_per_ml)]
    for _ in range(80):
        purge.add([0] * 6, settle_ul // 80)
    purge.add([int(n * settle_ul / 1000 + 0.5) for n in seen] + [0, 0], 0)
    return purge


def power_law(at_4):
    return [at_4 * (size / 4) ** -2.8 for size in (4, 6, 14, 21)]


def exactly_ul(before_per_ml, own_per_ml):
    """sqrt(step / allowed) / 2 line volumes of the worst channel."""
    most = 0
    for dirty, own in zip(before_per_ml, own_per_ml):
        may = 0.1 * own + 3 * (own * 30 + 1) ** 0.5 / 30
        if abs(dirty - own) > may:
            most = max(most, (abs(dirty - own) / may) ** 0.5 / 2)
    return most * LINE_UL


def test_whole_square_roots():
    for n in list(range(300)) + [2**30 - 1, 2**40, 10**17]:
        root = isqrt(n)
        assert root * root <= n < (root + 1) * (root + 1)


def test_levels_in_16_ml():
    assert level(0, 30000) == 0 and level(30, 30000) == 16 and level(270000, 30000) == 144000
    for count in (32767, 32768, 999999, 2**22):
        exact = count * 16000 / 30000
        assert abs(level(count, 30000) - exact) < 0.02 * exact


def test_what_is_allowed():
    # A tenth of 160 per mL and 3 sqrt(4801) / 30: 22.9 per mL.
    assert 0.97 * 366.8 <= allowed(160 * 16, 30, 10) <= 366.8
    # Nothing there: three particles in the sample.
    assert allowed(0, 30, 10) == 1


def test_enough_is_purged_and_not_much_more():
    cases = 0
    for dirty in (300, 2000, 9000, 60000):
        for clean in (20, 160, 1000):
            for purged_ul in (45000, 87000, 200000):
                before, own = power_law(dirty), power_law(clean)
                exact = exactly_ul(before, own)
                needed = settled(before, own, purged_ul).needed_ul()
                assert needed >= min(exact, 200 * LINE_UL) or purged_ul > exact, (dirty, clean, purged_ul)
                # Few particles leave the level open: then it is more.
                if clean >= 160 and purged_ul >= 87000 and exact > 0:
                    assert needed <= 2 * exact + 2000, (dirty, clean, purged_ul, needed, exact)
                cases += 1
    assert cases == 36


def test_a_step_within_bounds_needs_nothing():
    level_ = power_law(1000)
    assert settled(level_, level_, 87000).needed_ul() == 0
    # Half as dirty before: a plain purge of three line volumes does for that.
    assert settled(power_law(500), level_, 45000).needed_ul() < 45000


def test_nothing_known():
    purge = Purge()
    assert purge.needed_ul() == 0
    purge.add([100] * 6, 1000)
    assert purge.needed_ul() == 0
    purge.remember([100000] * 4, 30000)
    purge.clear(0)
    assert purge.needed_ul() == 0
