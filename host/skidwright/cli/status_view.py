"""A board's status in words, as rows and as the live panel of `watch`."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from skidwright.errors import Refused
from skidwright.meanings.faults import FaultMeaning, by_name

_IN_REFUSAL = re.compile(r"^reset: (?P<there>.+) is still there$|tripped \((?P<tripped>[^)]*)\)")


def _known(names: list[str]) -> list[FaultMeaning]:
    return [fault for fault in map(by_name, names) if fault is not None]


def fault_rows(state: dict[str, Any]) -> list[tuple[str, str]]:
    """For each fault that stands, what it means and what to do; after a trip also how sampling comes back."""
    standing = _known([str(name) for name in state.get("faults") or []])
    made = [(f"  {fault.name}", f"{fault.meaning} To do: {fault.remedy}") for fault in standing]
    after = after_trip(state)
    if after:
        made.append(("  to go on", after))
    return made


def after_trip(state: dict[str, Any]) -> str:
    """What the operator has to do for a tripped skid to go on; "" when it is not tripped."""
    if state.get("state") != "tripped":
        return ""
    standing = _known([str(name) for name in state.get("faults") or []])
    held = [fault for fault in standing if fault.held]
    stopping = held or [fault for fault in standing if fault.interlock]
    return stopping[0].after_trip if stopping else "`skidwright tell PORT reset`"


def with_remedy(refused: Refused) -> Refused:
    """The board's refusal of a command, with what to do about the fault that it names."""
    found = _IN_REFUSAL.search(refused.what)
    names = (found["there"] or found["tripped"]).split(", ") if found else []
    standing = _known(names)
    if not standing:
        return refused
    # What an operator has to end comes first.
    first = sorted(standing, key=lambda fault: not fault.held)[0]
    return Refused(refused.what, refused.where, first.remedy)


if TYPE_CHECKING:
    from rich.panel import Panel

    from skidwright.link.replies import Hello

LOOP_WORDS = ("ok", "uncertain (NE 43)", "failed (NE 43)")
_FAILED = 2
# Readings of a status, and the state of what they are read with: of a failed loop they say nothing.
_READINGS = {"water_cpct": "water_state", "temp_cdeg": "temp_state"}
_NAMED = {"next_seq": "next_sequence_number", "stored_seq": "stored_sequence_number"}
_BAR = 40


def _number(state: dict[str, Any], name: str) -> int:
    value = state.get(name, 0)
    return value if isinstance(value, int) else 0


def _loop(state: dict[str, Any], name: str) -> str:
    value = _number(state, name)
    return LOOP_WORDS[value] if 0 <= value < len(LOOP_WORDS) else f"state {value}"


def _reading(state: dict[str, Any], name: str, unit: str) -> str:
    """A reading with its unit, or that there is none: a broken wire would read as -25 %."""
    if _number(state, _READINGS[name]) == _FAILED:
        return "no reading"
    return f"{_number(state, name) / 100:.1f} {unit}"


def plain(state: dict[str, Any]) -> dict[str, Any]:
    """The state for programs, its fields named as in every other answer.

    None stands in place of a reading whose loop has failed.
    """
    failed = [name for name, loop in _READINGS.items() if name in state and state.get(loop) == _FAILED]
    named = {_NAMED.get(name, name): value for name, value in state.items()}
    return named | dict.fromkeys(failed)


def duration(seconds: int) -> str:
    """Seconds as "2 d 03:04:05"."""
    days, rest = divmod(max(seconds, 0), 86400)
    text = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    return f"{days} d {text}" if days else text


