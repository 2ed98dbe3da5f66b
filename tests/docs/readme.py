"""What README.md shows of the demonstration: the block of its output, and the picture of a report.

`make readme` writes both again, which takes minutes and a browser of the Chromium family;
test_readme.py plays the demonstration and holds the block and the picture's description to it.
"""

import contextlib
import io
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from skidwright.cli import app, output
from skidwright.papers.pdf import browser

HERE = Path(__file__).parents[2]
README = HERE / "README.md"
PICTURE = HERE / "docs" / "pictures" / "report_invented.png"
WIDTH = 120
_BLOCK = re.compile(r"(?<=```text\n).*?(?=```\n)", re.DOTALL)
_SIZE = "1000,1130"


def shown(printed: str) -> str:
    """What README.md shows of the demonstration's output: its first line, and what each report says."""
    lines = [line.rstrip() for line in printed.splitlines()]
    first = next(i for i, line in enumerate(lines) if line.split()[:2] == ["asset", "samples"])
    end = lines.index("", first)
    return "\n".join([lines[0], "", *lines[first:end], ""])


def block() -> str:
    """What README.md shows now."""
    found = _BLOCK.search(README.read_text("utf-8"))
    assert found, "README.md has no block of text"
    return found.group()


def photograph(report: Path) -> None:
    """The first screen of a report as a picture."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [browser(), "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
             f"--user-data-dir={profile}", f"--window-size={_SIZE}", f"--screenshot={PICTURE}",
             report.resolve().as_uri()],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip


def write(folder: Path) -> None:
    """Play the demonstration in `folder`; write block and picture."""
    output.PIPE_WIDTH = WIDTH
    text = io.StringIO()
    with contextlib.redirect_stdout(text):
        app.run(["demo", "-o", str(folder)])
    old = README.read_text("utf-8")
    README.write_text(_BLOCK.sub(lambda _: shown(text.getvalue()), old, count=1), "utf-8")
    (report,) = (folder / "reports").glob("asset_13_*.html")
    photograph(report)


if __name__ == "__main__":
    write(Path(sys.argv[1]))
