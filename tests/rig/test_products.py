"""What is made from the wiring is current and says what the wiring says; the parts list fits it."""

from __future__ import annotations

import html
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from skidwright.errors import RigError
from skidwright.rig import bill, products
from skidwright.rig.circuit.checks import load
from skidwright.rig.drawing.hydraulic_circuit import ITEMS
from skidwright.rig.front_end import parts

ROOT = Path(__file__).parents[2]
FILES = load(ROOT / "hardware")
WIRING = FILES.wiring
PARTS = parts.load(ROOT / "hardware" / "front_end.toml")
MADE = products.products(ROOT)
DRAWINGS = sorted((ROOT / "hardware").rglob("*.svg"))


@pytest.mark.parametrize("path", MADE, ids=str)
def test_a_product_on_file_is_current(path):
    assert (ROOT / path).read_text(encoding="utf-8") == MADE[path], "run `skidwright wiring make`"


def test_the_firmware_imports_what_the_wiring_says():
    from skidboard.board import pins

    by_name = {s.name: s for s in WIRING.signals}
    assert by_name["pump"].gpio == pins.PUMP_PIN
    assert tuple(by_name[f"selector_{i}"].gpio for i in range(1, 9)) == pins.SELECTOR_PINS
    assert by_name["water_loop"].gpio == pins.WATER_LOOP_PIN
    assert (by_name["stop_chain"].active == "high") == bool(pins.STOP_CHAIN_ACTIVE)
    # MicroPython on the board reads every constant the board file uses.
    board = (ROOT / "firmware/skidboard/board/pico.py").read_text(encoding="utf-8")
    used = set(re.findall(r"pins\.([A-Z][A-Z0-9_]*)", board))
    assert used and used <= set(vars(pins))


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda p: p.name)
def test_a_drawing_is_well_formed_and_has_a_title(path):
    root = ET.parse(path).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.find("{http://www.w3.org/2000/svg}title").text.strip()
    texts = [t for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert len(texts) > 5


def _words(path):
    return "\n".join("".join(t.itertext()) for t in ET.parse(path).iter("{http://www.w3.org/2000/svg}text"))


def test_the_drawings_show_every_signal_and_terminal():
    wiring, board = _words(ROOT / "hardware/wiring.svg"), _words(ROOT / "hardware/board_pins.svg")
    carried = {t.carries for c in WIRING.connectors for t in c.terminals}
    for s in WIRING.signals:
        assert s.name in wiring or s.name not in carried
        assert f"GP{s.gpio}" in board
        assert s.name in board
    for c in WIRING.connectors:
        assert f"{c.id}  {c.title}" in wiring


def test_schematics_show_the_computed_values():
    pytest.importorskip("schemdraw", reason="schemdraw is not installed (pip install schemdraw)")
    made = products.schematics(ROOT)
    assert {p.name for p in made} == {
        p.name for p in (ROOT / "hardware/schematics").glob("*.svg") if not p.name.startswith("circuit_")
    }
    for path, text in made.items():
        # Geometry may shift with the library's version; the words must be those on file.
        fresh = sorted(
            "".join(t.itertext()) for t in ET.fromstring(text).iter("{http://www.w3.org/2000/svg}text")
        )
        filed = sorted(_words(ROOT / path).split("\n"))
        assert fresh == filed, f"{path}: run `skidwright wiring make`"
    assert f"{PARTS.loop_input.shunt_ohm:g} Ω" in _words(ROOT / "hardware/schematics/loop_input.svg")


def test_the_documentation_needs_its_marks(tmp_path):
    (tmp_path / "hardware").mkdir()
    (tmp_path / "docs").mkdir()
    for name in ("wiring.toml", "front_end.toml", "circuit.toml", "mechanics.toml", "bill_of_materials.csv"):
        (tmp_path / "hardware" / name).write_text((ROOT / "hardware" / name).read_text())
    (tmp_path / "docs" / "wiring.md").write_text("# Wiring\n")
    with pytest.raises(RigError, match="lacks the marks"):
        products.products(tmp_path)


# ------------------------------------------------------------- bill of materials

ITEMS_OF_BILL = bill.load(ROOT / "hardware")
BILL = {item.item: item for item in ITEMS_OF_BILL}


def test_every_item_of_the_circuit_is_in_the_bill():
    assert [item for item, _ in ITEMS if item not in BILL] == []
    circuit = _words(ROOT / "hardware/hydraulic_circuit.svg")
    for item, _ in ITEMS:
        assert re.search(rf"^{item}\d?$", circuit, re.MULTILINE), item


def test_quantities_are_those_of_the_circuit():
    """The whole build has what the options that need most need; the smallest leaves out optional signals."""
    checked = 0
    for item in {p.item for c in FILES.circuits for p in c.parts}:
        row = BILL[item]
        if row.unit == "piece":
            most = max(sum(p.item == item for p in c.parts) for c in FILES.circuits)
        else:
            most = max(sum(any(p.item == item for p in b.parts) for b in c.blocks) for c in FILES.circuits)
        assert row.everything == most, (item, most)
        checked += 1
        optional = {s.name for s in WIRING.signals if s.optional}
        # The smallest build reads its temperature by a thermistor, not by a second loop.
        left = [b for b in FILES.circuit.blocks if b.signal not in optional - {"temp_thermistor"}]
        if row.unit == "piece":
            least = sum(p.item == item for b in left for p in b.parts)
        else:
            least = sum(any(p.item == item for p in b.parts) for b in left)
        if item not in ("I2C_R", "RPIN"):  # only with modules; one for each valve that is there
            assert row.smallest == least, (item, least)
    assert checked > 45
    assert BILL["TERMINALS"].everything == len(WIRING.connectors)
    assert BILL["TERMINALS"].smallest == sum(not c.options for c in WIRING.connectors)
    assert BILL["FUSE_HOLDER"].everything == sum(p.kind == "fuse" for p in FILES.circuit.parts)
    assert BILL["LAMPS"].everything == sum(d.kind == "lamp" for d in WIRING.devices)


def test_ratings_follow_from_the_parts():
    shunt = f"{PARTS.loop_input.shunt_ohm:g} ohm {PARTS.loop_input.shunt_tolerance_percent:g} %"
    assert shunt in BILL["LOOP_SHUNT"].rating
    assert f"{PARTS.pump_driver.fuse_a:g} A" in BILL["F1"].rating
    assert f"{PARTS.comparator.shortest_pulse_us:g} us" in BILL["OPC"].rating
    amps = next(s for s in WIRING.supplies if s.name == "v24_in").limit_ma / 1000
    assert float(re.search(r"24 V DC ([0-9.]+) A", BILL["PSU"].rating)[1]) >= amps


def test_no_figure_of_the_wiring_page_is_out_of_date():
    """Figures that docs/wiring.md quotes are those computed."""
    from skidwright.rig.front_end.calculation import calculate

    text = (ROOT / "docs/wiring.md").read_text(encoding="utf-8")
    q = {x.name: x for block in calculate(PARTS).values() for x in block}
    assert f"{q['shunt'].at_most:.1f} ohm" in text
    assert f"{q['error without calibration at 20 mA'].high / 1000:.2f} mA" in text
    assert (
        f"{q['falling threshold'].nominal / 1000:.2f} and {q['rising threshold'].nominal / 1000:.2f} V"
        in text
    )
    assert f"{q['longest cable'].low:.1f} m" in text
    assert f"on from {q['input voltage that is surely on'].high:.1f} V" in text
    assert f"off up to {q['input voltage that is surely off'].low:.1f} V" in text
    assert f"error at most {q['temperature error'].high:.1f} K" in text


def test_no_title_of_a_circuit_sheet_is_cut_off():
    """Measured on the sheets as Chromium renders them: 9.6 px a letter of a title, which begins at 20."""
    sheets = sorted((ROOT / "hardware" / "schematics").glob("circuit_*.svg"))
    assert len(sheets) > 10
    for sheet in sheets:
        text = sheet.read_text(encoding="utf-8")
        width = float(re.search(r'viewBox="0 0 ([0-9.]+) ', text).group(1))
        title = html.unescape(re.search(r"<title>(.*?)</title>", text, re.DOTALL).group(1))
        assert 20 + 9.6 * len(title) <= width, sheet.name
