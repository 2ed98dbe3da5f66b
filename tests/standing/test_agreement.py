"""Every view says the same of the same moment; `make agree` tries 2,000 histories."""

import importlib
import sys
import tempfile
from pathlib import Path

import agreement
import hypothesis
import pytest


@pytest.fixture(autouse=True, scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory):
    home = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NO_COLOR", "1")
        patch.setenv("XDG_DATA_HOME", str(home / "data"))
        patch.setenv("XDG_CONFIG_HOME", str(home / "config"))
        yield


@hypothesis.settings(
    max_examples=12, deadline=None, derandomize=True, suppress_health_check=list(hypothesis.HealthCheck)
)
@hypothesis.given(agreement.cases())
def test_no_view_contradicts_another(case: agreement.Case) -> None:
    with tempfile.TemporaryDirectory() as folder:
        lines, spoke = agreement.contradictions(case, Path(folder))
    assert not lines and spoke


# Clean and dry, so that each of the eight views has something to say.
CASE = agreement.Case(seed=3, level=-2.0, target="18/16/13", water_limit=80)


def state(said):
    """Another state than the right one, in a row for programs or in words."""
    if isinstance(said, str):
        return said.replace(": ", ": open ", 1) if " met" not in said else said.replace(" met", " open")
    return {**said, "quantities": [{**one, "state": "open"} for one in said["quantities"]]}


def limit(said):
    if isinstance(said, str):
        return said.replace("at most ", "at most 1")
    return {**said, "quantities": [{**one, "limit": 1.0} for one in said["quantities"]]}


def needs(said):
    return {**said, "needs": "look soon"}


ROW, VERDICT, GOAL = "plain_rows.standing_row", "words.verdict", "words.goal"


@pytest.mark.parametrize(
    ("view", "words", "by", "wrong"),
    [
        ("report page", GOAL, "report.over_time", limit),
        ("report JSON", ROW, "cli.report", needs),
        ("assess in words", VERDICT, "cli.assess", limit),
        ("receive", ROW, "cli.receive", state),
        ("certificate", ROW, "cli.papers", limit),
        ("slip", VERDICT, "cli.papers", state),
        ("check JSON", ROW, "cli.check", needs),
        ("cleanup JSON", ROW, "cli.cleanup_view", state),
    ],
)
def test_a_view_that_says_otherwise_is_seen(tmp_path: Path, monkeypatch, view, words, by, wrong) -> None:
    """The wording of each view broken in turn: another state, limit or urgency, in that view alone."""
    place = f"skidwright.standing.{words}"
    module, name = place.rsplit(".", 1)
    right, broken = getattr(importlib.import_module(module), name), 0

    def says(*given):
        nonlocal broken
        if sys._getframe(1).f_globals["__name__"] != f"skidwright.{by}":
            return right(*given)
        broken += 1
        return wrong(right(*given))

    monkeypatch.setattr(place, says)
    lines, _ = agreement.contradictions(CASE, tmp_path)
    assert broken and lines and {line.split(":")[0] for line in lines} == {view}
