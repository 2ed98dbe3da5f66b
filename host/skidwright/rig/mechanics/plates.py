"""DXF files of the plates, for the shop that cuts them: outline and holes, millimetres, 1:1."""

from __future__ import annotations

import io

from skidwright.errors import RigError

from .model import Plate

OUTLINE, HOLES, WORDS = "OUTLINE", "HOLES", "WORDS"


def dxf(plate: Plate) -> str:
    """The text of a DXF file: closed outline, a circle for each hole, words on a layer of their own.

    R12, the plainest, which gives the same bytes each time.
    Raises RigError when ezdxf is not installed.
    """
    try:
        from ezdxf.addons.r12writer import R12FastStreamWriter
    except ImportError:
        raise RigError("drawing the plates needs ezdxf: pip install 'skidwright[hardware]'") from None
    text = io.StringIO()
    writer = R12FastStreamWriter(text)
    w, h = plate.width, plate.height
    writer.add_polyline_2d([(0, 0), (w, 0), (w, h), (0, h)], closed=True, layer=OUTLINE)
    for hole in plate.holes:
        writer.add_circle((hole.x, hole.y), hole.diameter / 2, layer=HOLES)
    words = f"{plate.id}, millimetres: {plate.thickness:g} mm {plate.material}, {plate.pieces} off"
    writer.add_text(words, insert=(0, -12), height=5, layer=WORDS)
    writer.close()
    return text.getvalue()
