"""Texts as the page sets them: by hand from what a reader expects, no source."""

import re

import pytest
from skidwright.report.page import typeset, typeset_brief

TIME = "until 2026-03-03T10:07:21Z, worst"


def seen(html: str) -> str:
    """What a reader sees: without tags, an unbreakable space as one."""
    return re.sub(r"<[^>]+>", "", html).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        (">=4, >=21 um(c)", "≥ 4, ≥ 21 µm(c)"),
        ("bursts 14um", "bursts 14 µm"),
        ("0 uA, 833 uL/s at 40 degC", "0 µA, 833 µL/s at 40 °C"),
        ("-1.20 to +1.01 a day", "−1.20 to +1.01 a day"),
        ("18/16/13 in 2026-03-02, -0.5", "18/16/13 in 2026-03-02, −0.5"),
        ("SHA-256 and CRC-32", "SHA-256 and CRC-32"),
        ("Then as for `air`.", "Then as for air."),
        (TIME, "until 2026-03-03 10:07:21, worst"),
        (None, "None"),
    ],
)
def test_signs_units_and_times(text: object, shown: str) -> None:
    assert seen(typeset(text)) == shown


def test_brief_times_say_that_they_are_utc() -> None:
    assert seen(typeset_brief(TIME)) == "until 2026-03-03 10:07 UTC, worst"
    assert typeset_brief(TIME).count('<time datetime="2026-03-03T10:07:21Z">') == 1


def test_nothing_from_outside_becomes_markup() -> None:
    assert typeset("<b>& `<i>`") == "&lt;b&gt;&amp; <b>&lt;i&gt;</b>"


def test_number_and_unit_stay_together() -> None:
    assert "34\N{NO-BREAK SPACE}°C" in typeset("25 % of saturation at 34 degC")
    assert "25\N{NO-BREAK SPACE}% of" in typeset("25 % of saturation at 34 degC")
