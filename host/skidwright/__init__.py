"""skidwright: the host side of a do-it-yourself oil sampling skid. The names below are the Python interface.

They are read when first asked for, so that `import skidwright` costs nothing. See docs/python.md.
"""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = [
    "PulledLogs",
    "Session",
    "SkidwrightError",
    "Standing",
    "format_code",
    "open_archive",
    "open_port",
    "parse_code",
    "scale_numbers",
]

if TYPE_CHECKING:
    from skidwright.errors import SkidwrightError
    from skidwright.formulas.iso4406 import format_code, parse_code, scale_numbers
    from skidwright.link.session import Session
    from skidwright.notebook import PulledLogs, open_archive, open_port
    from skidwright.standing.standing import Standing

_WHERE = {
    "PulledLogs": "notebook",
    "open_archive": "notebook",
    "open_port": "notebook",
    "Session": "link.session",
    "SkidwrightError": "errors",
    "Standing": "standing.standing",
    "format_code": "formulas.iso4406",
    "parse_code": "formulas.iso4406",
    "scale_numbers": "formulas.iso4406",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(f"{__name__}.{_WHERE[name]}"), name)
