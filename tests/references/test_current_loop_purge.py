"""Current loops against NE 43 and the board, purge against a simulated line."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from skidboard import current_loop as board_loop
from skidwright.formulas import current_loop, purge
from uncertainties import ufloat

# NAMUR NE 43 as two teaching pages give it, the recommendation itself not seen: industryhub.site ("NAMUR NE
# 43") has failure below 3.6 and above 21 mA, instrunexus.com ("Interactive guide to NAMUR NE 43") the same,
# and 3.8 and 20.5 mA as the ends of what is measured. That the limits themselves, where
# transmitters park their alarm, are failures: from memory.
NE_43 = [
    (0, "failed"), (3599, "failed"), (3600, "failed"), (3601, "uncertain"), (3799, "uncertain"), (3800, "ok"),
    (4000, "ok"), (12000, "ok"), (20500, "ok"), (20501, "uncertain"), (20999, "uncertain"),
    (21000, "failed"), (21001, "failed"),
]  # fmt: skip


def test_states_by_ne_43() -> None:
    found = current_loop.states([current for current, _ in NE_43])
    assert [current_loop.STATE_NAMES[state] for state in found] == [name for _, name in NE_43]
    assert current_loop.states(np.nan) == current_loop.FAILED


def test_host_and_board_say_the_same() -> None:
    currents = np.arange(0, 25_000)
    assert current_loop.states(currents).tolist() == [board_loop.loop_state(int(ua)) for ua in currents]


def test_reading_and_its_uncertainty() -> None:
    # by the package uncertainties: 12 mA of a 0 to 100 % loop, 12 bits over 24 mA, error within 40 uA
    step = current_loop.converter_step_ua(12, 24_000)
    assert step == pytest.approx(5.859, abs=0.001)
    current = ufloat(12_000, step / 12**0.5) + ufloat(0, 40 / 3**0.5) + ufloat(0, 3)
    wanted = (current - 4000) / 16_000 * 100
    found = current_loop.reading(12_000, 0, 100, step, 40, 3)
    assert found.value == pytest.approx(wanted.nominal_value)
    assert found.uncertainty == pytest.approx(wanted.std_dev)


def test_no_value_from_a_failed_loop() -> None:
    found = current_loop.reading([3000, 3700, 4000, 20_000, 22_000], -20, 80, error_ua=10)
    assert np.isnan(found.value[[0, 4]]).all()
    assert np.isnan(found.uncertainty[[0, 4]]).all()
    assert found.value[1:4].tolist() == [-21.875, -20, 80]


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: current_loop.reading(4000, 1, 1), "must differ"),
        (lambda: current_loop.reading(4000, 0, 1, error_ua=-1), "cannot be negative"),
        (lambda: current_loop.converter_step_ua(0, 1), "at least one bit"),
        (lambda: purge.residual(-1), "negative value"),
        (lambda: purge.mean_residual(1, 0), "above 0"),
        (lambda: purge.falsified_share(1, 0, 1), "above 0"),
        (lambda: purge.volumes_needed(1, 1, 1.0), "between 0 and 1"),
    ],
)
def test_refusals(call, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=said):
        call()


def test_residual_by_a_simulated_line() -> None:
    # Poiseuille's profile, ring by ring: speed 2 (1 - r^2) of the mean, flow through a ring 4 r (1 - r^2) dr,
    # a ring still carries old fluid while speed times volumes drawn is below one line length.
    edges = np.linspace(0, 1, 400_001)
    r = (edges[:-1] + edges[1:]) / 2
    flow = 4 * r * (1 - r**2) * np.diff(edges)
    assert flow.sum() == pytest.approx(1)
    for n in [0.2, 0.5, 0.7, 1, 2, 5, 10]:
        old = flow[2 * (1 - r**2) * n < 1].sum()
        assert purge.residual(n) == pytest.approx(old, abs=1e-5)
    assert purge.residual([1, 5, 10]).tolist() == pytest.approx([0.25, 0.01, 0.0025])


@given(st.floats(0, 20), st.floats(0.01, 20))
def test_mean_residual_is_the_integral(start: float, sample: float) -> None:
    points = [0.5] if start < 0.5 < start + sample else None
    integral = integrate.quad(lambda n: float(purge.residual(n)), start, start + sample, points=points)[0]
    assert purge.mean_residual(start, sample) == pytest.approx(integral / sample, rel=1e-6)


@given(st.floats(0, 1e6), st.floats(0.01, 1e6), st.floats(0.01, 0.5))
def test_purge_needed_is_just_enough(before: float, now: float, share: float) -> None:
    volumes = float(purge.volumes_needed(before, now, share))
    assert abs(purge.falsified_share(before, now, volumes)) <= share * (1 + 1e-9)
    if volumes > purge.PLUG_VOLUMES:
        assert abs(purge.falsified_share(before, now, volumes * 0.999)) > share


def test_purge_after_a_dirty_asset() -> None:
    # from 20,000 to 640 per mL: a step of 30 times the level; 10 % of it allowed -> sqrt(302.5) / 2 volumes
    assert purge.volumes_needed(20_000, 640) == pytest.approx(8.696, abs=0.001)
    assert purge.volumes_needed(640, 640) == 0
    assert purge.falsified_share(100, 1000, 1.0) == pytest.approx(-0.225)
