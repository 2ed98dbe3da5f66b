"""README.md shows what the demonstration gives, played here as its first lines tell a newcomer to."""

import re
from pathlib import Path

import pytest
import readme
from skidwright.cli import output

# Two virtual days: a minute of CPU, more on a busy machine.
pytestmark = [pytest.mark.slow, pytest.mark.timeout(1500)]


def test_readme_shows_the_demonstration_as_it_is(run, monkeypatch) -> None:
    monkeypatch.setattr(output, "PIPE_WIDTH", readme.WIDTH)
    answer = run("demo", "-o", "demo")
    assert answer.status == 0, answer
    assert readme.shown(answer.out) == readme.block(), "run `make readme`"
    # What its picture is said to show stands in that report, which says that it is invented.
    said = re.search("report_invented.png'.* alt='([^']+)'", readme.README.read_text("utf-8"))
    (report,) = Path("demo/reports").glob("asset_13_*.html")
    page = " ".join(report.read_text("utf-8").split())
    assert said and said[1].startswith("Invented") and "Invented data" in page
    for words in re.findall(r'"([^"]+)"', said[1]):
        assert words in page, words
    assert readme.PICTURE.read_bytes().startswith(b"\x89PNG")
