"""Frame, plates and places can be built, are to scale, and are what circuit, text and bill say."""

from __future__ import annotations

import dataclasses
import io
import re
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import ezdxf
import pytest
from ezdxf.bbox import extents
from skidwright.errors import RigError
from skidwright.rig import bill, products
from skidwright.rig.drawing.hydraulic_circuit import FLOW_ORDER, ITEMS
from skidwright.rig.mechanics import model
from skidwright.rig.mechanics.sheets import dxf
from skidwright.rig.products import example_rig
from skidwright.rig.sizing.rig_file import parse
from skidwright.rig.wiring.model import load as load_wiring

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
M = model.load(HARDWARE)
BILL = {item.item: item for item in bill.load(HARDWARE)}
WIRING = load_wiring(HARDWARE / "wiring.toml")
SVG = "{http://www.w3.org/2000/svg}"


def moved(which, **values):
    """The mechanics with one part changed."""
    parts = tuple(dataclasses.replace(p, **values) if p.item == which else p for p in M.parts)
    return dataclasses.replace(M, parts=parts)


def relined(start, **values):
    lines = tuple(dataclasses.replace(x, **values) if x.start == start else x for x in M.lines)
    return dataclasses.replace(M, lines=lines)


def drilled(plate, x, y, diameter=5.5, purpose="spare"):
    hole = model.Hole(x, y, diameter, purpose)
    plates = tuple(dataclasses.replace(p, holes=(*p.holes, hole)) if p.id == plate else p for p in M.plates)
    return dataclasses.replace(M, plates=plates)


def test_what_ships_can_be_built():
    assert model.problems(M) == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (moved("FM", at=(560.0, 300.0)), "FM: its port"),
        (moved("PG", at=(440.0, 360.0)), "OPC and PG stand in the same place|PG and OPC stand"),
        (moved("WS", at=(450.0, 500.0)), "WS: carries fluid, and reaches above"),
        (moved("BOX", at=(60.0, 500.0)), "BOX: electrical, and lower"),
        (moved("S1", at=(700.0, 720.0)), "S1: reaches out of the frame"),
        (moved("OPC", inlet=(475.0, 440.0), outlet=(475.0, 300.0)), "OPC: flow must go upwards"),
        (moved("TT", item="T2"), "TT: in the circuit, but it has no place"),
        (relined("OPC", end="TT"), "the lines go SV STR P BLOCK OPC TT"),
        (relined("STR", length=200.0), "line STR to P: 200 mm for ports that lie 250 mm apart"),
        (relined("P", end="NOTHING"), "there is no such part"),
        (drilled("fluid_plate", 3, 200), "too near an edge"),
        (drilled("fluid_plate", 80, 32), "run into each other"),
        (drilled("fluid_plate", 300, 300, purpose="OPC, M5"), "is not behind OPC"),
    ],
)
def test_what_cannot_be_built_is_said_by_name(changed, words):
    assert re.search(words, "\n".join(model.problems(changed)))


def test_making_the_drawings_refuses_a_contradiction(tmp_path, monkeypatch):
    monkeypatch.setattr(products.model, "load", lambda hardware: relined("OPC", end="TT"))
    with pytest.raises(RigError, match="the circuit goes"):
        products.plates(ROOT)


def test_a_file_that_is_wrong_is_refused_by_name(tmp_path):
    text = (HARDWARE / model.NAME).read_text(encoding="utf-8")
    for old, new, words in (
        ("profile = 40 ", "profil = 40 ", "frame: unknown key 'profil'"),
        ('from = "SV"', 'form = "SV"', "line 1: unknown key 'form'"),
        ("diameter = 9,", "diamter = 9,", "plate 1: a hole takes"),  # codespell:ignore
    ):
        assert old in text
        (tmp_path / model.NAME).write_text(text.replace(old, new, 1), encoding="utf-8")
        with pytest.raises(RigError, match=words):
            model.load(tmp_path)


# ------------------------------------------------------------- drawings and files


