"""What is made from the wiring is current and says what the wiring says; the parts list fits it."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from skidwright.errors import RigError
from skidwright.rig import bill, products
from skidwright.rig.drawing.hydraulic_circuit import ITEMS
from skidwright.rig.drawing.skid_sketch import PLACES
from skidwright.rig.front_end import parts
from skidwright.rig.wiring.model import load

ROOT = Path(__file__).parents[2]
WIRING = load(ROOT / "hardware" / "wiring.toml")
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
    for s in WIRING.signals:
        assert s.name in wiring
        assert f"GP{s.gpio}" in board
        assert s.name in board
    for c in WIRING.connectors:
        assert f"{c.id}  {c.title}" in wiring


def test_schematics_show_the_computed_values():
    pytest.importorskip("schemdraw", reason="schemdraw is not installed (pip install schemdraw)")
    made = products.schematics(ROOT)
    assert {p.name for p in made} == {p.name for p in (ROOT / "hardware/schematics").glob("*.svg")}
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
    for name in ("wiring.toml", "front_end.toml", "circuit.toml"):
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
    assert len(PLACES) == 12


def _count(block, optional=True):
    return sum(s.block == block and (optional or not s.optional) for s in WIRING.signals)


def test_quantities_follow_from_the_wiring():
    for build, options in (("smallest", False), ("recommended", False), ("everything", True)):
        comparators = _count("comparator", options)
        for item in ("COMP", "COMP_R", "COMP_D", "COMP_C"):
            assert BILL[item].quantity(build) == comparators, (item, build)
        for item in ("OPTO", "OPTO_R", "OPTO_Z"):
            assert BILL[item].quantity(build) == _count("optocoupler"), (item, build)
        # The smallest build reads its temperature by a thermistor, not by a second loop.
        loops = _count("loop_input", optional=build != "smallest")
        for item in ("LOOP_SHUNT", "LOOP_SUPPRESSOR", "LOOP_FUSE", "LOOP_BALLAST", "LOOP_FILTER"):
            assert BILL[item].quantity(build) == loops, (item, build)
        assert BILL["CLAMP"].quantity(build) == comparators + loops, build
        assert BILL["TERMINALS"].quantity(build) == len(WIRING.connectors)
    assert BILL["RPIN"].everything == _count("driver_array") + _count("pump_driver")
    assert BILL["U2"].everything * 8 >= _count("driver_array")


def test_ratings_follow_from_the_parts():
    shunt = f"{PARTS.loop_input.shunt_ohm:g} ohm {PARTS.loop_input.shunt_tolerance_percent:g} %"
    assert shunt in BILL["LOOP_SHUNT"].rating
    assert f"{PARTS.pump_driver.fuse_a:g} A" in BILL["F1"].rating
    assert f"{PARTS.comparator.shortest_pulse_us:g} us" in BILL["OPC"].rating
    amps = next(s for s in WIRING.supplies if s.name == "v24").limit_ma / 1000
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
    assert q["temperature error"].high <= 2.05
