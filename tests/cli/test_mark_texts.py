"""What `mark` says of a text that it cannot write."""

import os
import subprocess
import sys

import pytest
from skidwright.cli.status_view import rows


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("  ", ("something in it",)),
        ("two\nlines", ("one line", "line break")),
        ("bell\a", ("cannot be printed", "U+0007")),
        ("tab\there", ("U+0009",)),
        ("\udcc3\udc96l nachgef\udcc3\udcbcllt", ("encoding", "UTF-8", "PYTHONUTF8=1")),
        ("-5 L", ("goes behind --", 'mark PORT -- "-5 L"')),
    ],
)
def test_a_text_that_will_not_do(run, one_line, text: str, words: tuple[str, ...]) -> None:
    one_line(run("mark", "no-such-port", text), *words)


def test_a_text_behind_the_dashes_is_a_text(run, one_line) -> None:
    one_line(run("mark", "no-such-port", "--", "-5 L"), "no such port")


@pytest.mark.skipif(sys.platform == "win32", reason="locales of POSIX")
def test_letters_in_a_locale_that_has_none() -> None:
    """As in a plain C locale without Python's UTF-8 mode: the same bytes come as surrogates."""
    environment = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    command = [sys.executable, "-m", "skidwright.cli", "mark", "no-such-port", "Öl nachgefüllt".encode()]
    answer = subprocess.run(command, env=environment, capture_output=True)
    assert answer.returncode == 2
    assert b"set it to UTF-8" in answer.stderr and b"something in it" not in answer.stderr, answer.stderr


@pytest.mark.parametrize(("n", "words"), [(0, "0 records"), (1, "1 record not"), (2, "2 records not")])
def test_one_record_is_one_record(n: int, words: str) -> None:
    from types import SimpleNamespace
    from typing import Any

    hello: Any = SimpleNamespace(device="00", firmware="0.1.0", boot=1)
    log = dict(rows({"next_seq": 10 + n, "stored_seq": 10}, hello))["log"]
    assert words in log
