"""A PDF of a page, printed by a browser that is on this machine anyway: nothing else renders a page as it is.

Any browser of the Chromium family will do. SKIDWRIGHT_BROWSER names one that is not found by itself.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from skidwright.errors import PaperError
from skidwright.whole_file import replacing

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge",
         "microsoft-edge", "brave-browser")  # fmt: skip
_PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
    r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
)
PAPERS = ("a4", "letter")
_WITHIN_S = 120
_QUIET = (
    "--headless", "--disable-gpu", "--no-first-run", "--no-default-browser-check", "--disable-extensions",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-quic",
    "--no-pdf-header-footer",
)  # fmt: skip


def browser() -> str:
    """The program to print with. Raises PaperError when there is none."""
    named = os.environ.get("SKIDWRIGHT_BROWSER", "")
    for name in [named] if named else [*NAMES, *_PLACES]:
        found = shutil.which(name)
        if found:
            return found
    raise PaperError(
        f"no browser {named}".rstrip() if named else "no browser to print a PDF with",
        "",
        "install Chromium, or open the HTML file and print it to PDF there",
    )


def print_page(html: str, target: Path, paper: str = "a4") -> None:
    """Print the page `html` on A4 or Letter paper to the file `target`, whole or not at all.

    Raises PaperError when there is no browser or it does not print, OSError.
    """
    program = browser()
    sized = html.replace("</head>", f"<style>@page {{ size: {paper}; }}</style></head>", 1)
    with tempfile.TemporaryDirectory(prefix="skidwright-pdf-", ignore_cleanup_errors=True) as folder:
        page, made = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(sized, "utf-8")
        command = [
            program,
            *_QUIET,
            f"--user-data-dir={folder}/profile",
            f"--print-to-pdf={made}",
            page.as_uri(),
        ]
        if sys.platform == "linux" and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # its sandbox refuses to run for root
        try:
            done = subprocess.run(command, capture_output=True, timeout=_WITHIN_S, stdin=subprocess.DEVNULL)
        except (OSError, subprocess.TimeoutExpired) as problem:
            raise PaperError(
                f"{program} did not print: {problem}", str(target), "print the HTML file by hand"
            ) from None
        if not made.is_file() or not made.read_bytes().startswith(b"%PDF"):
            said = done.stderr.decode("utf-8", "replace").strip().splitlines()
            raise PaperError(
                f"{program} did not print: {said[-1] if said else done.returncode}", str(target),
                "print the HTML file by hand",
            )  # fmt: skip
        with replacing(target) as part:
            shutil.copyfile(made, part)
