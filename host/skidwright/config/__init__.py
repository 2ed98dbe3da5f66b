"""skid.toml, the one file in which a user says what the skid is, what it samples and what is good enough."""

from skidwright.config.checked_toml import suggestion
from skidwright.config.model import Asset, Config, Counter, Judging
from skidwright.config.skid_toml import load, parse

__all__ = ["Asset", "Config", "Counter", "Judging", "load", "parse", "suggestion"]
