"""Figures that tests measure are printed at the end of a run, whether or not output is captured."""

import pytest

FIGURE = "figure: "


@pytest.hookimpl(trylast=True)
def pytest_terminal_summary(terminalreporter):
    lines = [
        line.strip()[len(FIGURE) :]
        for report in terminalreporter.stats.get("passed", [])
        for line in report.capstdout.splitlines()
        if line.strip().startswith(FIGURE)
    ]
    if lines:
        terminalreporter.section("figures measured")
        for line in sorted(lines):
            terminalreporter.write_line(line)
