"""What `skidwright assess` shows: a ranking on one screen, or all there is to say of one asset."""

import textwrap
from collections.abc import Sequence

import numpy as np

from skidwright.cli import output
from skidwright.cli.asset_options import counted
from skidwright.judgement.attention import WORDS, Attention
from skidwright.judgement.judge import Judgement
from skidwright.judgement.told import lines
from skidwright.judgement.wording import percent
from skidwright.samples.coldest import saturation
from skidwright.trade.code_text import format_code


def rank(found: Sequence[Attention]) -> None:
    """All assets, worst first, reasons in words below each; what holds for all of them stands at the end."""
    common = _common(found)
    rows = [(str(one.asset.number), one.asset.name, one.word, _code(one), _target(one)) for one in found]
    heads = ("no.", "asset", "needs", "code", "target")
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    room = max(output.console().width, 40)
    output.say(_line(heads, widths))
    for one, row in zip(found, rows, strict=True):
        output.say(_line(row, widths))
        for reason in one.reasons:
            if reason.text not in common:
                output.say(
                    textwrap.fill(
                        reason.text,
                        room - 1,
                        initial_indent=" " * widths[0] + "   - ",
                        subsequent_indent=" " * widths[0] + "     ",
                        break_long_words=False,
                    )
                )
    output.say("")
    for text in common:
        output.say(f"All of them: {text}.")
    sums = [f"{sum(one.word == word for one in found)} {word}" for word in WORDS.values()]
    output.say(f"{counted(len(found), 'asset')}: {', '.join(sums)}.")
    output.say("`skidwright assess --asset N` says more of one.")


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    number, *others = zip(cells, widths, strict=True)
    return "  ".join([number[0].rjust(number[1]), *(cell.ljust(width) for cell, width in others)]).rstrip()


def _target(one: Attention) -> str:
    return format_code(one.asset.target) if one.asset.target else ""


def _common(found: Sequence[Attention]) -> list[str]:
    """Reasons that every asset has: they belong to the skid."""
    if len(found) < 2:
        return []
    return [
        reason.text
        for reason in found[0].reasons
        if all(any(other.text == reason.text for other in one.reasons) for one in found)
    ]


def _code(one: Attention) -> str:
    return format_code(one.judgement.target.code) if one.judgement and one.judgement.target.code else ""


def show(one: Attention) -> None:
    """Everything judged of one asset."""
    output.say(f"{one.asset.title} (asset {one.asset.number}): {one.word}")
    for reason in one.reasons:
        output.say(f"  {WORDS[reason.level]}: {reason.text}")
    judgement = one.judgement
    if judgement is None:
        return
    _show_state(judgement)
    rows = lines(judgement)
    if rows:
        output.print_table(
            ("series", ">newest", "trend", "95 %", "last change", "above usual", "limit"),
            [
                (
                    line.series,
                    line.newest,
                    line.trend,
                    line.interval.replace(" to ", ".."),
                    line.change,
                    line.alarm,
                    line.limit,
                )
                for line in rows
            ],
        )
        output.say("Trends and changes of particles are in scale numbers: one up is about twice as many.")
    for hint in judgement.hints:
        output.say(f"\nHint, no diagnosis: {hint.what}")
        output.say(f"  Seen: {hint.evidence}.")
        output.say(f"  May be: {hint.may_be}.")
        output.say(f"  Or else: {hint.else_it}.")


def _show_state(judgement: Judgement) -> None:
    state, water = judgement.target, judgement.water
    if state.code:
        text = f"Code {format_code(state.code)}, median of the newest {state.samples} valid samples"
        if judgement.asset.target:
            text += f"; target {format_code(judgement.asset.target)}: {state.state}"
        output.say(text + ".")
        if state.chances:
            chances = ", ".join(percent(chance) for chance in state.chances)
            sizes = ", ".join((">=4", ">=6", ">=14", ">=21")[: len(state.chances)])
            output.say(f"Chance of being at or below target {sizes} um(c): {chances}.")
    if np.isfinite(water.percent):
        text = f"Water {saturation(water.percent, water.percent)}"
        text += f" at {water.warm_c:.0f} degC" if np.isfinite(water.warm_c) else ""
        if np.isfinite(water.cold_percent[0]):
            text += f"; at {water.cold_c:g} degC, the coldest it gets: {saturation(*water.cold_percent)}"
        elif np.isnan(water.cold_c):
            text += ", judged there since no coldest is known"
        if np.isfinite(water.free_below_c[0]):
            text += f"; free water below {_span(water.free_below_c)} degC"
        output.say(f"{text}: {water.state}.")


def _span(values: tuple[float, float]) -> str:
    return " to ".join(dict.fromkeys(f"{value:.0f}" for value in values))
