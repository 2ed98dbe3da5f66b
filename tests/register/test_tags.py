"""A scanner reads our tags: zxing-cpp, an independent reader of ISO/IEC 18004 codes, on the drawn sheet."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from skidwright.register import AssetRecord, tags

zxingcpp = pytest.importorskip("zxingcpp")
SVG = "{http://www.w3.org/2000/svg}"
DOTS_A_MM = 8  # 203 dots an inch, a plain label printer


def painted(sheet: str, spoil: float = 0.0) -> np.ndarray:
    """The codes of a sheet as a printer would set them: 0 black, 255 white."""
    root = ET.fromstring(sheet)
    width, height = (float(x) for x in root.attrib["viewBox"].split()[2:])
    paper = np.full((round(height * DOTS_A_MM), round(width * DOTS_A_MM)), 255, np.uint8)
    for path in root.iter(f"{SVG}path"):
        x, y, scale = (float(n) for n in re.findall(r"-?\d+\.\d+", path.attrib["transform"]))
        for left, top, length in re.findall(r"M(\d+) (\d+)h(\d+)", path.attrib["d"]):
            ends = [x + int(left) * scale, x + (int(left) + int(length)) * scale]
            rows = [y + int(top) * scale, y + (int(top) + 1) * scale]
            (a, b), (c, d) = ([round(n * DOTS_A_MM) for n in pair] for pair in (ends, rows))
            paper[c:d, a:b] = 0
        if spoil:
            # a smear of oil over the middle of the code
            size = 40 * DOTS_A_MM
            at = round((y + 20) * DOTS_A_MM), round((x + 20) * DOTS_A_MM)
            half = round(size * spoil**0.5 / 2)
            paper[at[0] - half : at[0] + half, at[1] - half : at[1] + half] = 0
    return paper


def read(paper: np.ndarray) -> list[str]:
    return sorted(found.text for found in zxingcpp.read_barcodes(paper))


RECORDS = [
    AssetRecord(n, f"Größe {n} <&>", "bow ramp power pack, 250 L, starboard side of the engine room",
                "mineral oil", target=(19, 17, 14), water_limit_percent=50, sampling_point="valve 3")
    for n in (1, 12, 65535)
]  # fmt: skip


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_scanner_reads_every_tag(paper: str) -> None:
    (sheet,) = tags.sheets([tags.tag_of(record) for record in RECORDS], paper)
    assert read(painted(sheet)) == sorted(
        f"skidwright asset {r.number}\n{r.name}\n{r.machine}" for r in RECORDS
    )  # fmt: skip


def test_a_tag_with_a_link() -> None:
    (sheet,) = tags.sheets([tags.tag_of(RECORDS[1], "https://shop.example/asset_{number}.html")])
    assert read(painted(sheet)) == ["https://shop.example/asset_12.html"]


def test_a_smear_over_a_tenth_of_the_code_does_not_matter() -> None:
    # level Q of ISO/IEC 18004 restores about 25 % of the code words
    (sheet,) = tags.sheets([tags.tag_of(RECORDS[0], "https://shop.example/asset_{number}.html")])
    assert read(painted(sheet, spoil=0.06)) == ["https://shop.example/asset_1.html"]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_is_outside_the_paper_and_nothing_overlaps(paper: str) -> None:
    many = [tags.tag_of(AssetRecord(n)) for n in range(1, 40)]
    made = tags.sheets(many, paper)
    width, height = tags.PAPERS_MM[paper]
    boxes = 0
    for sheet in made:
        root = ET.fromstring(sheet)
        places = [
            tuple(float(r.attrib[k]) for k in ("x", "y", "width", "height")) for r in root.iter(f"{SVG}rect")
        ]
        boxes += len(places)
        for x, y, w, h in places:
            assert x >= 0 and y >= 0 and x + w <= width and y + h <= height
        for k, (x, y, w, h) in enumerate(places):
            for x2, y2, _, _ in places[:k]:
                assert abs(x - x2) >= w or abs(y - y2) >= h
    assert boxes == 39 and len(made) > 1


def test_the_page_holds_all_sheets_and_escapes_texts() -> None:
    page = tags.page([tags.tag_of(RECORDS[0])] * 30, "letter")
    assert page.count("<svg") == 3 and "<&>" not in page and "&lt;&amp;&gt;" in page
    assert "size: 215.9mm 279.4mm" in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")


def test_a_content_that_no_code_holds_is_a_value_error() -> None:
    with pytest.raises(ValueError):
        tags.sheets([tags.tag_of(RECORDS[0], "x" * 4000)])
