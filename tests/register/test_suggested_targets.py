"""Suggested targets follow the table, and the table says where each figure comes from."""

import re
from pathlib import Path

import pytest
from scipy import stats
from skidwright.errors import ConfigError
from skidwright.formulas.iso4406 import UPPER_PER_ML
from skidwright.register import AssetRecord, Component, targets

TABLE = """
[[component]]
type = "servo valve"
also = ["servo"]
rows = [
  { up_to_bar = 100, code = "16/14/11", mark = "published", source = "drawing 4711" },
  { up_to_bar = 300, code = "15/13/10", mark = "practice" },
]
[[component]]
type = "Winch  gear"
rows = [{ code = "20/15/14", mark = "memory" }]
"""


@pytest.fixture
def table(tmp_path: Path) -> targets.Table:
    path = tmp_path / "own.toml"
    path.write_text(TABLE)
    return targets.load(path)


def suggested(table: targets.Table, *parts: Component) -> targets.Suggestion:
    return targets.suggest(AssetRecord(1, components=parts), table)


def test_the_most_sensitive_decides_channel_by_channel(table) -> None:
    found = suggested(table, Component("SERVO", 90, "spool 4 um"), Component("winch gear", 5))
    assert found.needed == (16, 14, 11)
    found = suggested(table, Component("winch gear"), Component("cylinder", 200))  # 20/15/14 and 20/18/15
    assert found.needed == (20, 15, 14)
    assert found.targets == {1: (19, 14, 13), 2: (18, 13, 12)}
    assert found.unknown == ()


def test_pressure_picks_the_row(table) -> None:
    for pressure, code in ((0, (16, 14, 11)), (100, (16, 14, 11)), (100.1, (15, 13, 10)), (300, (15, 13, 10)),
                           (None, (15, 13, 10))):  # fmt: skip
        assert suggested(table, Component("servo valve", pressure)).needed == code
    found = suggested(table, Component("servo valve", 301))
    assert found.needed is None and found.targets == {} and found.unknown == ("servo valve",)
    assert "above the pressures of the table" in found.reasons[0]


def test_reasons_say_where_each_figure_comes_from(table) -> None:
    text = " | ".join(
        suggested(
            table, Component("servo", 90, "spool 4 um"), Component("servo", 200), Component("servo"),
            Component("Winch gear"), Component("servo valv", 1),
        ).reasons
    )  # fmt: skip
    assert "servo at 90 bar needs 16/14/11 (drawing 4711, published); spool 4 um" in text
    assert "(common practice, no source)" in text
    assert "Winch gear needs 20/15/14 (from memory" in text
    assert "servo at a pressure nobody entered, taken as the highest, needs 15/13/10" in text
    assert "servo valv at 1 bar: not in the table (did you mean servo valve?)" in text


def test_no_scale_number_falls_below_zero(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('[[component]]\ntype = "x"\nrows = [{ code = "5/1/0", mark = "memory" }]\n')
    assert suggested(targets.load(path), Component("x")).targets == {1: (4, 0, 0), 2: (3, 0, 0)}


def test_the_table_that_comes_along_is_sound() -> None:
    shipped = targets.load()
    assert len(shipped.rows) >= 15
    for kind, rows in shipped.rows.items():
        assert rows[-1].up_to_bar == float("inf"), kind
        for row, stricter in zip(rows, rows[1:], strict=False):
            # a higher pressure never allows more
            assert all(a >= b for a, b in zip(row.code, stricter.code, strict=True)), kind
        for row in rows:
            assert row.mark in targets.MARKS and (row.source or row.mark != "published")
    assert all(kind in shipped.rows for kind in shipped.names.values())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[componet]]\n", "only [[component]]"),  # codespell:ignore
        ("", "only [[component]]"),
        ("component = 3\n", "only [[component]]"),
        ("component = [3]\n", "unknown key"),
        ('[[component]]\ntype = "x"\n', "rows are missing"),
        ("[[component]]\nrows = [{}]\n", "type is missing"),
        ('[[component]]\ntype = "x"\nrows = [{ code = "1", mark = "memory" }]\n', "component 1, row 1: code"),
        ('[[component]]\ntype = "x"\nrows = [{ code = "18/16/13" }]\n', "mark None is not known"),
        (
            '[[component]]\ntype = "x"\nrows = [{ code = "18/16/13", mark = "published" }]\n',
            "needs its source",
        ),
        (
            '[[component]]\ntype = "x"\nrows = [{ up_to_bar = "a", code = "18/16/13", mark = "memory" }]\n',
            "in bar",
        ),
        (
            '[[component]]\ntype = "x"\nalso = 3\nrows = [{ code = "18/16/13", mark = "memory" }]\n',
            "list of names",
        ),
        ("[[component\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_in_a_table_is_named(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=re.escape(words)) as caught:
        targets.load(path)
    assert "own.toml" in str(caught.value)


@pytest.mark.parametrize("code", [(19, 17, 14), (14, 12, 9)])
def test_the_volume_to_prove_a_target_is_just_enough(code) -> None:
    volume = targets.volume_to_prove_ml(code)
    # F. Garwood's upper limit by the chi-square distribution (scipy), for a volume known exactly
    enough = []
    for number in code:
        limit = UPPER_PER_ML[number]
        for share, fits in ((1.1, True), (0.8, False)):
            expected = limit / 2 * volume * share
            high = stats.chi2.ppf(0.95, 2 * (expected + 1)) / 2 / (volume * share)
            enough.append(fits == bool(high <= limit))
    # the channel with the fewest particles decides; the others fit at the smaller volume as well
    assert enough[-2:] == [True, True] and all(enough[::2])
