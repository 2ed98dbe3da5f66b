"""The demonstration: a scenario on the virtual skid, pulled at its contacts, judged, scored and reported."""

import dataclasses
import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from skidwright.archive.folder import Archive
from skidwright.config import Config, Judging
from skidwright.errors import ArchiveError
from skidwright.formulas.iso4406 import format_code
from skidwright.register.known import merge
from skidwright.report import gather, headline, page
from skidwright.report.headline import Headline
from skidwright.report.model import AssetReport
from skidwright.samples.assessment import Assessment
from skidwright.sim import play as playing
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario_keys import Scenario


def to_toml(config: Config, heading: str = "") -> str:
    """The text of a skid.toml that reads back as `config`; `heading` becomes a comment on top."""
    lines = [f"# {heading}"] if heading else []
    lines += _lines({"note": config.note})
    for asset in config.assets.values():
        lines += ["", "[[asset]]"]
        values: dict[str, Any] = {"number": asset.number, "name": asset.name, "machine": asset.machine}
        values |= {"fluid": asset.fluid, "target": format_code(asset.target) if asset.target else ""}
        values |= {"water_limit_percent": asset.water_limit_percent, "coldest_c": asset.coldest_c}
        values |= {"water_a": asset.water_a, "water_b": asset.water_b}
        lines += _lines(values)
    counter = config.counter
    lines += ["", "[counter]"]
    lines += _lines(
        {
            "name": counter.name,
            "band_ml_min": list(counter.band_ml_min) if counter.band_ml_min else None,
            "sensing_volume_ml": counter.sensing_volume_ml,
            "calibration": counter.calibration,
            "calibrated": counter.calibrated,
            "calibration_due": counter.calibration_due,
        }
    )
    lines += ["", "[board]", *_lines(config.board), "", "[checks]", *_lines(config.checks)]
    if config.judgement != Judging():
        lines += ["", "[judgement]", *_lines(asdict(config.judgement))]
    return "\n".join(lines).lstrip("\n") + "\n"


def _lines(values: dict[str, Any]) -> list[str]:
    return [f"{name} = {_value(value)}" for name, value in values.items() if value not in (None, "")]


def _value(value: Any) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    return str(value)


MARKER = "made by skidwright demo"
INVENTED = (
    "Invented data: this skid, its machines and their owner do not exist; a model wrote what is shown here."
)


class DemoStep(Protocol):
    """Begins a step of the work; its value takes how far it is, up to `total`."""

    def __call__(self, text: str, total: float) -> AbstractContextManager[Callable[[float], None]]: ...


@dataclass
class DemoFinding:
    """What the demonstration found of one asset, and where its report is."""

    data: AssetReport
    said: Headline
    report: Path


@dataclass
class Demonstration:
    """All that came of it."""

    folder: Path
    archive: Path
    config: Path
    python_board: str
    pulls: int
    logs: list[Assessment]
    findings: list[DemoFinding] = field(default_factory=list)


def prepare(folder: Path) -> None:
    """Make `folder` an empty one of ours. Raises ArchiveError when it holds something else, OSError."""
    marker = folder / "README.txt"
    if folder.exists() and any(folder.iterdir()):
        if not marker.is_file() or MARKER not in marker.read_text("utf-8", "replace"):
            raise ArchiveError(
                "the folder holds something else", str(folder), "name an empty or a new folder"
            )
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    marker.write_text(f"{MARKER}. {INVENTED}\nIt is emptied when the demo runs again.\n", "utf-8")


def demonstrate(
    scenario: Scenario, folder: Path, step: DemoStep, seed: int | None = None, python_board: str = ""
) -> Demonstration:
    """Run the whole job into `folder`, which is emptied first if an earlier demonstration made it.

    The same scenario and seed give the same archive, byte for byte. Raises SimError, LinkError, PortError,
    ArchiveError and OSError.
    """
    prepare(folder)
    archive, config_path = folder / "archive", folder / "skid.toml"
    config = playing.config_of(scenario, config_path)
    counter = dataclasses.replace(config.counter, name="counter of the virtual skid (a model)")
    config = dataclasses.replace(config, counter=counter, note=INVENTED)
    config_path.write_text(to_toml(config), "utf-8")
    with VirtualSkid(scenario, folder / "virtual_skid", seed, python_board=python_board) as skid:
        board = skid.python_board
        text = f"{scenario.duration_s / 3600:g} h on the virtual skid ({board}), with pulls"
        with step(text, scenario.duration_s) as advance:
            played = playing.play(skid, archive, advance)
            now = np.datetime64(int(skid.utc_ms()), "ms")
    with step("checking every record and sample", 1):
        opened = Archive.open(archive)
        paths = [opened.log_path(device, log) for device in opened.devices() for log in opened.logs(device)]
        logs = [Assessment(path, config.limits(), config.board_in_force()) for path in paths]
        gathered = gather.gather(logs, merge(config, []), now)
    made = Demonstration(folder, archive, config_path, board, len(played.pulls), logs)
    with step("writing the reports", len(gathered)) as advance:
        for done, data in enumerate(gathered, 1):
            path = folder / "reports" / page.file_name(data.asset.number, data.asset.name)
            page.write(data, path)
            made.findings.append(DemoFinding(data, headline.judge(data), path))
            advance(done)
    return made
