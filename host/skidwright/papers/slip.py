"""A slip of 48 columns in plain ASCII, for any receipt or serial printer."""

import datetime
import textwrap
from collections.abc import Iterable
from typing import Any

COLUMNS = 48


def slip(
    title: str,
    asset: int,
    samples: Iterable[dict[str, Any]],
    target: str,
    water_limit_percent: float | None,
    verdict: str,
    facts: Iterable[str],
    written: datetime.datetime,
    note: str = "",
) -> str:
    """The text, lines of at most 48 characters that end in a line feed.

    `samples` are plain values as of `claim.sample_lines`; `verdict` and `facts` are sentences;
    `note` stands on top.
    """
    lines = [
        _rule("="),
        *(_folded(note) if note else []),
        *_folded(title),
        f"asset {asset}",
        f"{written:%Y-%m-%dT%H:%M:%SZ}",
        _rule("="),
    ]
    lines += _folded(verdict)
    lines += ["", _pair("target, at most (ISO 4406)", target)]
    if water_limit_percent is not None:
        lines.append(_pair("water, at most", f"{water_limit_percent:g} %"))
    lines += [_rule("-"), f"{'sample (UTC)':20}{'ISO 4406':>11}{'water':>8}{'deg C':>9}"]
    for sample in samples:
        water, fluid = sample["water_percent"], sample["temperature_c"]
        lines.append(f"{sample['utc']:20}{sample['iso4406']:>11}{_cell(water, ' %'):>8}{_cell(fluid, ''):>9}")
    lines.append(_rule("-"))
    for fact in facts:
        lines += _folded(fact)
    lines += ["", "", "_" * 22 + "    " + "_" * 22, f"{'date':26}signature", _rule("=")]
    return "".join(line.rstrip() + "\n" for line in lines)


def send(text: str, port: str, baud: int) -> None:
    """Send a slip to the printer at a serial port. Raises PortError."""
    import serial

    from skidwright.errors import PortError

    try:
        with serial.serial_for_url(port, baud, timeout=5, write_timeout=30) as printer:
            printer.write(text.replace("\n", "\r\n").encode("ascii"))
            printer.flush()
    except (OSError, ValueError) as problem:
        said = getattr(problem, "strerror", None) or str(problem)
        raise PortError(
            f"the printer does not take it ({said})", port, "check its port, speed and paper"
        ) from None


def _cell(value: float | None, unit: str) -> str:
    # One digit, as it was rounded: to round again would make 85.46 first 85.5 and then 86.
    return "-" if value is None else f"{value:.1f}{unit}"


def _rule(character: str) -> str:
    return character * COLUMNS


def _pair(name: str, value: str) -> str:
    return f"{name}{value:>{COLUMNS - len(name)}}"


def _folded(text: str) -> list[str]:
    """The text in lines of 48, in ASCII: a receipt printer knows nothing else for certain."""
    plain = (
        text.replace("\u00b5", "u").replace("\u2013", "-").replace("\u2265", ">=").replace("\u00b0", " deg ")
    )
    ascii_only = plain.encode("ascii", "replace").decode()
    return textwrap.wrap(ascii_only, COLUMNS, break_long_words=True, break_on_hyphens=False) or [""]
