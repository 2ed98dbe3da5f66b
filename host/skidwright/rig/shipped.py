"""Where the files that ship are: the example rig and the hardware directory."""

from __future__ import annotations

from pathlib import Path

from skidwright.errors import RigError

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