def rows(state: dict[str, Any], hello: Hello) -> list[tuple[str, str]]:
    """What a person wants to know first, as (name, value)."""
    faults = state.get("faults") or []
    following = _number(state, "next_sample_s")
    soon = f", next sample in {following} s" if following >= 0 else ""
    counts = state.get("counts") or []
    volume, wanted = _number(state, "volume_ul") / 1000, _number(state, "sample_volume_ul") / 1000
    water = _reading(state, "water_cpct", "% of saturation")
    water_ma = _number(state, "water_ua") / 1000
    log_full = _number(state, "log_segments"), _number(state, "log_segments_max")
    unpulled = _number(state, "next_seq") - _number(state, "stored_seq")
    made = [
        ("board", f"{hello.device}, skidboard {hello.firmware}, boot {hello.boot}"),
        ("state", f"{state.get('state', '?')}{soon}"),
        ("asset, run", f"{state.get('asset', '?')}, {state.get('run', '?')}"),
        ("faults", ", ".join(map(str, faults)) or "none"),
        *fault_rows(state),
        ("flow", f"{_ml_min(state, 'flow_ul_s')} mL/min, set {_ml_min(state, 'set_ul_s')}, "
                 f"duty {_number(state, 'duty_permille') / 10:.1f} %{_speed(state)}"),
        ("counted", f"{volume:.1f} of {wanted:.1f} mL"),
        ("counts ≥4 ≥6 ≥14 ≥21 µm(c)", "  ".join(map(str, counts[:4]))),
        ("metal ferrous, other", "  ".join(map(str, counts[4:6]))),
        ("water", f"{water}, loop {_loop(state, 'water_state')}, {water_ma:.2f} mA"),
        ("fluid", f"{_reading(state, 'temp_cdeg', '°C')}, sensor {_loop(state, 'temp_state')}"),
        ("log", f"{log_full[0]} of {log_full[1]} segments, {unpulled} "
                f"{'record' if unpulled == 1 else 'records'} not yet pulled"),
        ("running since", duration(_number(state, "uptime_ms") // 1000)),
    ]  # fmt: skip
    made += wiring_rows(state)
    made += cleanup_rows(state)
    if _number(state, "records_lost"):
        made.append(("records lost", f"{_number(state, 'records_lost')}: storage failed, see docs/faults.md"))
    return made


def line(state: dict[str, Any]) -> str:
    """The state in one line, with the time, for where `watch` has no terminal to draw on."""
    import datetime

    from skidwright.cli import output

    counts = " ".join(map(str, (state.get("counts") or [])[:4]))
    water = _reading(state, "water_cpct", "%")
    fluid = _reading(state, "temp_cdeg", "°C")
    faults = ", ".join(map(str, state.get("faults") or [])) or "no faults"
    after = after_trip(state)
    to_do = f"; to go on: {after}" if after else ""
    return (
        f"{output.iso(datetime.datetime.now(datetime.UTC))} {state.get('state', '?')} "
        f"asset {state.get('asset', '?')} flow {_ml_min(state, 'flow_ul_s')} mL/min "
        f"duty {_number(state, 'duty_permille') / 10:.1f} % counts {counts} "
        f"water {water} at {fluid}; {faults}{to_do}"
    )


def cleanup_rows(state: dict[str, Any]) -> list[tuple[str, str]]:
    """A clean-up run that goes on, or how the last one ended; nothing when there was none."""
    run = state.get("cleanup")
    if not isinstance(run, dict) or not (run.get("running") or run.get("ended")):
        return []
    if not run.get("running"):
        from skidwright.cleanup.runs import end_text

        return [("clean-up", f"asset {_number(run, 'asset')}: {end_text(_number(run, 'ended'))}")]
    text = (
        f"asset {_number(run, 'asset')} for {duration(_number(run, 'run_s'))}: {_number(run, 'in_row')} in "
        f"a row on target, {_number(run, 'valid')} of {_number(run, 'samples')} samples valid"
    )
    return [("clean-up", f"{text}, output {'on' if run.get('output') else 'off'}")]


def wiring_rows(state: dict[str, Any]) -> list[tuple[str, str]]:
    """What stands at the pins, for checking the wiring; nothing from a board that does not say."""
    edges = state.get("edges")
    if not isinstance(edges, list) or len(edges) != 7:
        return []
    inputs = _number(state, "inputs")
    words = (
        "stop chain " + ("open" if inputs & 1 else "closed"),
        "pressure switch " + ("open" if inputs & 2 else "closed"),
        "safe-mode jumper " + ("set" if inputs & 4 else "off"),
    )
    pump = f"  pump {state['tacho_edges']}" if _number(state, "tacho_edges") else ""
    return [
        ("inputs", ", ".join(words)),
        ("edges since power-up", "  ".join(map(str, edges[:6])) + f"  meter {edges[6]}{pump}"),
        (
            "temperature input",
            f"loop {_number(state, 'temp_ua') / 1000:.2f} mA, thermistor {_number(state, 'temp_ohm')} ohm",
        ),
    ]


def _speed(state: dict[str, Any]) -> str:
    """Pump speed, where a tachometer gives one."""
    rpm = _number(state, "pump_rpm")
    return f", {rpm} rpm" if rpm else ""


def _ml_min(state: dict[str, Any], name: str) -> str:
    return f"{_number(state, name) * 0.06:.1f}"


def flow_bar(flow: float, low: float, high: float) -> str:
    """Flow as a mark on a line on which the band is drawn: "····[==|==]····"."""
    top = high * 1.5 or 1
    cells = ["·"] * _BAR
    first, last = int(low / top * (_BAR - 1)), int(high / top * (_BAR - 1))
    cells[first : last + 1] = "=" * (last - first + 1)
    cells[first], cells[last] = "[", "]"
    cells[min(int(flow / top * (_BAR - 1)), _BAR - 1)] = "|"
    return "".join(cells)


def panel(state: dict[str, Any], hello: Hello, settings: dict[str, Any]) -> Panel:
    """The live picture of `watch`."""
    from rich.panel import Panel
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    low, high = _number(settings, "flow_low_ul_s"), _number(settings, "flow_high_ul_s")
    bar = flow_bar(_number(state, "flow_ul_s"), low, high)
    for name, value in rows(state, hello):
        style = "bold red" if name == "faults" and value != "none" else ""
        style = "bold" if name == "  to go on" else style
        table.add_row(Text(name, style="dim"), Text(value, style=style))
        if name == "flow":
            words = (
                "in band"
                if state.get("in_band")
                else "out of band"
                if _number(state, "set_ul_s")
                else "pump off"
            )
            table.add_row("", Text(f"{bar} {words}"))
    return Panel(table, title=f"skid at {hello.device}", subtitle="Ctrl-C ends", expand=False)
