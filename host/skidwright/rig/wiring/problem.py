"""What a wiring check finds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the wiring: which rule, where, and in one sentence what to do."""

    rule: str
    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text} [{self.rule}]"
