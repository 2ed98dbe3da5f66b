"""Random settings that the board accepts: `python tests/firmware/random_settings.py --settings 10000`.

Each is put into the firmware's control step, which must not stop, and into its flow meter and controller on a
pump that these gains suit: SIMC's rules (S. Skogestad, J. Process Control 13 (2003) 291-309) read backwards
give lag and dead time, 2.5 s at most. The pump is up to 1.35 times stronger or weaker than the settings say.
In the steady state the mean flow must be within 1 % of its set-point. Exit status 1 when one is not.
"""

import argparse
import collections
import contextlib
import itertools
import math
import multiprocessing
import random
import sys

from skidboard import settings as table
from skidboard.controller import FlowController
from skidboard.flow import Flow
from skidboard.process import Process

MASK = (1 << 30) - 1
TICK_S = 0.1
OF_FLOW = ("flow_low_ul_s", "flow_set_ul_s", "flow_high_ul_s", "meter_pulse_nl", "pump_full_ul_s",
           "pump_slip_permille", "start_kick_permille", "duty_min_permille", "duty_max_permille",
           "duty_slew_permille_s", "gain_ppm_per_ul_s", "integral_ms", "no_flow_ms")  # fmt: skip


def drawn(dice):
    """Every setting at an end, its default or anywhere, most of them such as agree with each other."""
    values = {}
    for name, (_, low, high, default) in table.TABLE.items():
        kind = dice.random()
        anywhere = round(between(dice, max(low, 1), high)) if low >= 0 else dice.randint(low, high)
        values[name] = low if kind < 0.1 else high if kind < 0.2 else default if kind < 0.4 else anywhere
    flows = sorted(dice.sample(range(20, 20001), 3)) if dice.random() < 0.2 else None
    if flows is None:
        middle = round(between(dice, 55, 15000))
        flows = [
            max(20, round(middle * dice.uniform(0.5, 0.9))),
            middle,
            round(middle * dice.uniform(1.1, 1.3)),
        ]
    values["flow_low_ul_s"], values["flow_set_ul_s"], values["flow_high_ul_s"] = flows
    if dice.random() < 0.8:
        full = values["pump_full_ul_s"] = min(60000, max(100, round(flows[1] * between(dice, 1.2, 60))))
        values["duty_min_permille"] = dice.randint(0, 100)
        values["duty_max_permille"] = dice.randint(800, 1000)
        values["pump_slip_permille"] = dice.randint(0, 80)
        values["gain_ppm_per_ul_s"] = min(5000, max(1, round(between(dice, 0.02, 12) * 1e6 / full)))
        values["meter_pulse_nl"] = round(min(1e6, max(1000, flows[1] * between(dice, 0.5, 2000))))
        values["integral_ms"] = round(between(dice, 100, 60000))
    # how particles are counted does nothing to the flow
    for name in ("counter_driver", "code_low", "code_high"):
        values[name] = table.TABLE[name][3]
    if dice.random() < 0.8:
        for name in (
            "water_low_cpct",
            "temp_low_cdeg",
            "cleanup_output",
            "tachometer_pulses_rev",
        ):
            values[name] = table.TABLE[name][3]
        values["watchdog_ms"] = 3000
        values["fluid_v40_dmm2_s"] = values["fluid_v100_dmm2_s"] = 0
    values["assets"], values["meter_table"] = [1, 2, 3], []
    if values["fluid_v100_dmm2_s"]:
        values["meter_table"] = [[2, values["meter_pulse_nl"]], [300, values["meter_pulse_nl"]]]
    return values


def between(dice, low, high):
    """Between two numbers, evenly in their logarithms."""
    return math.exp(dice.uniform(math.log(low), math.log(high)))


class Board:
    """Inputs that stand still."""

    counts, meter_count, meter_edge_us, tacho_count = [0] * 6, 0, 0, 0
    water_ua = temp_ua = 12000
    temp_ohm, inputs = 10000, 0

    def __init__(self):
        self.now_ms = 0

    def ticks_ms(self):
        return self.now_ms & MASK

    def ticks_us(self):
        return self.now_ms * 1000 & MASK

    def refresh(self):
        self.now_ms += 100

    def set_pump(self, duty_permille):
        assert 0 <= duty_permille <= 1000

    def set_outputs(self, mask):
        pass


def runs(values):
    """The whole control step with these settings; whatever stops it is raised."""
    board = Board()
    process = Process(board)
    process.configure(values)
    process.sequence.start()
    for _ in range(20):
        process.step(board, 0, True)


