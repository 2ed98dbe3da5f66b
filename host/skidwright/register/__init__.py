"""The register of assets, maintenance, papers and costs: SQLite, beside the archive.

    ARCHIVE/register.sqlite

    from skidwright.register import Register, known_assets

    known = known_assets(config, archive)        # the register and skid.toml, merged
    known.asset(12).interval_h, known.config     # `known.config` for whatever takes a Config
    with Register.open(archive) as register:
        register.events(12)
    with Register.open(archive, write=True) as register:
        register.add_paper(Paper("certificate", utc_ms, 12, digest, path, {...}))

Measured data are not in it: they are rebuilt from the raw segments at any time. `skidwright backup` keeps it.
"""

from typing import TYPE_CHECKING, Any

from skidwright.register.known import KnownAssets, assets_today, known_assets, thresholds_today
from skidwright.register.model import (
    EVENT_KINDS,
    FILE_NAME,
    AssetRecord,
    Component,
    CostRange,
    Event,
    Paper,
    Receipt,
)

if TYPE_CHECKING:
    from skidwright.register.register import Register

__all__ = [
    "EVENT_KINDS", "FILE_NAME", "AssetRecord", "Component", "CostRange", "Event", "KnownAssets", "Paper",
    "Receipt", "Register", "assets_today", "known_assets", "thresholds_today",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    # SQLite is read when it is needed: a check of an archive without a register should not wait for it.
    if name == "Register":
        from skidwright.register.register import Register

        return Register
    raise AttributeError(name)
