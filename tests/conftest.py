"""Figures that tests measure are printed at the end of a run, whether or not output is captured."""

import pytest
from hypothesis import settings

FIGURE = "figure: "

# No test may depend on how busy the machine is.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


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
