"""Whatever goes wrong ends in one line that says what to do, and exit status 2."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from skidwright.archive.folder import Archive
from skidwright.cli import app
from skidwright.errors import SkidwrightError

SKIDWRIGHT = [sys.executable, "-m", "skidwright.cli"]


def test_misspelt_command_and_option(run, one_line) -> None:
    one_line(run("chek"), "did you mean check?")  # codespell:ignore
    one_line(run("check", "--achive", "x"), "--archive", "skidwright check --help")
    one_line(run("tell", "x", "jump"), "start", "stop", "reset")
    one_line(run("code", "5000", "1000", "50"), "5000", "--per-ml or --counts before the numbers")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[board]\nrest_z = 3\n", ("[board] rest_z", "did you mean rest_s?")),
        ("[board]\nrest_s = 100000\n", ("[board] rest_s", "100000", "0 to 86400")),
        ('[board]\nrest_s = "3"\n', ("[board] rest_s", "whole number")),
        ("[checks]\nzzzzzz = 3\n", ("[checks] zzzzzz", "docs/checks.md")),
        ("[counter]\ncalibrated = 2026-03-31T10:00:00\n", ("'2026-03-31 10:00:00' is no date",)),
        ('[[asset]]\nname = "x"\n', ("[asset 1] number", "is missing")),
        ('[[asset]]\nnumber = 3\nname = ""\n', ("[asset 1] name", "is empty", "leave the line out")),
        ("[bord]\n", ("bord", "did you mean board?")),  # codespell:ignore
        ("board = 3\n", ("[board]", "table")),
        ("[[asset]]\n", ("[asset 1] number", "is missing")),
        ("[[asset]]\nnumber = 0\n", ("[asset 1] number", "1 to 65535")),
        ("[[asset]]\nnumber = 3\n[[asset]]\nnumber = 3\n", ("[asset 2] number", "twice")),
        ('[[asset]]\nnumber = 3\ntarget = "18/20/13"\n', ("target", "none may exceed")),
        ('[[asset]]\nnumber = 3\nfluit = "x"\n', ("fluit", "did you mean fluid?")),
        ("[asset]\nnumber = 3\n", ("asset", "two brackets")),
        ("[counter]\nband_ml_min = [60, 40]\n", ("band_ml_min", "[lowest, highest]")),
        ('[counter]\ncalibration_due = "2026-01-01"\n', ("calibration_due", "without quotes")),
        ("[checks]\nflow_spread_percen = 3\n", ("flow_spread_percen", "flow_spread_percent?")),
        ("[checks]\nflow_spread_percent = -3\n", ("flow_spread_percent", "-3")),
        ("[board\n", ("not valid TOML", "line 1")),
        ("[board]\nflow_set_ul_s = 5000\n", ("flow_set_ul_s", "between")),
    ],
)
def test_what_is_wrong_in_skid_toml_is_named(run, one_line, archive: Path, text: str, words) -> None:
    Path("skid.toml").write_text(text)
    one_line(run("check", "--archive", archive), "skid.toml", *words)


def test_config_that_cannot_be_read(run, one_line, tmp_path: Path) -> None:
    one_line(run("check", "--config", tmp_path / "none.toml"), "none.toml", "no such file")
    one_line(run("check", "--config", tmp_path), str(tmp_path))
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    one_line(run("check", "--config", tmp_path / "bytes.toml"), "bytes.toml")


def test_ports_that_are_none(run, one_line, tmp_path: Path) -> None:
    one_line(run("status", "/dev/not-there"), "/dev/not-there", "no such port")
    (tmp_path / "file").write_text("x")
    one_line(run("status", tmp_path / "file"), "not a serial port", "skidwright ports")
    one_line(run("pull", "socket://127.0.0.1:1", "--archive", tmp_path / "a"), "socket://127.0.0.1:1")
    assert not (tmp_path / "a").exists(), "nothing is made before a board has answered"


def test_a_port_at_which_nobody_answers(run, one_line, tmp_path: Path) -> None:
    pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
    master, slave = pty.openpty()
    try:
        one_line(run("status", os.ttyname(slave)), "no skid answers", "skidwright ports")
        one_line(run("pull", os.ttyname(slave), "--archive", tmp_path / "a"), "no skid answers")
        assert not (tmp_path / "a").exists()
    finally:
        os.close(master)
        os.close(slave)


def test_pull_into_a_folder_of_something_else(run, one_line, tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "boat.jpg").write_bytes(b"x")
    one_line(run("pull", "/dev/not-there", "--archive", tmp_path / "photos"), "something else", "empty")
    assert [path.name for path in (tmp_path / "photos").iterdir()] == ["boat.jpg"]


def test_full_disk(run, one_line, archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_args: object, **_more: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    one_line(run("report", "--archive", archive), "reports/asset_1.html: No space left", "free some space")
    assert list(Path("reports").iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("arguments", [["check", "--all", "--json"], ["export", "-"], ["check"]])
def test_full_disk_behind_standard_output(archive: Path, arguments: list[str]) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*SKIDWRIGHT, *arguments, "--archive", str(archive)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "skidwright: No space left on device; free some space and run it again; "
        "what was there before is undamaged"
    ]


@pytest.mark.parametrize("arguments", [["check", "--all", "--json"], ["assess"]])
def test_a_reader_that_has_seen_enough_is_no_error_and_no_good_answer(
    archive: Path, arguments: list[str]
) -> None:
    command = [*SKIDWRIGHT, *arguments, "--archive", str(archive)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        error = process.stderr.read()
        # 1 where the answer fitted the pipe: a sample was rejected. 141 is 128 + 13, SIGPIPE in POSIX.1-2017.
        assert process.wait() in (1, 141)
    assert error == b""


def test_without_a_command_the_help_stands_as_it_is(run) -> None:
    for arguments in ([], ["wiring"]):
        answer = run(*arguments)
        shown = (answer.out + answer.err).splitlines()
        assert shown[0].startswith("Usage: skidwright")
        assert len(shown) > 8
        assert "Traceback" not in answer.err


@pytest.mark.parametrize("command", [["code", "--per-ml", "1", "1", "1"], ["check"]])
def test_closed_standard_output_stops_nothing(archive: Path, command: list[str]) -> None:
    words = [*SKIDWRIGHT, *command, *(["--archive", str(archive)] if command == ["check"] else [])]
    done = subprocess.run(["sh", "-c", '"$@" >&-', "sh", *words], stderr=subprocess.PIPE, text=True)
    assert done.returncode in (0, 1)
    assert done.stderr == ""


def test_signs_that_the_encoding_lacks_stop_nothing(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "skid.toml").write_text('[[asset]]\nnumber = 1\nname = "Größe 漢字"\n', "utf-8")
    said = {}
    for json in ([], ["--json"]):
        words = [*SKIDWRIGHT, "check", *json, "--archive", str(archive)]
        done = subprocess.run(
            [*words, "--config", str(tmp_path / "skid.toml")],
            env={**os.environ, "PYTHONIOENCODING": "ascii"},
            capture_output=True,
            text=True,
        )
        assert (done.returncode, done.stderr) == (1, "")
        said[bool(json)] = done.stdout
    assert "Gr??e ??" in said[False]
    assert "Gr\\u00f6\\u00dfe" in said[True]


def test_interrupt_is_one_line(run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(**_more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(app.skidwright, "main", stop)
    answer = run("check")
    assert answer.status == 130
    assert answer.err == "skidwright: stopped: what was finished by then is kept\n"


def test_a_fault_of_our_own_says_how_to_report_it(run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(**_more: object) -> None:
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr(app.skidwright, "main", stumble)
    answer = run("check")
    assert answer.status == 2
    (line,) = answer.err.splitlines()
    assert "ZeroDivisionError: division by zero" in line
    assert "SKIDWRIGHT_TRACEBACK=1" in line
    monkeypatch.setenv("SKIDWRIGHT_TRACEBACK", "1")
    assert "Traceback" in run("check").err


@pytest.mark.parametrize(
    "error",
    [
        SkidwrightError("torn", "here", "mend it"),
        OSError(errno.EACCES, "Permission denied", "file"),
        OSError("bare"),
        PermissionError(),
        MemoryError(),
        click.ClickException("no"),
    ],
)
def test_every_foreseen_error_is_one_line(run, one_line, monkeypatch: pytest.MonkeyPatch, error) -> None:
    def fail(**_more: object) -> None:
        raise error

    monkeypatch.setattr(app.skidwright, "main", fail)
    one_line(run("check"))


def test_a_virtual_skid_is_not_run_past_its_scenario(run, one_line) -> None:
    one_line(
        run("sim", "--scenario", "ferry", "--until", "99:00", "--exit"), "--until 99:00", "ends at 48:00"
    )


def test_a_file_that_is_not_utf_8_is_named_with_its_line(run, one_line, tmp_path: Path) -> None:
    (tmp_path / "skid.toml").write_bytes(b'note = "a"\n# gr\xfc\xdfe\n')
    one_line(run("check", "--config", tmp_path / "skid.toml"), "byte 0xfc in line 2", "UTF-8")
    (tmp_path / "case.toml").write_text('title = "x"\nplant = 3\n')
    one_line(run("sim", "--scenario", tmp_path / "case.toml", "--exit"), "plant", "see docs/scenarios.md")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_among_the_logs_is_no_log_and_hangs_nothing(tmp_path: Path) -> None:
    archive = Archive.create(tmp_path / "a")
    folder = tmp_path / "a" / ("0" * 16)
    folder.mkdir()
    os.mkfifo(folder / "22222222.skidlog")
    (folder / "11111111.skidlog").write_bytes(b"")
    assert archive.logs("0" * 16) == ["11111111"]
    assert archive.no_logs("0" * 16) == [folder / "22222222.skidlog"]


@pytest.mark.parametrize("command", ["check", "report"])
def test_a_folder_named_like_a_log_is_left_unread_and_named(
    run, good_archive: Path, tmp_path: Path, command: str
) -> None:
    (log,) = good_archive.glob("*/*.skidlog")
    strange = log.with_name("11111111.skidlog")
    more = ("--output", tmp_path / "reports") if command == "report" else ()
    before = run(command, "--archive", good_archive, *more)
    strange.mkdir()
    shown = run(command, "--archive", good_archive, *more)
    assert (shown.status, shown.out) == (before.status, before.out) and shown.status < 2
    warnings = [line for line in shown.err.splitlines() if line.startswith("warning")]
    assert len(warnings) == 1 and str(strange) in warnings[0]


def test_a_link_to_nowhere_hides_no_other_log(tmp_path: Path) -> None:
    archive = Archive.create(tmp_path / "a")
    folder = tmp_path / "a" / ("0" * 16)
    folder.mkdir()
    (folder / "11111111.skidlog").write_bytes(b"")
    try:
        (folder / "22222222.skidlog").symlink_to(tmp_path / "nowhere")
    except OSError:
        pytest.skip("no symbolic links here")
    assert archive.logs("0" * 16) == ["11111111"]


def test_an_emptied_log_falls_short(run, archive: Path) -> None:
    (log,) = archive.glob("*/*.skidlog")
    assert "60 samples" in run("check", "--archive", archive).out
    log.write_bytes(b"")
    shown = run("check", "--archive", archive)
    assert shown.status == 1 and "empty: nothing to verify" in shown.out
