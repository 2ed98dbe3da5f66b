"""Every command has help with an example, quickly; JSON, colours and completion as promised."""

import subprocess
import sys
import time

import click
import pytest
from skidboard import VERSION
from skidwright.cli import app

HEAVY = ("numpy", "matplotlib", "rich", "serial", "jinja2", "scipy")


def every_command() -> dict[str, click.Command]:
    """All commands by their words, those of groups included."""
    parent = click.Context(app.skidwright, info_name="skidwright")
    found: dict[str, click.Command] = {}
    for name in app.COMMANDS:
        command = app.skidwright.get_command(parent, name)
        assert command is not None
        found[name] = command
        if isinstance(command, click.Group):
            found.update({f"{name} {sub}": one for sub, one in command.commands.items()})
    return found


def test_the_list_in_the_help_is_complete() -> None:
    listed = [name for names in app.GROUPS.values() for name in names]
    assert sorted(listed) == sorted(app.COMMANDS)


def test_the_list_says_of_each_command_what_its_own_help_says() -> None:
    own = {name: every_command()[name].get_short_help_str(80) for name in app.COMMANDS}
    assert {name: words for name, (_, words) in app.COMMANDS.items()} == own


@pytest.mark.parametrize("name", sorted(app.COMMANDS))
def test_help_of_every_command(run, name: str) -> None:
    answer = run(name, "--help")
    assert answer.status == 0
    command = every_command()[name]
    assert command.help and len(command.help) > 60
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help or parameter.name == "help", f"{name} {parameter.name}"


@pytest.mark.parametrize(
    "name", ["ports", "status", "watch", "pull", "install", "settings", "check", "report", "export", "demo"]
)
def test_commands_that_answer_have_json(name: str) -> None:
    flags = [flag for parameter in every_command()[name].params for flag in parameter.opts]
    assert "--json" in flags


@pytest.mark.parametrize("name", sorted(set(app.COMMANDS) - {"size", "wiring"}))
def test_help_has_an_example(run, name: str) -> None:
    assert f"skidwright {name}" in run(name, "--help").out.split("Example", 1)[1]


def test_version(run) -> None:
    assert run("--version").out == f"skidwright {VERSION}\n"


def test_help_reads_no_command_and_no_heavy_module_and_is_quick() -> None:
    modules = [f"skidwright.cli.{where.partition(':')[0]}" for where, _ in app.COMMANDS.values()]
    code = (
        "import sys; from skidwright.cli.app import run; status = run(['--help']); "
        f"read = sorted({{*{HEAVY!r}, *{modules!r}}} & set(sys.modules)); "
        "sys.exit(f'read: {read}' if read else status)"
    )
    started = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Say which samples may be believed" in done.stdout
    assert time.perf_counter() - started < 10


def test_no_colour_when_none_is_wanted(archive) -> None:
    command = [sys.executable, "-m", "skidwright.cli", "check", "--archive", str(archive)]
    for environment in ({"NO_COLOR": "1", "FORCE_COLOR": "1"}, {}):
        done = subprocess.run(command, capture_output=True, env={"PATH": "", **environment})
        assert b"\x1b[3" not in done.stdout


def test_completion_offers_commands() -> None:
    environment = {"_SKIDWRIGHT_COMPLETE": "bash_complete", "COMP_WORDS": "skidwright ch", "COMP_CWORD": "1"}
    code = "import sys; sys.argv = ['skidwright']; from skidwright.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment)
    assert done.stdout.split() == ["plain,check"], done
