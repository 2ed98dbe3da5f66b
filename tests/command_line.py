"""One command line run in this process, and what it must look like when it is refused."""

import datetime
import functools
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import jsonschema
import pytest
from skidwright.cli import app, json_fields, options

JUDGED_AT = datetime.datetime(2026, 1, 2, tzinfo=datetime.UTC)


class Answer(NamedTuple):
    """What a command line gave: exit status, standard output, standard error."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output as JSON."""
        return json.loads(self.out)


Run = Callable[..., Answer]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run `skidwright ARGUMENTS` in an empty folder, without the settings of whoever runs the tests."""
    for name in [name for name in os.environ if name.startswith("SKIDWRIGHT")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    # Logs of tests begin on 2026-01-01: commands judge them a day later, or what is judged would be old.
    monkeypatch.setattr(options, "utc", lambda: JUDGED_AT)
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)

    def go(*arguments: Any) -> Answer:
        capsys.readouterr()
        status = app.run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        if "--json" in arguments and status in (0, 1):
            for text in out.splitlines() if arguments[0] == "watch" else (out,):
                assert_described(text)
        return Answer(status, out, err)

    return go


@functools.cache
def _validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(json_fields.schema(name))


def assert_described(out: str) -> dict:
    """`out` is one JSON answer with exactly the fields that docs/json.md tells of; the answer."""
    answer = json.loads(out)
    wrong = [f"{e.json_path}: {e.message[:300]}" for e in _validator(answer["format"]).iter_errors(answer)]
    assert not wrong, wrong[:5]
    return answer


def assert_one_line(answer: Answer, *words: str) -> None:
    """Exit status 2 and one line on standard error that holds all `words`; nothing of Python's in it."""
    assert answer.status == 2, answer
    lines = answer.err.strip().splitlines()
    assert len(lines) == 1, answer.err
    assert lines[0].startswith("skidwright: ")
    assert "Traceback" not in answer.err and "unexpected" not in answer.err, answer.err
    for word in words:
        assert word in lines[0], lines[0]


@pytest.fixture
def one_line() -> Callable[..., None]:
    """`assert_one_line`, see there."""
    return assert_one_line