@pytest.mark.parametrize("plate", M.plates, ids=lambda plate: plate.id)
def test_a_dxf_has_the_outline_and_every_hole(plate):
    """The file on disk read back and audited by ezdxf, and the same as one made now."""
    path = HARDWARE / "mechanics" / f"{plate.id}.dxf"
    for document in (ezdxf.readfile(path), ezdxf.read(io.StringIO(dxf(plate)))):
        assert not document.audit().errors
        assert "millimetres" in document.modelspace().query("TEXT").first.dxf.text  # R12 has no unit
        space = document.modelspace()
        found = sorted((c.dxf.center.x, c.dxf.center.y, 2 * c.dxf.radius) for c in space.query("CIRCLE"))
        assert found == sorted((hole.x, hole.y, hole.diameter) for hole in plate.holes)
        box = extents(space.query("POLYLINE"))
        assert (box.size.x, box.size.y) == (plate.width, plate.height)
        assert [line.is_closed for line in space.query("POLYLINE")] == [True]


def _boxes(name):
    root = ET.parse(HARDWARE / "mechanics" / name).getroot()
    mm = float(root.get("width").removesuffix("mm")) / float(root.get("viewBox").split()[2])
    return root, [(float(r.get("width")) * mm, float(r.get("height")) * mm) for r in root.iter(f"{SVG}rect")]


def test_the_front_view_is_to_scale():
    root, boxes = _boxes("front_view.svg")
    assert (root.get("width"), root.get("height")) == ("420mm", "297mm")  # A3, ISO 216
    assert (M.frame.width / 5, M.frame.height / 5) in [pytest.approx(box) for box in boxes]
    for part in M.parts:
        assert any(box == pytest.approx((part.size[0] / 5, part.size[1] / 5), abs=0.01) for box in boxes)
    words = "\n".join(text.text for text in root.iter(f"{SVG}text"))
    assert "Scale 1:5" in words
    assert all(part.title in words for part in M.parts)


def test_the_plates_are_to_scale():
    root, boxes = _boxes("plates.svg")
    words = [text.text for text in root.iter(f"{SVG}text")]
    for plate in M.plates:
        i = words.index(plate.title)
        scale = float(re.search(r"scale 1:([0-9.]+)", words[i + 1])[1])
        wanted = (plate.width / scale, plate.height / scale)
        assert any(box == pytest.approx(wanted, abs=0.01) for box in boxes), plate.id


# ------------------------------------------------------------- circuit, text, sizing, wiring, bill


def _labels():
    """Where each item's name stands in the circuit's picture, the legend left out."""
    root = ET.parse(HARDWARE / "hydraulic_circuit.svg").getroot()
    places = {}
    for text in root.iter(f"{SVG}text"):
        if float(text.get("y")) < 740 and text.text:
            places.setdefault(text.text, []).append((float(text.get("x")), float(text.get("y"))))
    return places


def test_the_circuit_is_drawn_in_the_order_that_it_states():
    labels = _labels()
    out = [item for item in FLOW_ORDER if item in ("STR", "P", "RV", "PS", "BP", "OPC", "WS", "TT", "MS")]
    xs = [min(x for x, y in labels[item]) for item in out if item != "RV"]
    assert xs == sorted(xs) and len(xs) == 8
    back = [labels["FM"][0][0], labels["BPV"][0][0], min(x for x, y in labels["CV"] if y > 440)]
    assert back == sorted(back, reverse=True)
    assert {item for item, _ in ITEMS} - set(FLOW_ORDER) == {
        "SOV",
        "PRV",
        "TRV",
        "TPG",
    }  # at the machines' taps


def test_text_and_drawing_say_the_same_of_tap_and_strainer():
    page = " ".join((ROOT / "docs/sampling_point.md").read_text(encoding="utf-8").split())
    assert "halfway between wall and baffle, halfway between bottom and level" in page
    drawn = " ".join(_labels())
    assert "tapped halfway between" in drawn
    assert "wall and baffle, and between bottom and level" in drawn
    assert "500 um" in page and "500 um" in dict(ITEMS)["STR"] and "500 um" in BILL["STR"].rating


