"""Every interlock tripped again and again, and none in normal running: `python interlock_trials.py`.

`--trials 500` draws so many faults, spread evenly over all rules and the states each of them watches;
`--days 30` runs a skid in good order for so long. Both print what they measured and stop with exit status 1
when something does not hold. docs/faults.md states the times, `interlock_trial.py` what is asserted.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fault.interlock_trial import Outcome, Trial
from fault.normal_running import normal_running
from skidboard import faults, sequence
from skidwright.meanings.interlocks import INTERLOCKS

Say = Callable[[str], None]
# A counter with a line of its own is no part of this skid; tests/sim/test_counter_line.py tries its faults.
RULES = [rule for rule in INTERLOCKS if rule.number != faults.COUNTER]
PAIRS = [(rule.number, state) for rule in RULES for state in rule.states]


def _folder() -> str | None:
    """Memory rather than disk, where there is some: a trial writes a log that nobody keeps."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def trials(count: int, first_seed: int = 0, say: Say = print) -> list[Outcome]:
    """Run `count` trials from seed `first_seed` on. Raises AssertionError with the seed of a bad one."""
    started = time.process_time()
    outcomes = []
    for seed in range(first_seed, first_seed + count):
        number, state = PAIRS[seed % len(PAIRS)]
        with tempfile.TemporaryDirectory(dir=_folder()) as name:
            trial = Trial(number, state, seed, Path(name))
            try:
                outcomes.append(trial.run())
            except AssertionError as broken:
                what = f"{trial.rule.name}, {trial.drawn.kind}, {sequence.STATE_NAMES[state]}"
                raise AssertionError(f"trial {seed} ({what}): {broken}") from broken
    _show(outcomes, time.process_time() - started, say)
    return outcomes


def _show(outcomes: list[Outcome], cpu_s: float, say: Say) -> None:
    say(f"{'interlock':20s}{'trials':>7s}{'stated, s':>16s}{'took, s':>16s}{'over, ms':>12s}  states")
    for rule in INTERLOCKS:
        mine = [o for o in outcomes if o.rule is rule]
        if not mine:
            continue
        states = ", ".join(
            f"{sequence.STATE_NAMES[state]} {sum(o.state == state for o in mine)}" for state in rule.states
        )
        say(
            f"{rule.name:20s}{len(mine):7d}{_range([o.stated_ms for o in mine]):>16s}"
            f"{_range([o.took_ms for o in mine]):>16s}{max(o.late_ms for o in mine):12.0f}  {states}"
        )
    say("over: the latest act beyond the stated time and one control step")
    stopped = sum(o.stops for o in outcomes)
    say(
        f"{len(outcomes)} trials: {stopped} stopped the pump in time, {len(outcomes) - stopped} were only "
        f"reported, in time, as `stop_also` has it; {cpu_s:.0f} s of CPU"
    )


def _range(values_ms: list[float]) -> str:
    low, high = np.min(values_ms) / 1000, np.max(values_ms) / 1000
    return f"{low:.1f} to {high:.1f}"


def check_spread(outcomes: list[Outcome]) -> None:
    """Every rule in every state it watches, and enough that stop the pump."""
    visited = {(o.rule.number, o.state) for o in outcomes}
    missing = [pair for pair in PAIRS if pair not in visited]
    assert not missing, f"never tried (fault number, state): {missing}"
    for rule in RULES:
        assert any(o.stops for o in outcomes if o.rule is rule), f"{rule.name} never stopped the pump"


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--days", type=float, default=30)
    options = parser.parse_args()
    try:
        if options.trials:
            check_spread(trials(options.trials, options.first_seed))
        if options.days:
            with tempfile.TemporaryDirectory(dir=_folder()) as name:
                normal_running(options.days, Path(name))
    except AssertionError as broken:
        sys.exit(f"interlocks: {broken}")


if __name__ == "__main__":
    main()
