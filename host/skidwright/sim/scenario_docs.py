"""docs/scenarios.md out of the tables that also check the files."""

from __future__ import annotations

import dataclasses
import io
from typing import Any

from skidwright.sim import scenario_keys as keys

_TEXT = """\
A scenario is a TOML file that says what the virtual skid samples and what goes wrong when. The plant model
behind it is seeded: the same file, seed and contacts give the same log, byte for byte. The board's number
and the id of its log follow from file and seed as well, so that runs of different scenarios can be pulled
into one archive. A second run of the same one bears the same names; once it has gone otherwise, `pull`
refuses to mix the two.

    skidwright sim --scenario my_case.toml        # run it, then stay at a port like a board
    skidwright demo --scenario my_case.toml       # run it, pull, check, report
    make score SCENARIO=my_case.toml SEEDS=1-5       # in a clone of the project

The firmware never sees this file. What truly happened is written to `truth.npz` in the skid's folder, and
the score compares the checks' verdicts with it. Scenarios that come with the package
(`host/skidwright/scenarios`) can be given by name: `ferry`, `flush`, `quick`, `steady`, `air`,
`clean_after_dirty`, `interlocks`.

A key that is unknown or out of range is refused by name. Times count from the start of the scenario; write
seconds, or text `"h:mm"` or `"h:mm:ss"` (hours may exceed 23).

The smallest scenario:

    title = "One machine"
    duration = "2:00"

    [[asset]]
    number = 1
    name = "press"
"""
_SECTIONS: tuple[tuple[str, Any, str], ...] = (
    ("Top of the file", keys.Scenario, ""),
    ("[[asset]]", keys.PlantAsset, "What is sampled. Between top-ups dirt follows the machine's own filter: "
     "each size class decays towards its rest level at (filter flow / tank) (1 - 1 / filtration ratio). "
     "Viscosity follows ASTM D341 from the two values. A changed asset leaves 1/(4 n^2) of the step behind "
     "after n line volumes."),
    ("[[top_up]]", keys.TopUp, ""),
    ("[[cart]]", keys.Cart, "A filter cart or dryer that the board switches during a clean-up run. While its "
     "output is on, N(>=x) of a well-mixed tank goes to its floor with the rate (flow / tank) (1 - 1 / "
     "filtration ratio); the machine's own filter and rest level go on beside it."),
    ("[[fault]]", keys.PlantFault, ""),
    ("[[contact]]", keys.PlantContact, "Time stands still while a host is at the port, so a run repeats."),
    ("[line]", keys.PlantLine, ""),
    ("[pump]", keys.PlantPump, ""),
    ("[sensor]", keys.Sensor, ""),
    ("[meter]", keys.PlantMeter, ""),
    ("[water]", keys.WaterLoop, ""),
    ("[temperature]", keys.Temperature, ""),
    ("[board]", keys.BoardOptions, ""),
)  # fmt: skip


def scenarios_page(notice: str = "") -> str:
    """The whole page: every key with unit, range, default and meaning, and every kind of fault."""
    out = io.StringIO()
    out.write(f"{notice}\n# Scenarios of the virtual skid\n\n{_TEXT}")
    for heading, cls, text in _SECTIONS:
        out.write(f"\n## `{heading}`\n\n" if heading[0] == "[" else f"\n## {heading}\n\n")
        if text:
            out.write(f"{text}\n\n")
        out.write("| Key | Unit | Range | Default | Meaning |\n|---|---|---|---|---|\n")
        for f in dataclasses.fields(cls):
            out.write(f"| {' | '.join(_row(f))} |\n")
        if cls is keys.PlantFault:
            out.write(_kinds())
    return out.getvalue()


def _row(f: dataclasses.Field[Any]) -> tuple[str, str, str, str, str]:
    unit = f.metadata.get("unit", "")
    name = f.name.removesuffix("_s") if unit == "time" else f.name
    low, high = f.metadata.get("low"), f.metadata.get("high")
    span = f"{_short(low)} to {_short(high)}" if low is not None else ""
    if f.default is not dataclasses.MISSING:
        default = _short(f.default) if f.default != () else ""
    elif f.default_factory is not dataclasses.MISSING:
        made = f.default_factory()
        default = "" if dataclasses.is_dataclass(made) or not made else _short(made)
    else:
        default = "must be given"
    return f"`{name}`", unit, span, default, f.metadata["meaning"]


def _short(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) or (isinstance(value, float) and value.is_integer()):
        return f"{value:.0f}"
    if isinstance(value, float):
        return f"{value:g}"
    return f"{value:%Y-%m-%dT%H:%M:%SZ}" if hasattr(value, "strftime") else str(value)


def _kinds() -> str:
    out = io.StringIO()
    out.write("\nKinds of fault:\n\n| Kind | What happens | `amount` | Default |\n|---|---|---|---|\n")
    for kind, (amount, default, meaning) in keys.FAULT_KINDS.items():
        out.write(f"| `{kind}` | {meaning} | {amount} | {_short(default) if amount else ''} |\n")
    return out.getvalue()
