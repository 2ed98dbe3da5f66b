"""One log from file to verdicts: a first pass gathers what a judgement needs, a second one judges.

The first pass verifies the chain of digests and every record, and takes clock
contacts and changed settings. Memory stays bounded; only events are kept whole.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright.archive import folder as archive
from skidwright.archive import kept_settings
from skidwright.checks import CheckLimits, Judge, SettingsHistory, ThresholdsInForce, Verdicts, limits_of
from skidwright.checks import join as join_verdicts
from skidwright.formulas.water import Solubility, own_solubility
from skidwright.log import dataset, layouts
from skidwright.log.chain import ChainResult
from skidwright.log.damage import IntegrityReport
from skidwright.log.dataset import Dataset, Loss, LossFinder
from skidwright.log.timeline import DRIFT_PPM, Timeline, TimelineBuilder


class Assessment:
    """Judges the log in `path` (a `.skidlog` file).

    Samples are read by what was kept with the log when they were pulled: settings and thresholds. `limits`
    stand in where no thresholds were kept; `board_settings` are a guess at settings that were not (names
    left out keep their defaults), which counts only where a sample's CRC-32 proves it. `chain_key` is the
    key of an HMAC chain. Raises OSError when the file cannot be read, ArchiveError when what was kept
    cannot. After construction: `report` and `chain` (integrity), `timeline`, `settings`, `thresholds`,
    `limits` (the thresholds of the newest records), `assets` (the numbers that have samples), `losses`
    (records that are missing, with the moments around them), and `events`, all event records of the log
    (dtype `layouts.EVENT`).
    """

    def __init__(
        self,
        path: Path,
        limits: CheckLimits | None = None,
        board_settings: Mapping[str, Any] | None = None,
        chain_key: bytes | None = None,
        drift_ppm: float = DRIFT_PPM,
    ) -> None:
        self.path = path
        self.salvaged_from = archive.salvaged_from(path)
        self._kept = kept_settings.read_thresholds(path)
        self.thresholds = ThresholdsInForce(limits or CheckLimits(), _limits_of(self._kept, path))
        self.limits = self.thresholds.newest
        self.settings = SettingsHistory(*([board_settings] if board_settings else []))
        self.settings.take(kept_settings.read_settings(path.parent))
        self.chain: ChainResult = dataset.verify_chain(path, chain_key)
        builder = TimelineBuilder(drift_ppm)
        events: list[NDArray[np.void]] = []
        self.report = IntegrityReport()
        self.device, self.log = dataset.identity(path)
        self.assets: set[int] = set()
        finder, missing = LossFinder(), 0
        for piece in dataset.read_log(path, self.chain):
            finder.add(piece, complete=piece.report.missing_records == missing)
            missing = piece.report.missing_records
            self.assets.update(np.unique(piece.samples["asset"]).tolist())
            builder.add(piece.samples, piece.events)
            if len(piece.events):
                events.append(piece.events)
            self.report, self.device, self.log = piece.report, piece.device, piece.log
        self.events = np.concatenate(events) if events else np.empty(0, layouts.EVENT)
        self.settings.learn(self.events)
        self.timeline: Timeline = builder.build()
        self.losses: list[Loss] = finder.losses(self.timeline)
        self._last_uptime_ms = builder.last_uptime_ms

    def pieces(self) -> Iterator[tuple[Dataset, Verdicts]]:
        """The log's pieces in order, each with the verdicts on its samples."""
        judge = Judge(self.thresholds, self.settings, self.timeline)
        for piece in dataset.read_log(self.path, self.chain):
            yield piece, judge.judge(piece)

    def whole(self) -> tuple[Dataset, Verdicts]:
        """The whole log at once, for logs that fit into memory."""
        pieces = list(self.pieces())
        if not pieces:
            empty = dataset.join([])
            return empty, Judge(self.thresholds, self.settings, self.timeline).judge(empty)
        return dataset.join([data for data, _ in pieces]), join_verdicts([verdicts for _, verdicts in pieces])

    def solubility(self, asset: int, seq: int, today: Solubility | None) -> Solubility | None:
        """The constants of water of an asset's fluid at record `seq`: as kept, else those of `today`."""
        kept = next((one for one in reversed(self._kept) if one.from_record <= seq), None)
        if kept is None:
            return today
        pair = kept.thresholds.water.get(asset)
        return own_solubility(*pair) if pair else None

    def event_times(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """UTC of each event in ms and its uncertainty in ms, see `skidwright.log.timeline`."""
        return self.timeline.utc(self.events["boot"], self.events["uptime_ms"])

    def boot_ends(self) -> dict[int, int]:
        """UTC in ms of the last record of each boot, see `skidwright.log.timeline`."""
        boots = np.array(sorted(self._last_uptime_ms), np.int64)
        uptimes = np.array([self._last_uptime_ms[boot] for boot in boots.tolist()], np.uint64)
        return dict(zip(boots.tolist(), self.timeline.utc(boots, uptimes)[0].tolist(), strict=True))


def _limits_of(kept: Sequence[kept_settings.Kept], path: Path) -> list[tuple[int, CheckLimits]]:
    try:
        return [(one.from_record, limits_of(one.thresholds.checks)) for one in kept]
    except ValueError as error:
        raise kept_settings.damaged(kept_settings.path_beside(path), str(error)) from None
