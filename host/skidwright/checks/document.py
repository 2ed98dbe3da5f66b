"""Makes docs/checks.md from the catalogue: what each check looks at, its threshold and its basis."""

from dataclasses import fields

from skidwright.checks.catalogue import CATALOGUE
from skidwright.checks.check import QUANTITIES, SEVERITY_WORDS, Check
from skidwright.checks.limits import CheckLimits

_TOPICS = {
    "record": "The record and its log",
    "calibrations": "Calibrations",
    "fault_bits": "Faults that the board saw",
    "flow": "Flow, volume and purge",
    "counting": "Counts",
    "bursts": "Bursts and air",
    "loops": "Water and temperature",
}

_INTRODUCTION = """\
# Checks

`skidwright check` gives every sample a verdict for each quantity that it carries (counts, water,
temperature, metal): **valid**, **suspect** or **rejected**, *not measured* where no sensor is set
up, or *cannot be checked* where the counter gives a code and no counts.
The worst check that speaks against a quantity decides. A **note** is shown with the sample and changes no
verdict. Nothing is deleted: every sample stays in the archive and in the export, with its verdict and the
ids of the checks that spoke.

A sample is judged by its own record and by what came before it in the log, so a verdict does not change
when later samples arrive; only the time of a sample gets better with later clock contacts.

Thresholds are set by name in the table `[checks]` of `skid.toml`. Where a rule or its threshold comes from
is said with each check: a *standard*, something *published*, *common practice* without a source, or *this
project's judgement*. A judgement is a starting point; change it where your fluid or your counter differs.

This page is made from the code (`make docs`); change `host/skidwright/checks`, not this file.

## What no check can see

- **Particles that settle before the counter**, by the counts themselves: fewer large ones look just like a
  better filter. Give volume and bore of the line's level part, and `settling` judges the line by Stokes' law;
  without them nothing does. To prove a line, draw a bottle at the tap and have it counted.
- **A flow meter wrong by less than `pump_mismatch_percent`**, or by any amount where the pump's delivery was
  not measured (`pump_full_ul_s`) or the oil is colder than `pump_from_c`. Every concentration is wrong by as
  much. Weigh what the meter counted, as at commissioning, once a year and after each repair.
- **Fluid at the tap that is not the machine's**: a dead leg, a cooler branch, a tank that was not stirred.
- **A little air all the time.** A few bubbles in each mL, alike in every sample, look like coarse dirt: most
  such samples pass (figures in scored.md). They make a fluid look dirtier, never cleaner. A clear tube at the
  return, or a sample drawn with the tap throttled less, tells.
- **Particles that are none but look so in every way**: varnish, additives that come out of solution, bubbles
  few and small enough. A membrane under a microscope tells.

The 95 % limits of a concentration (`check`, report) reach over counting statistics, the stated uncertainty of
the volume, coincidence and, in `check`, over what the line may have left of the fluid before and may have let
settle. They do not reach over what is listed here.
"""


def markdown() -> str:
    """The whole page."""
    parts = [_INTRODUCTION]
    topic = ""
    for check in CATALOGUE:
        module = check.test.__module__.rpartition(".")[2]
        if module != topic:
            topic = module
            parts.append(f"## {_TOPICS[module]}\n")
        parts.append(_section(check))
    parts.append(_limits())
    return "\n".join(parts)


def _section(check: Check) -> str:
    quantities = [name for q, name in enumerate(QUANTITIES) if check.quantities >> q & 1]
    concerns = "all quantities" if len(quantities) == len(QUANTITIES) else ", ".join(quantities)
    lines = [
        f"### {check.id}\n",
        f"{(check.test.__doc__ or '').strip().splitlines()[0]}\n",
        f"- Looks at: {check.looks_at}",
        f"- Concerns: {concerns}",
        f"- Verdict: {SEVERITY_WORDS[check.severity]}",
    ]
    for item in fields(CheckLimits):
        if item.name in check.limits:
            unit = f" {item.metadata['unit']}" if item.metadata["unit"] else ""
            lines.append(f"- Threshold: `{item.name}` = {item.default:g}{unit}")
    lines += [f"- Basis: {check.basis}: {check.source}", f"- Remedy: {check.remedy}\n"]
    return "\n".join(lines)


def _limits() -> str:
    lines = ["## Thresholds\n", "| name | default | unit | meaning |", "|---|---|---|---|"]
    for item in fields(CheckLimits):
        unit, meaning = item.metadata["unit"], item.metadata["meaning"]
        lines.append(f"| `{item.name}` | {item.default:g} | {unit} | {meaning} |")
    return "\n".join(lines) + "\n"
