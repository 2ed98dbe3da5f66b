"""Writes the reference pages of docs/ from the code, so that they cannot fall behind it.

Run as `python -m skidwright.generated_docs` (`make docs`). A test compares the pages with what this would
write.
"""

import io
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from skidboard import settings

from skidwright.meanings.faults import FAULTS, FaultMeaning
from skidwright.meanings.interlocks import INTERLOCKS, LATE_MS, step_ms
from skidwright.meanings.settings import GROUPS

if TYPE_CHECKING:
    from click import Command, Context

_SETTINGS_TEXT = """\
They stand under `[board]` in skid.toml ([example](skid.toml)) and reach the board with `skidwright
install` or `skidwright settings --send`. Both the host and the board refuse a name that does not exist
and a value out of range; the board then keeps what it had. A changed setting is a record in the log, and
every sample carries the CRC-32 of all settings it was taken with.

All values are whole numbers; the unit is in the name.
"""
_FAULTS_TEXT = """\
The board records when a fault is raised and when it clears, and every sample carries the faults that were
present while it was counted. Some stop the pump (a trip); of these some are held until an operator has
found the cause and given `skidwright tell PORT reset`. After that the skid is in standby and starts only
when told to: `skidwright tell PORT start`.

**No interlock on this page is safety-rated.** They are software on one small board, without a performance
level (ISO 13849) or a SIL (IEC 62061). They protect pump and samples. Whatever protects people (stop chain,
relief valve, pressure switch, thermostat) must be hard-wired and act without the board:
[safety.md](safety.md) lists what.
"""
_TIMES_TEXT = """\
An interlock acts at a control step: every {on:g} s with the pump on, every {off:g} s without, up to
{late:g} s later where a record is being written just then. That comes on top of the time to trip. From that
step on the pump's duty is 0 and all selector valves are closed. `make interlocks` holds the firmware to these
times, with random faults in every state that a rule watches.
"""
_COMMANDS_TEXT = """\
Every command says what it does, with examples, under `--help`. Commands that answer a question take
`--json`; its fields are in [json.md](json.md). Times are ISO 8601 in UTC. `NO_COLOR=1` switches colours off.

Exit status: 0 all good; 1 carried out, but the data fell short; 2 could not be carried out; 130 stopped
with Ctrl-C, 143 by SIGTERM, 129 by SIGHUP (a closed terminal): all three stop a pump that the command drives;
141 when the reader of its answer (`head`, say) went away before its end.

Shell completion: put `eval "$(_SKIDWRIGHT_COMPLETE=bash_source skidwright)"` into `~/.bashrc`; for zsh
`zsh_source` in `~/.zshrc`; for fish `_SKIDWRIGHT_COMPLETE=fish_source skidwright | source` in
`~/.config/fish/config.fish`.
"""
_NOTICE = "<!-- Written by `make docs` from the code; edit there. -->\n"


def settings_page() -> str:
    """docs/settings.md: every setting with unit, range, default and meaning."""
    out = io.StringIO()
    out.write(f"{_NOTICE}\n# Settings of the board\n\n")
    out.write(_SETTINGS_TEXT)
    for heading, meanings in GROUPS.items():
        rows = []
        for name, meaning in meanings.items():
            if name == settings.ASSETS:
                kind = f"up to {settings.MAX_ASSETS} numbers, 1 to {settings.MAX_ASSET_NUMBER}"
                rows.append((f"`{name}`", "", kind, str(settings.ASSETS_DEFAULT), meaning))
                continue
            if name == settings.METER_TABLE:
                kind = f"up to {settings.METER_POINTS} of [mm2/s, nL]"
                rows.append((f"`{name}`", "", kind, "[]", meaning))
                continue
            unit, low, high, default = settings.TABLE[name]
            rows.append((f"`{name}`", unit, f"{low} to {high}", str(default), meaning))
        out.write(f"\n## {heading}\n\n")
        _table(out, ("setting", "unit", "range", "default", "meaning"), rows)
    out.write(
        "\n## What must fit together\n\n"
        "- `flow_low_ul_s` < `flow_set_ul_s` < `flow_high_ul_s`\n"
        "- `duty_min_permille` < `duty_max_permille`\n"
        "- `fluid_v100_dmm2_s` < `fluid_v40_dmm2_s`, both given where there is a `meter_table`\n"
        "- `water_low_cpct` < `water_high_cpct`, `temp_low_cdeg` < `temp_high_cdeg`\n"
    )
    return out.getvalue()


