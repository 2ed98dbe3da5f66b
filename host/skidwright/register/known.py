"""What is known of the assets: the register and skid.toml, merged in this one place.

What the register says wins; skid.toml fills in what it does not say. `target`, `water_limit_percent` and the
like are taken one by one, the fluid's two constants of water only together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from skidwright.archive import kept_settings
from skidwright.archive.kept_settings import Thresholds
from skidwright.config import Asset, Config
from skidwright.register.fields import FIELDS
from skidwright.register.model import FILE_NAME, AssetRecord

REGISTER, SKID_TOML = "register", "skid.toml"
# Fields that a skid.toml may say as well.
_SHARED = ("name", "machine", "fluid", "target", "water_limit_percent", "coldest_c")
_WATER = ("water_a", "water_b")


@dataclass(frozen=True)
class KnownAssets(Mapping[int, AssetRecord]):
    """All known assets by number, skid.toml's first and in its order.

    `sources[number][field]` is REGISTER or SKID_TOML, for what either says. `config` is the Config that was
    given with `assets` as merged here: whatever takes a Config needs nothing else.
    """

    config: Config
    records: dict[int, AssetRecord] = field(default_factory=dict)
    sources: dict[int, dict[str, str]] = field(default_factory=dict)

    def __getitem__(self, number: int) -> AssetRecord:
        return self.records[number]

    def __iter__(self) -> Iterator[int]:
        return iter(self.records)

    def __len__(self) -> int:
        return len(self.records)

    def asset(self, number: int) -> AssetRecord:
        """The asset of that number; one with nothing but its number when nobody knows it."""
        return self.records.get(number) or AssetRecord(number)


def known_assets(config: Config, archive: Path | str) -> KnownAssets:
    """The assets that skid.toml and the register of `archive` know, for whatever reads samples.

    Thresholds of the checks and constants of fluids are those kept with the newest pull, if any were: what is
    said of a sample does not change with skid.toml. All else is today's. Raises RegisterError and those below
    it, and ArchiveError. Without a register this costs no more than looking for its file.
    """
    kept = kept_settings.newest(Path(archive))
    known = assets_today(config, archive)
    if kept is None:
        return known
    as_pulled = known.config.read_by(kept.thresholds.checks, kept.thresholds.water)
    try:
        as_pulled.limits()
    except ValueError as error:
        raise kept_settings.damaged(Path(archive), str(error)) from None
    records = {
        number: replace(
            record, water_a=as_pulled.asset(number).water_a, water_b=as_pulled.asset(number).water_b
        )
        for number, record in known.records.items()
    }
    return replace(known, config=as_pulled, records=records)


def thresholds_today(config: Config, archive: Path | str) -> Thresholds | None:
    """What new samples are to be read by, for a pull to keep; None without a skid.toml: who pulls from a
    place without one has not changed anything. Raises RegisterError.
    """
    if config.path is None:
        return None
    known = assets_today(config, archive)
    return Thresholds(asdict(known.config.limits()), known.config.own_constants())


def assets_today(config: Config, archive: Path | str) -> KnownAssets:
    """The assets as skid.toml and the register say now. Raises RegisterError and those below it."""
    entered: list[AssetRecord] = []
    if (Path(archive) / FILE_NAME).exists():
        from skidwright.register.register import Register

        with Register.open(archive) as register:
            entered = register.assets()
    return merge(config, entered)


def merge(config: Config, entered: list[AssetRecord]) -> KnownAssets:
    """As `assets_today`, of assets that were read already."""
    by_number = {record.number: record for record in entered}
    numbers = [*config.assets, *(number for number in by_number if number not in config.assets)]
    known = KnownAssets(config)
    for number in numbers:
        record, sources = _merged(by_number.get(number), config.assets.get(number))
        known.records[number], known.sources[number] = record, sources
    return replace(
        known, config=replace(config, assets={n: record.as_asset() for n, record in known.records.items()})
    )


def _merged(entered: AssetRecord | None, given: Asset | None) -> tuple[AssetRecord, dict[str, str]]:
    record = entered or AssetRecord(given.number if given else 0)
    sources = {
        name: REGISTER
        for name in (*(f.name for f in FIELDS), "components")
        if getattr(record, name) not in (None, "", ())
    }
    if given is None:
        return record, sources
    names = [name for name in _SHARED if name not in sources]
    names += _WATER if record.water_a is None else ()
    filled = {name: getattr(given, name) for name in names if getattr(given, name) not in (None, "")}
    return replace(record, **filled), sources | dict.fromkeys(filled, SKID_TOML)
