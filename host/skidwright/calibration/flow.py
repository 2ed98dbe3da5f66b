"""The flow meter by catch and weigh: volume of a pulse, its uncertainty, how it changes with flow.

Static weighing with standing start and finish, after ISO 4185 (its formula for the
buoyancy of air, from memory): V = m / rho * (1 - rho_air / rho_weights) / (1 - rho_air / rho).
"""

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from skidboard import settings as board_settings

from skidwright.calibration.uncertainty import Joined, UncertaintyPart, joined
from skidwright.errors import CalibrationError
from skidwright.whole_file import read_at_most

AIR_G_ML = 0.0012
WEIGHTS_G_ML = 8.0  # the density by which balances are adjusted (OIML R 111)
_MAX_BYTES = 1 << 20
COLUMNS = ("pulses", "mass_g", "seconds")
LEAST_RUNS = 3
# Runs whose flows differ by less than this share stand for one flow.
_SAME_FLOW = 0.1
# Half an interval beyond which nothing was calibrated.
_MOST_UNCERTAIN = 0.2
_WHOLE_PULSE = 1 / math.sqrt(6)  # two ends, each anywhere within a pulse: a triangle one pulse to either side


@dataclass(frozen=True)
class WeighedRun:
    """What was caught: pulses of the meter, mass of fluid in g as the balance showed it, seconds."""

    pulses: int
    mass_g: float
    seconds: float


@dataclass(frozen=True)
class WeighedFluid:
    """Density in g/mL at the temperature of the meter, and its standard uncertainty."""

    density_g_ml: float
    density_u_g_ml: float = 0.0


@dataclass(frozen=True)
class AtFlow:
    """The mean volume of a pulse at one flow, and how far it is from the mean of all (share)."""

    flow_ul_s: float
    runs: int
    pulse_nl: float
    deviation: float


@dataclass(frozen=True)
class FlowResult:
    """`pulse_nl`: volume of one pulse. `uncertainty`, of `parts`, is relative; `flows` show linearity."""

    pulse_nl: float
    uncertainty: Joined
    parts: tuple[UncertaintyPart, ...]
    flows: tuple[AtFlow, ...]
    runs: tuple[tuple[WeighedRun, float], ...]

    @property
    def linearity(self) -> float:
        """The largest deviation of a flow's mean from the mean of all, as a share."""
        return max(abs(at.deviation) for at in self.flows)

    @property
    def pulses_per_ml(self) -> float:
        """The K factor in pulses per mL."""
        return 1e6 / self.pulse_nl


