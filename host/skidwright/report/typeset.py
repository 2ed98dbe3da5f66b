"""Texts of the program as a reader wants them on paper: signs, units and times, escaped for HTML."""

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markupsafe import Markup

# On text that is escaped already.
_SIGNS = (
    (r"&gt;= ?(?=\d)", "≥\N{NO-BREAK SPACE}"),
    (r"(?<=\d) ?um\b", "\N{NO-BREAK SPACE}µm"),
    (r"\bum\b", "µm"),
    (r"\bu(A|L)\b", r"µ\1"),
    (r"\bdegC\b", "°C"),
    (r"\bmm2/s\b", "mm²/s"),
    (r"(?<![\w/.:-])-(?=\d)", "\N{MINUS SIGN}"),
    (r"(?<=\d) (?=(?:%|°C|µm\(c\)|µA|µL|mL|L|s|h|Nm|bar)(?![\w%]))", "\N{NO-BREAK SPACE}"),
    (r"`([^`]+)`", r"<b>\1</b>"),
)
_TIME = r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(:\d\d)(?:\.\d+)?Z"
_DATE = r"(?<![\w-])\d{4}-\d\d-\d\d(?![\w-])"


def typeset(text: object) -> "Markup":
    """A text with its signs, units and times set, the times to the second in UTC; dates do not break."""
    return _typeset(text, r'<time datetime="\g<0>">\1 \2\3</time>')


def typeset_brief(text: object) -> "Markup":
    """The same with times to the minute, which say that they are UTC: for sentences, not for tables."""
    return _typeset(text, r'<time datetime="\g<0>">\1 \2 UTC</time>')


def _typeset(text: object, time: str) -> "Markup":
    from markupsafe import Markup, escape

    made = str(escape(text))
    for found, shown in _SIGNS:
        made = re.sub(found, shown, made)
    # A date alone first: times bring theirs in an attribute.
    made = re.sub(_DATE, r"<time>\g<0></time>", made)
    return Markup(re.sub(_TIME, time, made))
