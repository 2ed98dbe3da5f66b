"""Settling against `fluids`, and against particles followed one by one through a tube."""

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skidwright.formulas import settling


def test_stokes_by_fluids() -> None:
    # fluids solves the balance of weight and drag for a sphere, here well within Stokes' law
    for size_um, nu in [(21, 10), (21, 46), (70, 100)]:
        theirs = fluids.v_terminal(D=size_um * 1e-6, rhop=2650, rho=870, mu=nu * 1e-6 * 870, Method="Stokes")
        assert settling.stokes_m_s(size_um, nu) == pytest.approx(theirs, rel=1e-6)
        drag = fluids.v_terminal(D=size_um * 1e-6, rhop=2650, rho=870, mu=nu * 1e-6 * 870)
        assert settling.stokes_m_s(size_um, nu) == pytest.approx(drag, rel=0.01)


@pytest.mark.parametrize("level_ul", [3_000, 15_000, 40_000])
def test_share_by_particles_followed_one_by_one(level_ul: float) -> None:
    # Poiseuille flow through a level tube of 6 mm, particles sinking 60 um/s; positions drawn with the flow
    # through them, stepped until the outlet or the wall
    bore, flow, sinks = 6e-3, 833e-9, 60e-6
    radius, rng = bore / 2, np.random.default_rng(4)
    length = level_ul * 1e-9 / (np.pi * radius**2)
    mean = flow / (np.pi * radius**2)
    r = radius * np.sqrt(1 - np.sqrt(rng.random(20_000)))  # flow within r is 1 - (1 - r^2/R^2)^2
    angle = rng.random(r.size) * 2 * np.pi
    x, y = r * np.cos(angle), r * np.sin(angle)
    along, lost = np.zeros(r.size), np.zeros(r.size, bool)
    dt = length / mean / 4000
    for _ in range(400_000):
        moving = ~lost & (along < length)
        if not moving.any():
            break
        along += np.where(moving, 2 * mean * (1 - (x**2 + y**2) / radius**2), 0) * dt
        y -= np.where(moving, sinks * dt, 0)
        lost |= moving & (x**2 + y**2 >= radius**2) & (along < length)
    share = settling.settled_share(level_ul, 6, 833, sinks)
    assert share == pytest.approx(lost.mean(), abs=0.012)


@given(st.floats(1, 1e5), st.floats(1, 50), st.floats(1, 5000), st.floats(1e-7, 1e-3))
def test_more_line_or_less_flow_never_lose_less(level: float, bore: float, flow: float, sinks: float) -> None:
    share = settling.settled_share(level, bore, flow, sinks)
    assert 0 <= share <= 1
    assert settling.settled_share(2 * level, bore, flow, sinks) >= share
    assert settling.settled_share(level, bore, flow / 2, sinks) == pytest.approx(
        float(settling.settled_share(2 * level, bore, flow, sinks))
    )


def test_ends() -> None:
    assert settling.settled_share([0, 1000, 1000], 6, [0, 0, 833], [1e-5, 1e-5, 0]).tolist() == [0, 1, 0]
    for call in (
        lambda: settling.settled_share(1000, 0, 833, 1e-5),
        lambda: settling.settled_share(-1, 6, 833, 1e-5),
        lambda: settling.stokes_m_s(21, 0),
    ):
        with pytest.raises(ValueError, match="above 0"):
            call()
