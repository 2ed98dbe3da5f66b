"""A Config as the text of a skid.toml, for those who want to start from one."""

from dataclasses import asdict
from typing import Any

from skidwright.config import Config, Judging
from skidwright.trade.code_text import format_code


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
