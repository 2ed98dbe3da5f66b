"""A current loop's input against a reference: offset and gain by a straight line, and what is left."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from skidwright.calibration.uncertainty import Joined, UncertaintyPart, joined, straight_line
from skidwright.errors import CalibrationError

_SPAN_UA = 16000.0
_LEAST_SPAN_UA = 4000.0
_ENDS_UA = (4000.0, 20000.0)
_WHOLE_UA = 1 / math.sqrt(12)  # the board takes whole microamps
# Settings that a board takes: see skidboard/settings.py.
_MOST_OFFSET_UA = 500
_MOST_GAIN_PPM = 40000
_MOST_LEFT_UA = 200.0


@dataclass(frozen=True)
class Point:
    """A reference current and what the board read, both in microamps."""

    reference_ua: float
    read_ua: float


@dataclass(frozen=True)
class LoopResult:
    """`offset_ua` and `gain_ppm` are added to each reading: true = read + offset + read * gain / 1e6.

    `residuals_ua` (one a point) is what stays. `uncertainty` (uA, of `parts`) is that of a corrected reading
    where it is largest between 4 and 20 mA; None with two points, which a line meets whatever they are.
    """

    offset_ua: int
    gain_ppm: int
    error_before_ua: float
    residuals_ua: tuple[float, ...]
    uncertainty: Joined | None
    parts: tuple[UncertaintyPart, ...]
    points: tuple[Point, ...]

    @property
    def uncertainty_ua(self) -> float | None:
        """The 95 % limit of a corrected reading."""
        return self.uncertainty.expanded if self.uncertainty else None

    @property
    def linearity(self) -> float:
        """The largest residual as a share of the span of 16 mA."""
        return max(map(abs, self.residuals_ua)) / _SPAN_UA


def calibrate(
    points: Sequence[Point], reference_u_ua: float = 0.0, reference_freedom: float = math.inf
) -> LoopResult:
    """The correction out of two or more points, by least squares.

    `reference_u_ua` is the reference's standard uncertainty, from its certificate, taken as one error that
    all points share and that no residual shows; `reference_freedom` its degrees of freedom. What the points
    scatter about the line is in the corrected reading once more, and in the line itself (GUM H.3.4).

    Raises CalibrationError for fewer than two points, points too close together or outside a loop's
    currents, and for an input so far off that it must be repaired, not corrected.
    """
    if len(points) < 2:
        raise CalibrationError(f"{len(points)} points", "loop", "give two or more, such as 4 and 20 mA")
    for place, point in enumerate(points, 1):
        if not (0 <= point.reference_ua <= 24000 and 0 <= point.read_ua <= 24000):
            raise CalibrationError(
                f"{point.reference_ua / 1000:g} and {point.read_ua / 1000:g} mA",
                f"point {place}",
                "give mA, 0 to 24",
            )
    reads, references = [p.read_ua for p in points], [p.reference_ua for p in points]
    if max(references) - min(references) < _LEAST_SPAN_UA:
        raise CalibrationError("the points lie within 4 mA of each other", "loop", "take 4 and 20 mA, say")
    if reference_u_ua < 0 or reference_freedom < 1:
        raise CalibrationError(
            f"{reference_u_ua:g} uA with {reference_freedom:g} degrees of freedom",
            "reference",
            "give 0 uA or more, and 1 degree or more",
        )
    if max(reads) == min(reads):
        raise CalibrationError("the reading never moved", "loop", "check the wiring of the input")
    line = straight_line(reads, references)
    offset_ua, gain_ppm = round(line.intercept), round((line.slope - 1) * 1e6)
    if abs(offset_ua) > _MOST_OFFSET_UA or abs(gain_ppm) > _MOST_GAIN_PPM:
        raise CalibrationError(
            f"offset {offset_ua} uA and gain {gain_ppm / 1e4:+.1f} % are too much to correct", "loop",
            "find the fault: shunt, reference, wiring",
        )  # fmt: skip
    left = tuple(t - r - offset_ua - r * gain_ppm / 1e6 for r, t in zip(reads, references, strict=True))
    if max(map(abs, left)) > _MOST_LEFT_UA:
        raise CalibrationError(
            f"the readings lie up to {max(map(abs, left)):.0f} uA off a line",
            "loop",
            "set and read them once more",
        )
    fit_u = max(line.u_at((end - line.intercept) / line.slope) for end in _ENDS_UA)
    parts = (
        UncertaintyPart("reference", reference_u_ua, reference_freedom),
        UncertaintyPart(
            "scatter about the line, and the line", math.hypot(line.scatter, fit_u), max(line.freedom, 1)
        ),
        UncertaintyPart("offset in whole uA", _WHOLE_UA),
    )
    found = joined(parts) if line.freedom else None
    before = max((abs(t - r) for r, t in zip(reads, references, strict=True)))
    return LoopResult(offset_ua, gain_ppm, before, left, found, parts if found else (), tuple(points))
