"""A slip of 48 columns."""

import os
import threading

import pytest
from command_line import assert_one_line


def test_lines_of_48_in_ascii(shop, tmp_path):
    shown = shop("slip", "--asset", 1)
    assert shown.status == 0
    assert shown.out.isascii()
    assert max(map(len, shown.out.splitlines())) == 48
    assert "Target met by 3 valid samples in a row." in shown.out
    assert "18/16/13" in shown.out and "18/16/12" in shown.out
    kept = shop("slip", "--asset", 1, "-o", "slip.txt")
    assert kept.out == "" and "Target met" in (tmp_path / "here" / "slip.txt").read_text()


def test_it_states_the_confidence_and_rounds_once(shop):
    shown = shop("slip", "--asset", 1)
    assert "confidence that every channel is at or below" in " ".join(shown.out.split())
    certified = shop("certificate", "--by", "A. Moe", "--asset", 1, "--json").json["samples"]
    for sample in certified:
        (line,) = [line for line in shown.out.splitlines() if line.startswith(sample["utc"])]
        assert line.split()[2:] == [f"{sample['water_percent']:.1f}", "%", f"{sample['temperature_c']:.1f}"]


def test_not_met(shop):
    shown = shop("slip", "--asset", 2)
    assert shown.status == 1
    assert "Target NOT met: record" in shown.out and "16/14/11" in shown.out


def test_onto_a_printer(shop):
    pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
    import tty

    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    got = bytearray()

    def take() -> None:
        while not got.endswith(b"=" * 48 + b"\r\n") or got.count(b"=" * 48) < 3:
            got.extend(os.read(ours, 4096))

    reader = threading.Thread(target=take, daemon=True)
    reader.start()
    shown = shop("slip", "--asset", 1, "--printer", os.ttyname(theirs))
    reader.join(10)
    assert shown.status == 0 and not reader.is_alive()
    assert b"Target met" in got and got.count(b"\r\n") == got.count(b"\n") > 15
    os.close(ours)
    os.close(theirs)


def test_no_printer(shop):
    assert_one_line(shop("slip", "--asset", 1, "--printer", "/dev/not-there"), "/dev/not-there", "printer")
