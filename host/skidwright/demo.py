"""The demonstration: a scenario on the virtual skid, pulled at its contacts, judged, scored and reported."""

import dataclasses
import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np

from skidwright.archive.folder import Archive
from skidwright.config.toml_text import to_toml
from skidwright.errors import ArchiveError
from skidwright.register.known import merge
from skidwright.report import gather, headline, page
from skidwright.report.headline import Headline
from skidwright.report.model import AssetReport
from skidwright.samples.assessment import Assessment
from skidwright.sim import play as playing
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario_keys import Scenario

MARKER = "made by skidwright demo"
INVENTED = (
    "Invented data: this skid, its machines and their owner do not exist; a model wrote what is shown here."
)


class Step(Protocol):
    """Begins a step of the work; its value takes how far it is, up to `total`."""

    def __call__(self, text: str, total: float) -> AbstractContextManager[Callable[[float], None]]: ...


@dataclass
class Finding:
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
    findings: list[Finding] = field(default_factory=list)


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
    scenario: Scenario, folder: Path, step: Step, seed: int | None = None, python_board: str = ""
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
            made.findings.append(Finding(data, headline.judge(data), path))
            advance(done)
    return made
