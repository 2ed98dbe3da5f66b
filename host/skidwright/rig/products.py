"""Everything made from the TOML files in hardware/: pin table, docs, drawings, netlists, plates."""

from __future__ import annotations

from pathlib import Path

from skidwright.errors import RigError
from skidwright.rig import bill
from skidwright.rig.circuit import checks, kicad, stop_simulation
from skidwright.rig.circuit.as_wired import build
from skidwright.rig.circuit.simulations import joined_netlists
from skidwright.rig.circuit.stop_proof import stop_chain_tables
from skidwright.rig.drawing.circuit_sheets import circuit_sheets
from skidwright.rig.drawing.hydraulic_circuit import circuit_sheet
from skidwright.rig.drawing.prototype_board import board_layout
from skidwright.rig.drawing.schematics import SCHEMATICS, schematic
from skidwright.rig.drawing.wiring_sheet import board_sheet, wiring_sheet
from skidwright.rig.front_end import parts
from skidwright.rig.front_end.calculation import margins
from skidwright.rig.front_end.netlists import all_netlists
from skidwright.rig.mechanics import model
from skidwright.rig.mechanics.sheets import dxf, front_sheet, plates_sheet
from skidwright.rig.wiring.cable_list import cable_csv
from skidwright.rig.wiring.pin_table import documentation, firmware_pins, markdown
from skidwright.whole_file import replacing

_HERE = Path(__file__).parent


def example_rig() -> str:
    """The text of a rig.toml to start from."""
    return (_HERE / "sizing" / "example_rig.toml").read_text(encoding="utf-8")


def hardware_directory(given: Path | None = None) -> Path:
    """The directory with wiring.toml and its fellows: as given, ./hardware, or what comes with this package.

    Raises RigError when there is none.
    """
    # The wheel carries a copy of the files; a clone is read where they stand.
    shipped = [_HERE / "hardware", _HERE.parents[2] / "hardware"]
    places = [given] if given is not None else [Path("hardware"), *shipped]
    for place in places:
        if (place / "wiring.toml").is_file():
            return place
    raise RigError(
        f"{places[0]}: has no wiring.toml; give another directory, or leave --hardware out for the one that "
        "comes along"
    )


BEGIN = "<!-- made by `skidwright wiring make` from hardware/wiring.toml: begin -->"
END = "<!-- end -->"
# Netlists for KiCad: the plain box, and the one with the options that go together.
KICAD_FILES = {
    "skid.net": frozenset[str](),
    "skid_everything.net": frozenset({"rs485", "tachometer_beside_rs485"}),
}
DOCUMENT = Path("docs") / "wiring.md"
MECHANICS = Path("hardware") / "mechanics"


def products(root: Path) -> dict[Path, str]:
    """Text by path under `root` (the project's tree) of all that needs no drawing library.

    Raises RigError when a source file is wrong, or docs/wiring.md lacks the marks around its tables.
    """
    files = checks.load(root / "hardware")
    wiring, front_end, mechanics = files.wiring, files.front_end, _mechanics(root)
    tables = [
        documentation(wiring),
        stop_chain_tables(build(files.circuit, wiring.with_options(frozenset()))),
    ]
    header = ("block", "figure", "worst case", "limit", "margin")
    tables.append("\n".join(["### Margins", "", *markdown(header, margins(front_end)), ""]))
    made = {
        Path("firmware/skidboard/board/pins.py"): firmware_pins(wiring),
        Path("hardware/wiring.svg"): wiring_sheet(wiring),
        Path("hardware/board_pins.svg"): board_sheet(wiring),
        Path("hardware/hydraulic_circuit.svg"): circuit_sheet(),
        MECHANICS / "front_view.svg": front_sheet(mechanics),
        MECHANICS / "plates.svg": plates_sheet(mechanics),
        Path("docs/bill_of_materials.md"): bill.page(bill.load(root / "hardware")),
        DOCUMENT: _with_tables((root / DOCUMENT).read_text(encoding="utf-8"), "\n".join(tables)),
    }
    sheets = circuit_sheets(files.circuits[files.wiring.combinations().index(frozenset({"rs485"}))])
    made |= {Path("hardware/schematics") / name: text for name, text in sheets.items()}
    for name, taken in KICAD_FILES.items():
        circuit = files.circuits[wiring.combinations().index(taken)]
        as_taken = wiring.with_options(taken)
        made[Path("hardware") / name] = kicad.netlist(circuit, as_taken)
        drawing = name.replace("skid", "prototype_board").replace(".net", ".svg")
        made[Path("hardware") / drawing] = board_layout(circuit, as_taken)
    made[Path("hardware/skid.kicad_sym")] = kicad.symbols(wiring)
    made[Path("hardware/cable_list.csv")] = cable_csv(wiring)
    skid = build(files.circuit, wiring.with_options(frozenset()))
    spice = all_netlists(front_end) | joined_netlists(files.circuit, front_end)
    spice["joined_stop_chain.cir"] = stop_simulation.netlist(skid, front_end)
    made |= {Path("hardware/spice") / name: text for name, text in spice.items()}
    return made


def schematics(root: Path) -> dict[Path, str]:
    """SVG by path of the front-end schematics. Raises RigError when schemdraw is not installed."""
    front_end = parts.load(root / "hardware" / "front_end.toml")
    return {Path("hardware/schematics") / f"{name}.svg": schematic(front_end, name) for name in SCHEMATICS}


def plates(root: Path) -> dict[Path, str]:
    """DXF by path of the plates. Raises RigError when ezdxf is not installed."""
    return {MECHANICS / f"{plate.id}.dxf": dxf(plate) for plate in _mechanics(root).plates}


def _mechanics(root: Path) -> model.Mechanics:
    loaded = model.load(root / "hardware")
    for problem in model.problems(loaded):
        raise RigError(f"{root / 'hardware' / model.NAME}: {problem}")
    return loaded


def _with_tables(text: str, tables: str) -> str:
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise RigError(f"{DOCUMENT}: lacks the marks '{BEGIN}' and '{END}'")
    return f"{before}{BEGIN}\n\n{tables.rstrip()}\n\n{END}{after}"


def write_products(root: Path) -> list[Path]:
    """Write all products whose text has changed; the paths written."""
    written = []
    for path, text in {**products(root), **schematics(root), **plates(root)}.items():
        target = root / path
        if not target.is_file() or target.read_text(encoding="utf-8") != text:
            target.parent.mkdir(parents=True, exist_ok=True)
            with replacing(target) as part:
                part.write_text(text, encoding="utf-8")
            written.append(path)
    return written
