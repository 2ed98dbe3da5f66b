"""What certificate and slip start from: an asset's samples, what may be claimed of them, the register."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import selection

if TYPE_CHECKING:
    import numpy as np

    from skidwright.config import Config
    from skidwright.register import KnownAssets
    from skidwright.samples.assessment import Assessment
    from skidwright.samples.history import History
    from skidwright.standing.goals import Goals
    from skidwright.standing.standing import Standing


def history_of(
    number: int, archive: Path, config: Config, keys: list[bytes]
) -> tuple[list[Assessment], History, KnownAssets]:
    """All logs of the archive, the asset's history out of them, and what is known of the assets."""
    from skidwright.papers import proof
    from skidwright.register import known_assets
    from skidwright.samples.history import histories

    logs = selection.assess(archive, config, assets=(number,), keys=keys)
    history = histories(logs, [number])[number]
    proof.refuse_wrong_key(history.logs)
    return logs, history, known_assets(config, archive)


def goals_asked(
    known: KnownAssets,
    number: int,
    target: str | None,
    water: float | None,
    samples: int,
    confidence: float | None = None,
) -> Goals:
    """What a paper of an asset must prove. `confidence` in percent. Raises UsageError without a target."""
    from skidwright.formulas.iso4406 import parse_code
    from skidwright.standing.goals import goals_of

    asset = known.asset(number)
    try:
        wanted = parse_code(target) if target else asset.target
    except ValueError as problem:
        raise click.UsageError(f"--target: {problem}") from None
    if wanted is None:
        raise click.UsageError(f"asset {number} has no target: give --target, or set one for the asset")
    goals = goals_of(asset, known.config)
    limit = goals.water_limit_percent if water is None else water
    return dataclasses.replace(
        goals,
        numbers=(*wanted, asset.target_21um),
        # 100 % asks nothing of water, as for `receive`
        water_limit_percent=limit if limit is not None and limit < 100 else None,
        samples=samples,
        each=True,
        confidence=goals.confidence if confidence is None else confidence / 100,
    )


def stands(
    logs: list[Assessment], history: History, known: KnownAssets, archive: Path, now: np.datetime64
) -> Standing:
    """How the asset stands at the moment of a paper."""
    from skidwright.judgement.events import joined, marks
    from skidwright.standing.standing import book_of, of_history

    booked = book_of(archive).get(history.asset, [])
    return of_history(history, known, now, logs, joined(marks(logs), booked))


def calibrations(history: History, known: KnownAssets) -> dict[str, str | None]:
    """Until when each calibration holds, as ISO 8601 days; None where nobody said."""
    from skidwright.calibration.document import due_days

    return {what: day.isoformat() if day else None for what, day in due_days(history, known.config).items()}


def issue(
    archive: Path,
    kind: str,
    when: datetime.datetime,
    asset: int,
    digest: str,
    stated: dict[str, Any],
    path: Path,
    write: Callable[[], Path],
    *more: Callable[[], Path],
) -> list[Path]:
    """Write a paper to `path`, and what else belongs to it, and note in the register that it was issued.

    Both or neither: where one fails no paper is left behind that nobody knows of. Raises RegisterError and
    what the writers raise.
    """
    from skidwright.register import Paper, Register

    made: list[Path] = []
    try:
        with Register.open(archive, write=True) as register, register.transaction():
            register.add_paper(
                Paper(kind, int(when.timestamp() * 1000), asset, digest, str(path.resolve()), stated)
            )
            for one in (write, *more):
                made.append(one())
    except BaseException:
        for file in made:
            file.unlink(missing_ok=True)
        raise
    return made
