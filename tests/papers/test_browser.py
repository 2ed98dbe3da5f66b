"""Report and certificate in a real browser: nothing to complain of, nothing fetched, nothing cut on paper."""

import base64
import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

CHROMIUM, DRIVER, PDFTOTEXT = (shutil.which(name) for name in ("chromium", "chromedriver", "pdftotext"))
MISSING = not (CHROMIUM and DRIVER and PDFTOTEXT)
pytestmark = pytest.mark.skipif(
    MISSING and not os.environ.get("SKIDWRIGHT_REQUIRE_TOOLS"),
    reason="needs chromium, chromium-driver and poppler-utils (Debian's names)",
)
PAPERS = {"a4": (8.27, 11.69), "letter": (8.5, 11.0)}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator:
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    profile = tmp_path_factory.mktemp("profile")
    for argument in (
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
        "--disable-background-networking", "--disable-component-update", f"--user-data-dir={profile}",
        "--disable-dev-shm-usage", "--window-size=1000,1400",
    ):  # fmt: skip
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture
def pages(shop, tmp_path) -> list[Path]:
    assert shop("report", "--asset", 1, "--asset", 2).status in (0, 1)
    assert shop("certificate", "--by", "A. Moe", "--asset", 1, "-o", "c.html").status == 0
    here = tmp_path / "here"
    found = [*sorted((here / "reports").glob("*.html")), here / "c.html"]
    assert len(found) == 3
    return found


def text_of(pdf: Path, how: str) -> str:
    """The words of a PDF, by poppler's pdftotext."""
    return subprocess.run([PDFTOTEXT, how, pdf, "-"], capture_output=True, text=True, check=True).stdout


def requests_of(browser) -> list[str]:
    """Addresses that the page asked for."""
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    sent = [m["params"] for m in messages if m["method"] == "Network.requestWillBeSent"]
    # The browser's own start page asks for parts of the browser.
    return [s["request"]["url"] for s in sent if not s["documentURL"].startswith("chrome://")]


def test_no_complaint_and_no_request(browser, pages):
    for page in pages:
        browser.get_log("performance")
        browser.get(page.as_uri())
        assert browser.get_log("browser") == []
        assert requests_of(browser) == [page.as_uri()]
        wider = browser.execute_script("return document.documentElement.scrollWidth - window.innerWidth")
        assert wider <= 0, page


def test_on_a_phone_nothing_is_cut_and_all_can_be_read(browser, pages):
    phone = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    try:
        for page in pages:
            browser.get(page.as_uri())
            assert browser.execute_script("return document.documentElement.scrollWidth") == 390, page
            # Letters of a picture: at least 7 px high; all other text by its own size.
            script = """return [...document.querySelectorAll('body *')]
              .filter(e => e.innerText || e.tagName == 'text')
              .map(e => parseFloat(getComputedStyle(e).fontSize) * (e.viewportElement
                ? e.viewportElement.getScreenCTM().a : 1))
              .reduce((least, size) => Math.min(least, size), 99)"""
            assert browser.execute_script(script) >= 7, page
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("paper", PAPERS)
def test_on_paper_nothing_is_cut(browser, pages, tmp_path, paper):
    width, height = PAPERS[paper]
    for page in pages:
        browser.get(page.as_uri())
        made = browser.execute_cdp_cmd(
            "Page.printToPDF", {"paperWidth": width, "paperHeight": height, "printBackground": False}
        )
        pdf = tmp_path / "page.pdf"
        pdf.write_bytes(base64.b64decode(made["data"]))
        boxes = text_of(pdf, "-bbox")
        sizes = re.findall(r'<page width="([\d.]+)" height="([\d.]+)"', boxes)
        words = re.findall(
            r'<word xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">', boxes
        )
        assert len(words) > 100
        for wide, high in sizes:
            assert abs(float(wide) - width * 72) < 1.5 and abs(float(high) - height * 72) < 1.5
        for x_min, y_min, x_max, y_max in (tuple(map(float, word)) for word in words):
            assert x_min >= 0 and y_min >= 0 and x_max <= width * 72 and y_max <= height * 72
        # All that tables say is on the paper.
        on_paper = re.sub(r"\s+", "", text_of(pdf, "-raw"))
        script = "return [...document.querySelectorAll('td, th')].map(c => c.innerText)"
        cells = [re.sub(r"\s+", "", text) for text in browser.execute_script(script)]
        assert len(cells) > 20
        lost = [text for text in cells if text and text not in on_paper]
        assert len(lost) <= 0.02 * len(cells), lost  # a cell may go on over the page
        if page.name == "c.html":
            assert len(sizes) == 1, "a certificate is one page"


def test_pdf_by_the_commands(shop, tmp_path):
    here = tmp_path / "here"
    assert shop("report", "--asset", 1, "--pdf").status in (0, 1)
    assert (
        shop(
            "certificate", "--by", "A. Moe", "--asset", 1, "-o", "c.html", "--pdf", "--paper", "letter"
        ).status
        == 0
    )
    (report,) = (here / "reports").glob("*.pdf")
    for pdf, size in ((report, 595), (here / "c.pdf", 612)):
        text = text_of(pdf, "-layout")
        assert "18/16/12" in text and "18/16/13" in text
        boxes = text_of(pdf, "-bbox")
        (wide, _), *_ = re.findall(r'<page width="([\d.]+)" height="([\d.]+)"', boxes)
        assert abs(float(wide) - size) < 1.5


def test_without_a_browser_it_says_what_to_do(shop, monkeypatch):
    from command_line import assert_one_line

    monkeypatch.setenv("SKIDWRIGHT_BROWSER", "not-a-browser")
    assert_one_line(shop("report", "--asset", 1, "--pdf"), "not-a-browser", "print it to PDF")
