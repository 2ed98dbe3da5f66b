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
        import ezdxf.filemanagement
        from ezdxf._options import options
    except ImportError:
        raise RigError("drawing the plates needs ezdxf: pip install 'skidwright[hardware]'") from None
    # No times and no random names, so that a plate that has not changed gives the same file.
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.filemanagement.new("R12")
        for layer, colour in ((OUTLINE, 7), (HOLES, 1), (WORDS, 8)):
            document.layers.add(layer, color=colour)
        space = document.modelspace()
        w, h = plate.width, plate.height
        corners = [(0, 0), (w, 0), (w, h), (0, h)]
        space.add_polyline2d(corners, close=True, dxfattribs={"layer": OUTLINE})
        for hole in plate.holes:
            space.add_circle((hole.x, hole.y), hole.diameter / 2, dxfattribs={"layer": HOLES})
        words = f"{plate.id}, millimetres: {plate.thickness:g} mm {plate.material}, {plate.pieces} off"
        space.add_text(words, height=5, dxfattribs={"layer": WORDS, "insert": (0, -12)})
        text = io.StringIO()
        document.write(text)
    finally:
        options.write_fixed_meta_data_for_testing = before
    return text.getvalue()
