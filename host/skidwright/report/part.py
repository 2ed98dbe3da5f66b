"""One of the questions a headline answers: its grade, in words, with findings and actions."""

from dataclasses import dataclass, field

import numpy as np

GOOD, CLOSE, BAD, UNKNOWN = "good", "close", "bad", "unknown"


@dataclass
class Part:
    """The answer for cleanliness or dryness. `words` fit into a sentence, `grade` is one of the above."""

    grade: str
    words: str
    findings: list[str] = field(default_factory=list)
    actions: list[str] = field(default_factory=list)


def iso_time(when: np.datetime64) -> str:
    """ISO 8601 in UTC, to the second."""
    return "time unknown" if np.isnat(when) else f"{when.astype('datetime64[s]')}Z"
