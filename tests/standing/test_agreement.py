"""Every view says the same of the same moment; `make agree` tries 2,000 histories."""

from pathlib import Path

import agreement
import numpy as np
import pytest


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


def told(tmp_path: Path, cases) -> list[str]:
    found, spoke = [], 0
    for k, case in enumerate(cases):
        lines, views = agreement.contradictions(case, tmp_path / str(k))
        found += lines
        spoke += views
    assert spoke >= 5 * (k + 1)
    return found


def test_no_view_contradicts_another(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    assert told(tmp_path, [agreement.case_of(rng, 7_000 + k) for k in range(12)]) == []


CASE = agreement.Case(seed=3, level=2.0, target="18/16/13", water_limit=20, coldest_c=5)


ALL_WATCH = dict.fromkeys(range(4), "watch")


@pytest.mark.parametrize(
    ("place", "wrong", "view"),
    [
        ("skidwright.cli.assess_view.WORDS", ALL_WATCH, "assess in words"),
        ("skidwright.report.over_time.WORDS", ALL_WATCH, "report page"),
        ("skidwright.standing.quantity.WORDS", ALL_WATCH, "slip"),  # which reads it when it runs
        ("skidwright.report.page.stands", lambda _: [], "report page"),
        ("skidwright.cli.paper_source.stands", None, "certificate"),
        ("skidwright.cli.check_command._standing_rows", None, "check JSON"),
    ],
)
def test_a_view_that_says_otherwise_is_seen(tmp_path: Path, monkeypatch, place, wrong, view: str) -> None:
    """The wording of each view broken in turn: other words, nothing said, another moment's standing."""
    if view == "certificate":
        from skidwright.cli import paper_source

        right = paper_source.stands
        wrong = lambda *given: right(*given[:-1], given[-1] + np.timedelta64(300, "D"))  # noqa: E731
    if view == "check JSON":
        wrong = lambda _: [{"needs": "in order", "quantities": []}]  # noqa: E731
    monkeypatch.setattr(place, wrong)
    assert any(line.startswith(view) for line in told(tmp_path, [CASE]))
