"""The page as a file: self-contained, well formed, escaped, the same for the same input, quick for a year."""

import dataclasses
import re
import time
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from skidwright.cli import check
from skidwright.report import page, pictures
from skidwright.report.model import REJECTED, ExcludedReason, Happening


class Collector(HTMLParser):
    """Gathers ids, addresses and text, and checks that tags close."""

    VOID = {"meta", "br", "link", "img", "hr", "input"}

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("src", "href", "xlink:href", "srcset", "data", "action"):
                self.links.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read(html: str) -> Collector:
    collector = Collector()
    collector.feed(html)
    assert collector.open == []
    return collector


def with_everything(data):
    when = data.samples.when[10]
    return dataclasses.replace(
        data,
        happenings=[
            Happening(when, "2026-03-02T08:30:00Z", "A", "operator mark", "<script>alert(1)</script>")
        ],
        happenings_total=1,
        reasons=[ExcludedReason("flow out of band", "counts", "rejected", 3, "t0", "t1", "m & n", "r")],
        excluded_total=3,
    )


def test_page_is_well_formed_and_asks_nothing_of_any_network(make) -> None:
    html = page.render(with_everything(make()))
    found = read(html)
    assert all(link.startswith("#") for link in found.links)
    assert len(found.ids) == len(set(found.ids))
    assert not re.search(r"@import|url\((?!#)", html)
    # addresses that remain are names of XML namespaces, which nothing fetches
    assert set(re.findall(r'https?://[^"\s<]+', html)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert "<script" not in html


def test_text_from_outside_is_escaped(make) -> None:
    data = with_everything(make())
    data = dataclasses.replace(data, asset=dataclasses.replace(data.asset, name="<b>&\"'"))
    text = "".join(read(page.render(data)).text)
    assert "<b>&\"'" in text
    assert "<script>alert(1)</script>" in text


def test_pictures_are_xml_with_text_as_text(make) -> None:
    data = with_everything(make())
    for draw in (
        pictures.code_history,
        pictures.water_and_temperature,
        pictures.flow,
        pictures.size_distribution,
    ):
        svg = draw(data)
        root = ElementTree.fromstring(svg)
        texts = [e.text for e in root.iter("{http://www.w3.org/2000/svg}text")]
        assert root.get("aria-label")
        assert any(text for text in texts), draw.__name__
    assert "scale number" in pictures.code_history(data)
    assert "mL/min" in pictures.flow(data)
    assert "% of saturation" in pictures.water_and_temperature(data)
    assert "particles per mL" in pictures.size_distribution(data)


def test_same_input_same_bytes(make) -> None:
    data = with_everything(make())
    assert page.render(data) == page.render(data)


def test_excluded_samples_are_hollow(make, change) -> None:
    data = make()
    hollow = "fill-opacity: 0; stroke: #6b6b6b"
    assert hollow not in pictures.code_history(data)
    verdict = np.zeros(60, np.uint8)
    verdict[[5, 20, 40, 55]] = REJECTED
    drawn = pictures.code_history(change(data, counts_verdict=verdict))
    assert len(re.findall(f"<use [^>]*{hollow}", drawn)) == 3 * 4  # three panels


@pytest.mark.parametrize("n", [0, 1, 2])
def test_hardly_any_samples(make, n: int) -> None:
    text = page.render(make(n=n))
    read(text)
    assert f"{n} samples, {n} valid counts, {n} valid water" in text


def test_nothing_valid_and_no_times(make, change) -> None:
    data = make()
    data = change(
        data,
        counts_verdict=np.full(60, REJECTED, np.uint8),
        water_verdict=np.full(60, REJECTED, np.uint8),
        temperature_verdict=np.full(60, REJECTED, np.uint8),
        when=np.full(60, np.datetime64("NaT"), "datetime64[ms]"),
        water_percent=np.full(60, np.nan),
        temperature_c=np.full(60, np.nan),
    )
    assert "unknown" in "".join(read(page.render(data)).text)


def test_written_whole_or_not_at_all(make, tmp_path: Path) -> None:
    target = tmp_path / "deep" / "a.html"
    page.write(make(), target)
    before = target.read_bytes()
    broken = dataclasses.replace(make(), samples=None)
    with pytest.raises(AttributeError):
        page.write(broken, target)
    assert target.read_bytes() == before
    assert [path.name for path in target.parent.iterdir()] == ["a.html"]


def test_a_year_of_minutes_is_quick_and_small(make) -> None:
    data = make(n=525_600, minutes=1)
    page.render(make())  # the first picture pays for reading matplotlib
    start = time.process_time()
    html = page.render(data)
    assert time.process_time() - start < 5
    assert len(html) < 600_000


def test_letters_too_near_stand_together(make) -> None:
    data = make()
    times = [data.samples.when[place] for place in (5, 40, 40, 41, 55)]
    happenings = [Happening(when, "", letter, "x", "y") for when, letter in zip(times, "ABCDE", strict=True)]
    svg = pictures.code_history(dataclasses.replace(data, happenings=happenings))
    texts = {element.text for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")}
    assert texts & {"A", "B, C, D", "E"} == {"A", "B, C, D", "E"}


def test_a_letter_shortly_before_the_first_sample_is_drawn_too(make) -> None:
    data = make()  # 60 samples in 885 minutes
    first = data.samples.when[0]
    for minutes, drawn in ((20, True), (120, False)):
        happening = Happening(first - np.timedelta64(minutes, "m"), "", "A", "x", "y")
        svg = pictures.code_history(dataclasses.replace(data, happenings=[happening]))
        texts = [
            element.text for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")
        ]
        assert ("A" in texts) == drawn


def test_the_picture_that_the_headline_speaks_of_comes_first(make) -> None:
    def first(text: str) -> str:
        return re.findall("<h2>(Cleanliness|Water and temperature)</h2>", text)[0]

    dirt = {"per_ml": (1800.0, 600.0, 318.0, 30.0)}
    for data, expected in (
        (make(), "Cleanliness"), (make(water=60.0), "Water and temperature"), (make(**dirt), "Cleanliness"),
        (make(water=60.0, **dirt), "Cleanliness"),
    ):  # fmt: skip
        assert first(page.render(data)) == expected


def test_each_place_says_of_what_its_limits_are(make) -> None:
    text = " ".join(page.render(make()).split())
    assert "95 % limits per mL, as counted" in text and "those of the sample as counted" in text
    assert "For the machine <code>skidwright check --all</code>" in text
    assert check.LEGEND.strip().startswith("95 % limits per mL in the machine")
    assert len(check.LEGEND) <= check.WIDTH


def test_limits_and_chances_of_the_newest_sample(make, change) -> None:
    from scipy import stats

    data = change(make(), volume_spread=np.zeros(60))
    lines = page.openness(data)
    n = data.samples.counts[-1].astype(float)
    # F. Garwood's limits by chi-square quantiles (scipy), in 30 mL
    low, high = stats.chi2.ppf(0.025, 2 * n) / 60, stats.chi2.ppf(0.975, 2 * n + 2) / 60
    assert [line.limits for line in lines] == [
        f"{a:,.4g} to {b:,.4g}" for a, b in zip(low, high, strict=True)
    ]
    assert lines[0].chances == "18 (over 99 %)"
    text = page.render(data)
    assert all(line.limits in text and line.chances in text for line in lines)
    none = change(data, counts_verdict=np.full(60, REJECTED, np.uint8))
    assert page.openness(none) == []
