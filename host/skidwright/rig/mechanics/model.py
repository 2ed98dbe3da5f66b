"""Reads mechanics.toml, and says what in it cannot be built or contradicts the hydraulic circuit."""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skidwright.errors import RigError

from ..drawing.hydraulic_circuit import FLOW_ORDER
from ..tables import build, check_tables, read_toml, rows

NAME = "mechanics.toml"
# Upper parts carry current, not fluid.
ELECTRICAL = ("BOX", "PSU", "F7", "S1", "S2")
# Bores and edges: common practice, no source. A hole keeps its own diameter from an edge to its rim.
EDGE_DIAMETERS = 1.0
Point = tuple[float, float]


@dataclass(frozen=True)
class Frame:
    """Outer dimensions and square profile of the frame; heights of tray and of the topmost fluid part, mm."""

    width: float
    depth: float
    height: float
    profile: float
    tray_height: float
    fluid_top: float

    def cuts(self) -> dict[float, int]:
        """Pieces of profile by length (mm): four uprights, a ring at top and one at the bottom."""
        across, deep = self.width - 2 * self.profile, self.depth - 2 * self.profile
        return {self.height: 4, across: 4, deep: 4}


@dataclass(frozen=True)
class MechanicalPart:
    """A part in the front view: lower left corner, size, ports on its edge; `on`: what it is screwed into."""

    item: str
    title: str
    at: tuple[float, float]
    size: tuple[float, float]
    inlet: tuple[float, float] | tuple[()] = ()
    outlet: tuple[float, float] | tuple[()] = ()
    thread: str = ""
    on: str = ""


@dataclass(frozen=True)
class PipeRun:
    """A line from the outlet of a part to the inlet of another; mm. `main`: on the way from tap to return."""

    start: str
    end: str
    place: str
    bore: float
    length: float
    main: bool = True


@dataclass(frozen=True)
class Hole:
    """One hole: centre from the plate's lower left, diameter, what goes through."""

    x: float
    y: float
    diameter: float
    purpose: str


@dataclass(frozen=True)
class Plate:
    """A plate; `offset` is where its lower left lies in the front view, if it has a place there."""

    id: str
    item: str
    title: str
    width: float
    height: float
    thickness: float
    material: str
    holes: tuple[Hole, ...]
    offset: tuple[float, float] | tuple[()] = ()
    pieces: int = 1


@dataclass(frozen=True)
class Mechanics:
    """All of mechanics.toml."""

    frame: Frame
    parts: tuple[MechanicalPart, ...]
    lines: tuple[PipeRun, ...]
    plates: tuple[Plate, ...]

    def part(self, item: str) -> MechanicalPart:
        """The part of that name. Raises KeyError."""
        return {part.item: part for part in self.parts}[item]

    def fittings(self) -> Counter[str]:
        """Straight adaptors by thread and the line's bore, one at each end that has a port of its own."""
        ends: Counter[str] = Counter()
        shared = {port for port, count in self._ends().items() if count > 1}
        for line in self.lines:
            for port in ((line.start, "outlet"), (line.end, "inlet")):
                if port not in shared:
                    ends[f"{self.part(port[0]).thread} to tube with {line.bore:g} mm bore"] += 1
        return ends

    def screws(self) -> Counter[str]:
        """Screws that hold plates and parts, by thread; a manifold's are those of the plate behind it."""
        found: Counter[str] = Counter()
        for plate in self.plates:
            for hole in plate.holes if plate.item == "PLATE" else ():
                thread = hole.purpose.split()[-1]
                if re.fullmatch(r"M[4-8]", thread) and not hole.purpose.startswith("earth"):
                    found[thread] += 1
        return found

    def tees(self) -> int:
        """Ports that two lines share: each takes a tee with that thread and two tube ends."""
        return sum(count - 1 for count in self._ends().values())

    def _ends(self) -> Counter[tuple[str, str]]:
        starts = Counter((line.start, "outlet") for line in self.lines)
        return starts + Counter((line.end, "inlet") for line in self.lines)

    def tube_m(self) -> float:
        """Length of all lines on the skid, m."""
        return sum(line.length for line in self.lines) / 1000

    def profile_m(self) -> float:
        """Length of profile, m."""
        return sum(length * count for length, count in self.frame.cuts().items()) / 1000


def load(hardware: Path) -> Mechanics:
    """The mechanics in a hardware directory. Raises RigError naming table and key of what cannot be read."""
    path = hardware / NAME
    document = read_toml(path)
    try:
        check_tables(document, ("frame", "part", "line", "plate"))
        frame = build(Frame, document.get("frame"), "frame")
        parts = tuple(
            build(MechanicalPart, row, f"part {i}") for i, row in enumerate(rows(document, "part"), 1)
        )
        lines = tuple(_line(row, f"line {i}") for i, row in enumerate(rows(document, "line"), 1))
        plates = tuple(_plate(row, f"plate {i}") for i, row in enumerate(rows(document, "plate"), 1))
        return Mechanics(frame, parts, lines, plates)
    except RigError as problem:
        raise RigError(f"{path}: {problem}") from None


def _line(row: Any, where: str) -> PipeRun:
    names = {"from": "start", "to": "end"}
    return build(PipeRun, {names.get(key, key): value for key, value in dict(row).items()}, where)


def _plate(row: Any, where: str) -> Plate:
    holes = []
    for group in row.get("holes", []):
        try:
            holes += [Hole(x, y, float(group["diameter"]), str(group["for"])) for x, y in group["at"]]
        except (KeyError, TypeError, ValueError):
            raise RigError(f"{where}: a hole takes for, diameter and at = [[x, y], ...]") from None
    return build(Plate, {**row, "holes": holes}, where)


