"""Brings an asset's samples, verdicts, events and the state of its logs together for a report."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict

import numpy as np

from skidwright.calibration.due import due_days
from skidwright.config import Config
from skidwright.judgement.events import joined, marks
from skidwright.register import KnownAssets
from skidwright.register.model import Event
from skidwright.report import exclusions, excursions, happenings, statements
from skidwright.report.maintenance import maintenance_of
from skidwright.report.model import AssetReport, ExcludedReason
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import History, histories
from skidwright.standing.standing import Standing, of_history

_ML_MIN_PER_UL_S = 0.06


def gather(
    logs: Sequence[Assessment],
    known: KnownAssets,
    now: np.datetime64,
    only: Iterable[int] = (),
    maintenance: Iterable[Event] = (),
) -> list[AssetReport]:
    """A report's content at `now` (UTC) for each asset (or those in `only`) that has samples in the logs.

    `maintenance` is what the register says was done, to any asset. Raises OSError when a log cannot be read.
    """
    found = histories(logs, only)
    numbers = sorted(found, key=lambda n: (list(known).index(n) if n in known else 99, n))
    done, marked = list(maintenance), marks(logs)
    made = []
    for n in numbers:
        own = [event for event in done if event.asset == n]
        happened = joined(marked, [(event.utc_ms, event.kind, event.text) for event in own])
        standing = of_history(found[n], known, now, logs, happened)
        made.append(_report(found[n], known, own, standing))
    return made


def _report(samples: History, known: KnownAssets, done: Sequence[Event], standing: Standing) -> AssetReport:
    number, logs, config = samples.asset, samples.logs, known.config
    told = excursions.of(samples, standing.asset, standing.goals) + maintenance_of(samples, done)
    skipped: list[ExcludedReason] = []
    for log in logs:
        times = log.event_times()[0]
        told += happenings.of_asset(log.events, times, log.boot_ends(), number)
        skipped += happenings.skipped(log.events, times, number)
    exclusion = exclusions.of(samples.utc_ms, samples.seq, samples.verdict, samples.reasons)
    due = due_days(samples, config)
    return AssetReport(
        asset=standing.asset,
        counter=config.counter,
        band_ml_min=_band(logs[-1], int(samples.settings_crc[-1]), config),
        samples=samples,
        standing=standing,
        integrity=statements.integrity(logs, samples.utc_ms, samples.utc_error_ms, exclusion.notes),
        happenings=happenings.lettered(told),
        happenings_total=len(told),
        reasons=exclusion.reasons + skipped,
        excluded=exclusion.newest,
        excluded_total=exclusion.samples,
        calibration_due=due["counter"],
        meter_due=due["flow meter"],
        loops_due=due["current loops"],
        judged_with=_digest(known, number),
        note=config.note,
    )


def _digest(known: KnownAssets, number: int) -> str:
    """SHA-256 of what a judgement depends on besides the log, as JSON with sorted names."""
    config = known.config
    parts = (known.asset(number), config.counter, config.limits(), config.judgement)
    text = json.dumps([asdict(part) for part in parts], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _band(log: Assessment, settings_crc: int, config: Config) -> tuple[float, float]:
    """The counter's band in mL/min: from skid.toml, else from the settings of the newest sample."""
    if config.counter.band_ml_min:
        return config.counter.band_ml_min
    found = log.settings.of(settings_crc) or log.settings.fallback
    low, high = (round(found[f"flow_{end}_ul_s"] * _ML_MIN_PER_UL_S, 1) for end in ("low", "high"))
    return low, high