def held(values, dice):
    """Mean flow in the steady state over its set-point, less 1; None for a pump too slow to wait for."""
    flow_set, slip = values["flow_set_ul_s"], values["pump_slip_permille"]
    for _ in range(1000):
        full = values["pump_full_ul_s"] * math.exp(dice.uniform(-0.3, 0.3))
        duty = slip + flow_set / full * (1000 - slip)
        if values["duty_min_permille"] * 1.02 <= duty <= values["duty_max_permille"] * 0.98:
            break
    else:
        return None
    loop = values["gain_ppm_per_ul_s"] * values["pump_full_ul_s"] / 1e6
    integral_s = values["integral_ms"] / 1000
    lag, dead = (
        (integral_s, integral_s / (2 * loop)) if loop <= 4 else (integral_s * loop / 4, integral_s / 8)
    )
    period = values["meter_pulse_nl"] / flow_set / 1000
    # Part of the dead time is the meter's and the tick's.
    dead = min(max(dead - 0.75 * period - 0.1, 0) * dice.uniform(0.3, 1), 2.5)
    lag = max(lag * math.exp(dice.uniform(-0.3, 0.3)), 0.05)
    slowest = max(integral_s / loop, 2 * dead, lag)
    if slowest > 120:
        return None
    settle_s = 6 * slowest + 30 + 10 * period + 1000 / values["duty_slew_permille_s"] * 4
    window_s = max(40, 20 * period, 4 * slowest)
    flow, controller = Flow(), FlowController()
    flow.configure(values["meter_pulse_nl"], values["flow_low_ul_s"])
    controller.configure(
        *(values[name] for name in ("pump_full_ul_s", "duty_min_permille", "duty_max_permille",
                                    "duty_slew_permille_s", "gain_ppm_per_ul_s", "integral_ms",
                                    "pump_slip_permille", "start_kick_permille")),
        values["no_flow_ms"] // 2,
    )  # fmt: skip
    controller.aim(flow_set)
    line = [0.0] * (int(dead / TICK_S) + 1)
    decay = math.exp(-TICK_S / lag)
    now_us = edge_us = at = 0
    true = volume = total = 0.0
    pulse_ul = next_ul = values["meter_pulse_nl"] / 1000
    settle, ticks = int(settle_s / TICK_S), int((settle_s + window_s) / TICK_S)
    for tick in range(ticks):
        late, line[at] = line[at], controller.duty_permille
        at = (at + 1) % len(line)
        aim = max(0.0, full * (late - slip) / (1000 - slip))
        true = aim + (true - aim) * decay
        now_us += 100000
        volume += true * TICK_S
        pulses = int((volume - next_ul) // pulse_ul) + 1 if volume >= next_ul else 0
        if pulses:
            next_ul += pulses * pulse_ul
            edge_us = now_us - int((volume - next_ul + pulse_ul) / (true * TICK_S) * 100000)
        flow.update(pulses, edge_us & MASK, now_us & MASK, 100)
        controller.update(flow.fine, flow.moving, 100)
        if tick >= settle:
            total += true
    return total / (ticks - settle) / flow_set - 1


def tried(seed):
    """The settings of one seed: (seed, the name refused or None, how far flow is off or None)."""
    dice = random.Random(seed)
    values = drawn(dice)
    problems = table.check_all(values)
    if problems:
        return seed, problems[0].split(":")[0], None
    runs(values)
    return seed, None, held(values, dice)


def sweep(first, wanted, say=None, jobs=1):
    """Draw until `wanted` are accepted: (accepted, held, too slow to wait for, refused by name, wrong)."""
    accepted = kept = slow = 0
    refused, wrong = collections.Counter(), []
    seeds = itertools.count(first)
    with multiprocessing.Pool(jobs) if jobs > 1 else contextlib.nullcontext() as pool:
        while accepted < wanted:
            some = list(itertools.islice(seeds, 50 * jobs if pool else 1))
            for seed, name, off in pool.map(tried, some, 10) if pool else map(tried, some):
                if accepted == wanted:
                    break
                if name:
                    refused[name] += 1
                    continue
                accepted += 1
                if off is None:
                    slow += 1
                elif abs(off) <= 0.01:
                    kept += 1
                else:
                    wrong.append((seed, off))
                    if say:
                        say(f"seed {seed}: {off:+.1%}")
                if say and accepted % 500 == 0:
                    say(f"{accepted} accepted, {sum(refused.values())} refused, {len(wrong)} not held")
    return accepted, kept, slow, refused, wrong


def main(arguments=None):
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--settings", type=int, default=10000, help="how many that the board accepts")
    parser.add_argument("--first-seed", type=int, default=1_000_000)
    parser.add_argument("--jobs", type=int, default=1, help="processes side by side")
    parser.add_argument("--seeds", type=int, nargs="+", help="these alone, with what was drawn")
    given = parser.parse_args(arguments)
    if given.seeds:
        found = [tried(seed) for seed in given.seeds]
        for seed, name, off in found:
            print(f"seed {seed}: {name or 'accepted'}, {off if off is None else format(off, '+.2%')}")
            print(" ", {k: v for k, v in drawn(random.Random(seed)).items() if k in OF_FLOW})
        return int(any(off is not None and abs(off) > 0.01 for _, _, off in found))
    accepted, kept, slow, refused, wrong = sweep(
        given.first_seed, given.settings, lambda s: print(s, flush=True), given.jobs
    )
    print(f"{accepted} sets of settings accepted: none stops the board; {kept} hold the flow within 1 %, "
          f"{slow} are for pumps that take over two minutes, {len(wrong)} do not hold it")  # fmt: skip
    print("refused by name:", ", ".join(f"{name} {n}" for name, n in refused.most_common()))
    return 1 if wrong or not kept else 0


if __name__ == "__main__":
    sys.exit(main())