def problems(m: Mechanics) -> list[str]:
    """What cannot be built, or is not what the hydraulic circuit says; a line each."""
    return [*_places(m), *_order(m), *_lines(m), *_holes(m)]


def _box(part: MechanicalPart) -> tuple[float, float, float, float]:
    (x, y), (w, h) = part.at, part.size
    return x, y, x + w, y + h


def _places(m: Mechanics) -> list[str]:
    told, frame = [], m.frame
    for item, count in Counter(part.item for part in m.parts).items():
        if count > 1:
            told.append(f"{item}: stands twice")
    inside = (frame.profile, frame.tray_height, frame.width - frame.profile, frame.height - frame.profile)
    for part in m.parts:
        left, bottom, right, top = _box(part)
        if left < inside[0] or bottom < inside[1] or right > inside[2] or top > inside[3]:
            told.append(f"{part.item}: reaches out of the frame's opening, or into the tray")
        if part.item in ELECTRICAL and bottom < frame.fluid_top:
            told.append(f"{part.item}: electrical, and lower than {frame.fluid_top:g} mm where fluid may be")
        if part.item not in ELECTRICAL and top > frame.fluid_top:
            told.append(f"{part.item}: carries fluid, and reaches above {frame.fluid_top:g} mm")
        for port in (part.inlet, part.outlet):
            if port and not (
                (port[0] in (left, right) and bottom <= port[1] <= top)
                or (port[1] in (bottom, top) and left <= port[0] <= right)
            ):
                told.append(f"{part.item}: its port {port} does not lie on its edge")
    for one, other in itertools.combinations(m.parts, 2):
        a, b = _box(one), _box(other)
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]:
            told.append(f"{one.item} and {other.item} stand in the same place")
    counter = m.part("OPC")
    if not (counter.inlet and counter.outlet and counter.inlet[1] < counter.outlet[1]):
        told.append("OPC: flow must go upwards through it, so that bubbles leave")
    return told


def order(m: Mechanics) -> list[str]:
    """Items along the main way from the sampling valve to the return valve, as the lines have it."""
    follows = {line.start: line.end for line in m.lines if line.main}
    here, found = "SV", ["SV"]
    while here in follows and len(found) <= len(m.lines) + 1:
        here = follows[here]
        found.append(here)
    return found


def _order(m: Mechanics) -> list[str]:
    """The lines go through the parts in the order of the circuit; what screws into a block comes with it."""
    on = {part.item: part.on for part in m.parts if part.on}
    at = {line.end: line.start for line in m.lines if not line.main}
    wanted: list[str] = []
    for item in FLOW_ORDER:
        place = on.get(item) or (at.get(item) if item not in order(m) else None) or item
        if not wanted or wanted[-1] != place:
            wanted.append(place)
    found = order(m)
    told = [f"{item}: in the circuit, but it has no place" for item in FLOW_ORDER if item not in _names(m)]
    if found != wanted:
        told.append(f"the lines go {' '.join(found)}, the circuit goes {' '.join(wanted)}")
    return told


def _names(m: Mechanics) -> set[str]:
    return {part.item for part in m.parts}


def _lines(m: Mechanics) -> list[str]:
    told = []
    for line in m.lines:
        name = f"line {line.start} to {line.end}"
        if line.start not in _names(m) or line.end not in _names(m):
            told.append(f"{name}: there is no such part")
            continue
        start, end = m.part(line.start).outlet, m.part(line.end).inlet
        if not start or not end:
            told.append(f"{name}: a port is missing")
            continue
        direct = math.dist(start, end)
        if not direct <= line.length <= 2.5 * direct + 30:
            told.append(f"{name}: {line.length:g} mm for ports that lie {direct:.0f} mm apart")
    return told


def _holes(m: Mechanics) -> list[str]:
    told = []
    for plate in m.plates:
        for hole in plate.holes:
            rim = min(hole.x, hole.y, plate.width - hole.x, plate.height - hole.y) - hole.diameter / 2
            if rim < min(EDGE_DIAMETERS * hole.diameter, 5.0):
                told.append(
                    f"{plate.id}: hole for {hole.purpose} at {hole.x:g}, {hole.y:g} is too near an edge"
                )
        for one, other in itertools.combinations(plate.holes, 2):
            if math.dist((one.x, one.y), (other.x, other.y)) < one.diameter / 2 + other.diameter / 2 + 4:
                told.append(f"{plate.id}: holes for {one.purpose} and {other.purpose} run into each other")
        if not plate.offset:
            continue
        behind = {part.item: _box(part) for part in m.parts}
        for hole in plate.holes:
            name = hole.purpose.replace(",", " ").split()[0]
            x, y = hole.x + plate.offset[0], hole.y + plate.offset[1]
            if name in behind:
                box = behind[name]
                if not (box[0] <= x <= box[2] and box[1] <= y <= box[3]):
                    told.append(
                        f"{plate.id}: hole for {hole.purpose} at {hole.x:g}, {hole.y:g} is not behind {name}"
                    )
        drilled = {hole.purpose.replace(",", " ").split()[0] for hole in plate.holes}
        for part in m.parts:
            left, bottom, right, top = _box(part)
            inside = (
                plate.offset[0] <= left
                and right <= plate.offset[0] + plate.width
                and plate.offset[1] <= bottom
                and top <= plate.offset[1] + plate.height
            )
            if inside and not part.on and part.item not in drilled:
                told.append(f"{plate.id}: no hole for {part.item}")
    return told
