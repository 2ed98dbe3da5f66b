"""The flow meter by catch and weigh."""

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from skidwright.calibration.flow import AIR_G_ML, WeighedFluid, WeighedRun, calibrate, read_runs
from skidwright.errors import CalibrationError
from uncertainties import ufloat

unit = pint.UnitRegistry()


def test_volume_of_a_pulse_by_units_and_buoyancy():
    # Archimedes: the balance, adjusted with steel of 8 g/mL, shows m (1 - 0.0012 / rho) / (1 - 0.0012 / 8).
    density = 0.861 * unit.g / unit.mL
    volume = 200 * 200 * unit.microliter
    true_mass = (volume * density).to("g").magnitude
    shown = true_mass * (1 - AIR_G_ML / 0.861) / (1 - AIR_G_ML / 8)
    result = calibrate([WeighedRun(200, shown, 48.0)] * 3, WeighedFluid(0.861))
    assert result.pulse_nl == pytest.approx(200_000, rel=1e-9)
    assert result.pulses_per_ml == pytest.approx(5)
    assert result.flows[0].flow_ul_s == pytest.approx(40_000 / 48)
    assert result.linearity == pytest.approx(0, abs=1e-12)
    # Without buoyancy the volume comes out 0.12 % too small.
    assert shown / 0.861 * 1e6 / 200 == pytest.approx(200_000 * 0.99876, rel=1e-5)


def test_uncertainty_against_the_uncertainties_package():
    runs = [
        WeighedRun(250, 43.0, 60),
        WeighedRun(252, 44.4, 60),
        WeighedRun(249, 42.1, 60),
        WeighedRun(251, 43.3, 60),
    ]
    result = calibrate(runs, WeighedFluid(0.861, 0.0008), balance_u_g=0.05)
    pulses = np.array([r.pulses for r in runs])
    values = np.array([r.mass_g for r in runs]) / 0.861 / pulses
    scatter = ufloat(1, values.std(ddof=1) / 2 / values.mean())
    balance = ufloat(1, 0.05 / 42.1)
    density = ufloat(0.861, 0.0008) / 0.861
    assert result.uncertainty.standard == pytest.approx((scatter * balance / density).std_dev, rel=1e-3)
    assert result.uncertainty.factor > 1.96


def test_stated_uncertainty_holds_the_truth():
    rng = np.random.default_rng(20261125)
    held, tried = 0, 400
    for _ in range(tried):
        true_nl, density = rng.uniform(50_000, 500_000), 0.86
        fluid, balance_g = WeighedFluid(density + rng.normal(0, 0.001), 0.001), rng.normal(0, 0.02)
        runs = []
        for _ in range(5):
            volume_nl = rng.uniform(100, 300) * true_nl * (1 + rng.normal(0, 0.003))
            edges = int(np.floor(volume_nl / true_nl + rng.uniform()))
            mass = volume_nl * 1e-6 * density * (1 - AIR_G_ML / density) / (1 - AIR_G_ML / 8)
            runs.append(WeighedRun(edges, mass + balance_g + rng.normal(0, 0.02), 60.0))
        result = calibrate(runs, fluid, 0.02)
        held += abs(result.pulse_nl / true_nl - 1) <= result.uncertainty.expanded
    print(f"figure: meter calibration: 95 % limits held the true pulse in {held} of {tried} calibrations")
    assert 0.93 <= held / tried <= 0.99


def test_runs_of_equal_pulses_still_have_broken_ones():
    # Each end lies anywhere within a pulse: together a triangle, with a standard deviation of 1/sqrt(6).
    result = calibrate([WeighedRun(50, 8.6, 60)] * 4, WeighedFluid(0.86))
    assert result.parts[0].name.startswith("broken pulses")
    assert result.uncertainty.standard == pytest.approx(stats.triang(0.5, -1, 2).std() / 50 / 2)


def test_linearity_is_seen():
    runs = [WeighedRun(200, 34.4, 60)] * 2 + [WeighedRun(300, 52.2, 60)] * 2
    result = calibrate(runs, WeighedFluid(0.86))
    assert [at.runs for at in result.flows] == [2, 2]
    low, high = (at.pulse_nl for at in result.flows)
    assert high / low == pytest.approx(52.2 / 300 / (34.4 / 200))
    assert result.linearity == pytest.approx((high / low - 1) / (high / low + 1), rel=1e-6)


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(50, 10**6), st.floats(0.05, 0.5), st.floats(1e-2, 1e5)), min_size=3, max_size=9
    )
)
def test_whatever_was_caught_the_mean_is_within_the_runs(runs):
    try:
        result = calibrate(
            [WeighedRun(pulses, pulses * grams, s) for pulses, grams, s in runs], WeighedFluid(0.9)
        )
    except CalibrationError as refused:
        assert "agree within" in str(refused)
        return
    each = [value for _, value in result.runs]
    assert min(each) * (1 - 1e-9) <= result.pulse_nl <= max(each) * (1 + 1e-9)
    assert sum(at.runs for at in result.flows) == len(runs)


@pytest.mark.parametrize(
    ("runs", "density", "said"),
    [
        ([WeighedRun(10, 1, 1)] * 2, 0.9, "three or more"),
        ([WeighedRun(0, 1, 1)] * 3, 0.9, "run 1"),
        ([WeighedRun(5, -1, 1)] * 3, 0.9, "run 1"),
        ([WeighedRun(5, 1, float("nan"))] * 3, 0.9, "run 1"),
        ([WeighedRun(5, 1, 1)] * 3, 860, "g/mL"),
        (
            [WeighedRun(1000, 86, 60), WeighedRun(1000, 43, 60), WeighedRun(1000, 172, 60)],
            0.86,
            "the wrong one",
        ),
        ([WeighedRun(1, 99999, 60)] * 3, 0.86, "wrong one"),
        ([WeighedRun(100, 99999, 60)] * 3, 0.86, "no meter of this kind"),
    ],
)
def test_what_cannot_be_is_refused(runs, density, said):
    with pytest.raises(CalibrationError, match=said):
        calibrate(runs, WeighedFluid(density))


def test_runs_from_a_file(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_text("# balance 3\nmass_g, pulses,seconds\n43.0,250,60\n\n43.2,251,60.5\n")
    assert read_runs(path) == [WeighedRun(250, 43.0, 60), WeighedRun(251, 43.2, 60.5)]
    path.write_text("pulses,mass_g,seconds\n250,43.0,60\n250.5,43,60\n")
    with pytest.raises(CalibrationError, match="row 3"):
        read_runs(path)
    path.write_text("pulses,mass\n1,2\n")
    with pytest.raises(CalibrationError, match="mass_g"):
        read_runs(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(CalibrationError, match="UTF-8"):
        read_runs(path)