def test_lines_on_the_skid_are_part_of_the_rig_that_is_sized():
    rig = parse(tomllib.loads(example_rig()))
    for place in ("suction", "counter", "return"):
        sized = rig.lines_at(place)
        on_skid = [line for line in M.lines if line.place == place]
        assert {line.bore for line in on_skid} == {line.bore_mm for line in sized}
        main = sum(line.length for line in on_skid if line.main) / 1000
        assert 0 < main <= sum(line.length_m for line in sized), place


def test_quantities_of_the_bill_are_those_of_the_drawings():
    fittings = M.fittings()
    everything = {
        "FITTING_4": fittings["G1/4 to tube with 4 mm bore"],
        "FITTING_6": fittings["G1/4 to tube with 6 mm bore"],
        "TEE": M.tees(),
        "BLOCK": 1,
        "PLATE": sum(plate.pieces for plate in M.plates if plate.item == "PLATE"),
        "MANIFOLD": sum(plate.pieces for plate in M.plates if plate.item == "MANIFOLD"),
        "JOINT": 2 * 8,  # two at each corner of the two rings
        "FOOT": 4,
        "GLAND": len(WIRING.connectors),
    } | {f"FIX_{thread}": count for thread, count in M.screws().items()}
    assert {item: BILL[item].everything for item in everything} == everything
    assert BILL["FRAME"].smallest >= M.profile_m() * 1.02  # saw cuts
    assert BILL["LINES"].smallest >= M.tube_m() + 2 * 3  # and three metres to and from a machine
    # Without the metal sensor its two ends of line are one line.
    assert BILL["FITTING_6"].recommended == everything["FITTING_6"] - 2
    glands = sum(hole.purpose.startswith("gland") for hole in _plate("gland_plate").holes)
    assert glands == len(WIRING.connectors) + 1


def _plate(name):
    return next(plate for plate in M.plates if plate.id == name)


def test_items_at_each_machine_follow_from_the_number_of_machines():
    """One, three, eight machines; none, two, eight of them under pressure, as `bill` says of its builds."""
    selectors = sum(s.name.startswith("selector_") for s in WIRING.signals)
    for build, machines, pressurised in (("smallest", 1, 0), ("recommended", 3, 2), ("everything", 8, 8)):
        assert BILL["SOV"].quantity(build) == machines
        assert BILL["CV"].quantity(build) == machines + 1  # and one in the return
        for item in ("PRV", "TRV", "TPG"):
            assert BILL[item].quantity(build) == pressurised, (item, build)
        # As in the circuit: SOV to CV; under pressure SOV, PRV, tee of TRV, tee of TPG, with CV screwed in.
        assert BILL["TAP_NIPPLE"].quantity(build) == machines - pressurised + 3 * pressurised
        assert BILL["TAP_TEE"].quantity(build) == 2 * pressurised
        # A hose from each tap and one back, and one from each relief valve to the reservoir: two ends each.
        assert BILL["HOSE_END"].quantity(build) == 4 * machines + 2 * pressurised
        assert BILL["SV"].quantity(build) == BILL["RSV"].quantity(build) == (machines if machines > 1 else 0)
    valves = sum(hole.purpose.startswith("valve") for hole in _plate("manifold").holes)
    assert valves == selectors == BILL["SV"].everything
    for item in ("STR", "TT", "P", "RV", "PG", "PS", "BP", "OPC", "WS", "FM", "BPV"):
        assert {BILL[item].quantity(build) for build in bill.BUILDS} == {1.0}, item


def test_a_manifold_fits_the_holes_behind_it():
    manifold = _plate("manifold")
    for item in ("SV", "RSV"):
        behind = sorted(h.y for h in _plate("fluid_plate").holes if h.purpose.startswith(f"{item},"))
        bars = sorted(h.x for h in manifold.holes if h.purpose.startswith("fixing"))
        part = M.part(item)
        assert part.size == (manifold.height, manifold.width)
        assert [y + _plate("fluid_plate").offset[1] - part.at[1] for y in behind] == bars
