"""The form of a hint."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Hint:
    """`what` was seen, the `evidence` in figures, what it `may_be`, and what `else_it` could be."""

    kind: str
    days: float
    what: str
    evidence: str
    may_be: str
    else_it: str