def calibrate(runs: Sequence[WeighedRun], fluid: WeighedFluid, balance_u_g: float = 0.0) -> FlowResult:
    """The volume of a pulse from at least three runs.

    `balance_u_g` is the standard uncertainty that all weighings share, from the balance's certificate; what
    differs from one to the next shows in the scatter, as do the broken pulses at both ends, which are taken
    at their computed size when the scatter is smaller than that. Raises CalibrationError for runs that cannot
    be: too few, no pulses, a mass or time not above 0, a density no oil has.
    """
    if len(runs) < LEAST_RUNS:
        raise CalibrationError(f"{len(runs)} runs say nothing about scatter", "runs", "make three or more")
    for place, run in enumerate(runs, 1):
        if run.pulses < 1 or not 0 < run.mass_g < 1e6 or not 0 < run.seconds < 1e6:
            raise CalibrationError(
                f"{run.pulses} pulses, {run.mass_g:g} g, {run.seconds:g} s",
                f"run {place}",
                "give what was caught",
            )
    if not 0.5 <= fluid.density_g_ml <= 2:
        raise CalibrationError(f"{fluid.density_g_ml:g} g/mL", "density", "give it in g/mL, 0.5 to 2")
    if fluid.density_u_g_ml < 0 or balance_u_g < 0:
        raise CalibrationError("an uncertainty below 0", "uncertainty", "give 0 or more")
    buoyancy = (1 - AIR_G_ML / WEIGHTS_G_ML) / (1 - AIR_G_ML / fluid.density_g_ml)
    volumes_ml = [run.mass_g / fluid.density_g_ml * buoyancy for run in runs]
    pulse_nl = [volume * 1e6 / run.pulses for volume, run in zip(volumes_ml, runs, strict=True)]
    mean = sum(pulse_nl) / len(runs)
    scatter = math.sqrt(sum((x - mean) ** 2 for x in pulse_nl) / (len(runs) - 1))
    seen = UncertaintyPart("scatter of the runs", scatter / math.sqrt(len(runs)) / mean, len(runs) - 1)
    broken = math.sqrt(sum((_WHOLE_PULSE / run.pulses) ** 2 for run in runs)) / len(runs)
    per_pulse_g = sum(run.mass_g / run.pulses for run in runs)
    parts = (
        seen if seen.standard >= broken else UncertaintyPart("broken pulses at both ends", broken),
        # One error in grams in every weighing, so in a small mass more than in a large one.
        UncertaintyPart("balance", balance_u_g * sum(1 / run.pulses for run in runs) / per_pulse_g),
        UncertaintyPart("density", fluid.density_u_g_ml / fluid.density_g_ml),
    )
    flows = _by_flow(runs, volumes_ml, pulse_nl, mean)
    found = joined(parts)
    if found.expanded > _MOST_UNCERTAIN:
        raise CalibrationError(
            f"the runs agree within {found.expanded:.0%} only",
            "runs",
            "find the wrong one, and weigh more pulses",
        )
    problem = board_settings.check("meter_pulse_nl", round(mean))
    if problem:
        raise CalibrationError(f"no meter of this kind ({problem})", "runs", "check pulses and grams")
    return FlowResult(mean, found, parts, flows, tuple(zip(runs, pulse_nl, strict=True)))


def _by_flow(
    runs: Sequence[WeighedRun], volumes_ml: Sequence[float], pulse_nl: Sequence[float], mean: float
) -> tuple[AtFlow, ...]:
    order = sorted(
        (volume * 1000 / run.seconds, x) for run, volume, x in zip(runs, volumes_ml, pulse_nl, strict=True)
    )
    groups: list[list[tuple[float, float]]] = []
    for flow, x in order:
        if groups and flow <= groups[-1][0][0] * (1 + _SAME_FLOW):
            groups[-1].append((flow, x))
        else:
            groups.append([(flow, x)])
    found = []
    for group in groups:
        here = sum(x for _, x in group) / len(group)
        flow = sum(flow for flow, _ in group) / len(group)
        found.append(AtFlow(flow, len(group), here, here / mean - 1))
    return tuple(found)


def read_runs(path: Path) -> list[WeighedRun]:
    """Runs from a CSV file with the columns pulses, mass_g, seconds. Raises CalibrationError, OSError."""
    try:
        text = read_at_most(path, _MAX_BYTES).decode("utf-8-sig")
        lines = (line for line in io.StringIO(text, newline="") if not line.startswith("#"))
        return list(_rows(csv.reader(lines), path))
    except (UnicodeDecodeError, csv.Error):
        raise CalibrationError("no CSV in UTF-8", str(path), "save it as CSV, UTF-8") from None


def _rows(lines: Iterable[list[str]], path: Path) -> Iterable[WeighedRun]:
    lines = iter(lines)
    heads = [head.strip() for head in next(lines, [])]
    if sorted(heads) != sorted(COLUMNS):
        raise CalibrationError(
            f"columns {', '.join(heads) or 'none'}", str(path), f"name them {', '.join(COLUMNS)}"
        )
    for place, line in enumerate(lines, 2):
        if not any(cell.strip() for cell in line):
            continue
        try:
            if len(line) != len(heads):
                raise ValueError
            row = dict(zip(heads, line, strict=True))
            yield WeighedRun(int(row["pulses"]), float(row["mass_g"]), float(row["seconds"]))
        except ValueError:
            raise CalibrationError(
                f"{', '.join(line)}", f"{path}, row {place}", "give whole pulses, mass in g, seconds"
            ) from None