def faults_page() -> str:
    """docs/faults.md: every fault with meaning, causes, remedy and reset."""
    out = io.StringIO()
    out.write(f"{_NOTICE}\n# Faults\n\n")
    out.write(_FAULTS_TEXT)
    out.write("\n## The interlocks at a glance\n\n")
    out.write(_TIMES_TEXT.format(on=step_ms(True) / 1000, off=step_ms(False) / 1000, late=LATE_MS / 1000))
    out.write("\n")
    table = []
    for rule in INTERLOCKS:
        name, *cells = rule.row()
        table.append((f"[{name}](#{name.replace(' ', '-')})", *cells))
    _table(out, ("interlock", "time to trip, as delivered", "stops the pump", "reset by"), table)
    for fault in FAULTS:
        _fault(out, fault)
    return out.getvalue()


def _fault(out: io.StringIO, fault: FaultMeaning) -> None:
    rule = fault.interlock
    does = f"{rule.does_words()[0].upper()}{rule.does_words()[1:]}" if rule else "Sampling goes on"
    out.write(f"\n## {fault.name}\n\n{fault.meaning} **{does}.**\n\n")
    out.write(f"- Usual causes: {fault.cause}\n- What to do: {fault.remedy}\n")
    if rule:
        out.write(f"- Watched: {rule.watched_words()}.\n- Time to trip: {rule.time_words()}.\n")
    out.write(f"- Reset: {fault.reset}.\n- Number: {fault.number}\n")


def checks_page() -> str:
    """docs/checks.md: every check with what it looks at, its limits and its source."""
    from skidwright.checks.document import markdown

    return markdown()


def commands_page() -> str:
    """docs/commands.md: the help of every command."""
    import click

    from skidwright.cli.app import COMMANDS, skidwright

    out = io.StringIO()
    out.write(f"{_NOTICE}\n# Commands\n\n")
    out.write(_COMMANDS_TEXT)
    _help(out, skidwright, "skidwright", None)
    for name in COMMANDS:
        parent = click.Context(skidwright, info_name="skidwright", **skidwright.context_settings)
        command = skidwright.get_command(parent, name)
        assert command is not None
        _help(out, command, name, parent)
    return out.getvalue()


def scenarios_page() -> str:
    """docs/scenarios.md: every key of a scenario file."""
    from skidwright.sim.scenario_docs import scenarios_page as page

    return page(_NOTICE)


def json_page() -> str:
    """docs/json.md: every field of every --json answer."""
    from skidwright.cli.json_fields import page

    return f"{_NOTICE}\n{page()}"


def _help(out: io.StringIO, command: "Command", name: str, parent: "Context | None") -> None:
    from click import Context, Group

    settings = {**command.context_settings, "max_content_width": 96}
    context = Context(command, info_name=name, parent=parent, terminal_width=96, **settings)
    out.write(f"\n## {context.command_path}\n\n```text\n{command.get_help(context).rstrip()}\n```\n")
    if isinstance(command, Group) and parent is not None:
        for sub in command.list_commands(context):
            below = command.get_command(context, sub)
            assert below is not None
            _help(out, below, sub, context)


def _table(out: io.StringIO, heads: Iterable[str], rows: Iterable[Iterable[str]]) -> None:
    heads = list(heads)
    out.write(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}\n")
    for row in rows:
        out.write(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |\n")


PAGES: dict[str, Callable[[], str]] = {
    "settings.md": settings_page,
    "faults.md": faults_page,
    "commands.md": commands_page,
    "checks.md": checks_page,
    "scenarios.md": scenarios_page,
    "json.md": json_page,
}


def docs_directory() -> Path:
    """docs/ of the source tree. Raises FileNotFoundError in an installed package, which has none."""
    docs = Path(__file__).resolve().parents[2] / "docs"
    if not docs.is_dir():
        raise FileNotFoundError(2, "no source tree here", str(docs))
    return docs


def main() -> None:
    """Write all pages."""
    docs = docs_directory()
    for name, page in PAGES.items():
        (docs / name).write_text(page(), "utf-8")


if __name__ == "__main__":
    main()
