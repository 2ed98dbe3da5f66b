"""Thresholds that changed half-way: each sample is read by its own, and skid.toml changes no figure."""

import json

import numpy as np
import pytest
from scipy import stats
from skidwright.archive.kept_settings import Thresholds, keep_thresholds
from skidwright.checks import CheckLimits
from skidwright.papers import certificate
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import histories
from skidwright.standing import particles
from skidwright.standing.goals import Goals

BEFORE = {"volume_uncertainty_percent": 1.0, "sensing_volume_ml": 0.0, "loop_error_ua": 100.0}
AFTER = {"volume_uncertainty_percent": 4.0, "sensing_volume_ml": 1e-5, "loop_error_ua": 400.0}
TODAY = "\n[checks]\nvolume_uncertainty_percent = 9\nloop_error_ua = 700\n"


@pytest.fixture
def changed(log_path):
    """The log of the archive: of the newest samples 54 was taken before the change, 56 and 58 after."""
    keep_thresholds(log_path, 0, 1, Thresholds(BEFORE))
    keep_thresholds(log_path, 56, 2, Thresholds(AFTER))
    return log_path


def test_a_history_has_the_thresholds_of_each_sample_and_so_has_its_chance(changed) -> None:
    """By hand: of c per mL a counter shows c exp(-c v) (Knoll, chapter 4), and counts add up over samples.
    The chance by SciPy: P(more than n) averaged over the larger uncertainty of the volume.
    """
    wrong = CheckLimits(volume_uncertainty_percent=9, sensing_volume_ml=1.5e-5, loop_error_ua=700)
    for today in (CheckLimits(), wrong):
        story = histories([Assessment(changed, today)], [1])[1]
        rows = np.flatnonzero(np.isin(story.seq, (54, 56, 58)))
        assert story.volume_spread[rows].tolist() == [0.01, 0.04, 0.04]
        assert story.sensing_volume_ml[rows].tolist() == [0.0, 1e-5, 1e-5]
        # a limit of error is a rectangle's half width (JCGM 100:2008, 4.3.7); 16 mA are 100 %
        by_hand = np.array([100, 400, 400]) / 160 / np.sqrt(3)
        assert story.water_spread_percent[rows] == pytest.approx(by_hand, rel=0.01)
        counted = story.counted(rows).of(slice(None), slice(0, 1))
        assert particles.one_fluid(counted)
        limit = 1.03 * counted.counts.sum() / counted.volume_ml.sum()
        found = particles.chance_at_or_below(counted, [limit], Goals((18, None, None, None)))
        places = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000)
        level = limit * np.exp(-0.04 * places)
        shows = sum(30 * level * np.exp(-level * v) for v in (0.0, 1e-5, 1e-5))
        expected = stats.gamma.cdf(shows, counted.counts.sum() + 1).mean()
        assert 0.5 < expected < 0.7
        assert found.least[0] == pytest.approx(expected, abs=3e-3)


def test_skid_toml_of_today_changes_no_figure_of_several_samples(shop, changed, tmp_path) -> None:
    toml, paper = tmp_path / "here" / "skid.toml", tmp_path / "paper.html"
    first = toml.read_text()

    def said(name):
        asked = ("receive", "--asset", 1, "--fluid", "drum", "--dry-run", "--json")
        received = shop(*asked).json
        issued = shop(
            "certificate", "--asset", 1, "--by", "A. Person", "--purpose", "condition",
            "--confidence", 90, "-o", tmp_path / name,
        )  # fmt: skip
        assert issued.status == 0, issued.err
        stated, _ = certificate.read(tmp_path / name)
        pages = tmp_path / f"{name}-report"
        assert shop("report", "--asset", 1, "-o", pages).status in (0, 1)
        (text,) = (page.read_text() for page in pages.glob("*.html") if "Sizes in" in page.read_text())
        sizes = text[text.index("<h2>Sizes in the newest valid sample") :]
        return {
            "received": {k: received[k] for k in ("channels", "quantities", "samples", "reasons")},
            "paper": {k: stated[k] for k in ("samples", "confidence_at_or_below_target", "one_fluid")},
            "report": sizes[: sizes.index("</section>")],
            "slip": shop("slip", "--asset", 1).out,
        }

    before = said("paper.html")
    assert "4 % standard uncertainty of" in before["report"]
    for name, values in (("volume_uncertainty_percent", [1, 4, 4]), ("sensing_volume_ml", [0, 1e-5, 1e-5])):
        assert [line[name] for line in before["received"]["samples"]] == values
    # Counted alike, the samples after the change are less certain and reach higher: 1.96 times 4 % and 1.8 %.
    width = [line["limits_per_ml"][0][1] / line["per_ml"][0] - 1 for line in before["paper"]["samples"]]
    assert width[0] < 0.03 < 0.07 < min(width[1:])
    toml.write_text(first + "sensing_volume_ml = 1.5e-5\n" + TODAY)
    assert json.dumps(said("again.html")) == json.dumps(before)
    verified = shop("verify", paper)
    assert verified.status == 0 and "with the paper's figures" in verified.out, verified.out
