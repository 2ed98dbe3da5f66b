"""Every setting of the board: unit, range and default; anything unknown or out of range is refused by name.

What each one means is prose for people and lives on the host
(`skidwright.meanings.settings`), from which `docs/settings.md` is generated.
"""

import json
import os
from binascii import crc32

# name: (unit, lowest, highest, default)
TABLE = {
    # The sampling cycle
    "autostart": ("", 0, 1, 1),
    "run": ("", 0, 65535, 0),
    "sample_volume_ul": ("uL", 2000, 500000, 30000),
    "purge_volume_ul": ("uL", 0, 5000000, 200000),
    "purge_limit_ul": ("uL", 0, 5000000, 600000),
    "purge_limit_s": ("s", 10, 3600, 900),
    "line_volume_ul": ("uL", 500, 5000000, 15000),
    "carryover_percent": ("%", 1, 50, 10),
    "rest_s": ("s", 0, 86400, 300),
    "settle_ms": ("ms", 1000, 600000, 8000),
    "loop_steady_ua": ("uA", 5, 16000, 80),
    "prime_limit_s": ("s", 10, 3600, 600),
    "settle_limit_s": ("s", 10, 3600, 180),
    "run_limit_s": ("s", 30, 7200, 1800),
    # Flow
    "flow_set_ul_s": ("uL/s", 50, 20000, 833),
    "flow_low_ul_s": ("uL/s", 20, 20000, 667),
    "flow_high_ul_s": ("uL/s", 50, 20000, 1000),
    "purge_flow_ul_s": ("uL/s", 50, 20000, 2000),
    "meter_pulse_nl": ("nL", 1000, 1000000, 200000),
    "meter_uncertainty_cpct": ("0.01 %", 0, 2000, 100),
    "fluid_v40_dmm2_s": ("0.1 mm2/s", 0, 50000, 0),
    "fluid_v100_dmm2_s": ("0.1 mm2/s", 0, 5000, 0),
    # Pump and controller
    "pump_full_ul_s": ("uL/s", 100, 60000, 4000),
    "pump_slip_permille": ("1/1000", 0, 500, 0),
    "start_kick_permille": ("1/1000", 0, 1000, 200),
    "duty_min_permille": ("1/1000", 0, 500, 60),
    "duty_max_permille": ("1/1000", 100, 1000, 950),
    "duty_slew_permille_s": ("1/1000/s", 10, 10000, 400),
    "gain_ppm_per_ul_s": ("1e-6/(uL/s)", 1, 5000, 150),
    "integral_ms": ("ms", 100, 600000, 600),
    # Current loops and temperature
    "water_low_cpct": ("0.01 %", -1000, 10000, 0),
    "water_high_cpct": ("0.01 %", 100, 20000, 10000),
    "water_offset_ua": ("uA", -500, 500, 0),
    "water_gain_ppm": ("1e-6", -40000, 40000, 0),
    "temp_offset_ua": ("uA", -500, 500, 0),
    "temp_gain_ppm": ("1e-6", -40000, 40000, 0),
    "temp_source": ("", 0, 2, 1),
    "temp_low_cdeg": ("0.01 degC", -10000, 10000, 0),
    "temp_high_cdeg": ("0.01 degC", -5000, 30000, 10000),
    "metal_channels": ("", 0, 2, 0),
    "counter_driver": ("", 0, 2, 0),
    "code_channel": ("", 1, 4, 2),
    "code_low": ("", 0, 28, 0),
    "code_high": ("", 0, 28, 28),
    "loop_converter": ("", 0, 1, 0),
    "tachometer_pulses_rev": ("1/rev", 0, 1000, 0),
    "calibration_due_day": ("d since 2000-01-01", 0, 65535, 0),
    "meter_due_day": ("d since 2000-01-01", 0, 65535, 0),
    "loops_due_day": ("d since 2000-01-01", 0, 65535, 0),
    # Interlocks
    "no_flow_ms": ("ms", 1000, 120000, 8000),
    "unwanted_flow_ul": ("uL", 100, 100000, 5000),
    "fluid_hot_cdeg": ("0.01 degC", 0, 20000, 8500),
    "duty_limit_ms": ("ms", 1000, 600000, 20000),
    "stop_also": ("", 0, 15, 4),
    "trip_hold_s": ("s", 1, 86400, 60),
    # Clean-up runs
    "cleanup_4um": ("", 0, 28, 0),
    "cleanup_6um": ("", 0, 28, 0),
    "cleanup_14um": ("", 0, 28, 0),
    "cleanup_water_cpct": ("0.01 %", 0, 10000, 0),
    "cleanup_samples": ("", 1, 20, 3),
    "cleanup_rest_s": ("s", 0, 3600, 10),
    "cleanup_limit_s": ("s", 600, 1209600, 86400),
    "cleanup_stall_s": ("s", 600, 1209600, 14400),
    "cleanup_output": ("", 0, 8, 0),
    # Log and supervision
    "log_segments": ("", 8, 4000, 280),
    "watchdog_ms": ("ms", 0, 8388, 3000),
}
WATCHDOG_LEAST_MS = 2000
# Asset numbers sampled in turn; the place in the list is the number of the selector output.
ASSETS = "assets"
ASSETS_DEFAULT = [1]
MAX_ASSETS = 8
MAX_ASSET_NUMBER = 65535
# Volume of a meter pulse against viscosity: up to four of [mm2/s, nL], by rising viscosity.
METER_TABLE = "meter_table"
METER_POINTS = 4


def defaults():
    """A new dictionary of all settings at their defaults."""
    values = {name: row[3] for name, row in TABLE.items()}  # type: dict[str, object]
    values[ASSETS] = list(ASSETS_DEFAULT)
    values[METER_TABLE] = []
    return values


def _is_int(value):
    return isinstance(value, int) and not isinstance(value, bool)


def check(name, value):
    """None when `value` may be given to `name`, else one line that says why not."""
    if name == ASSETS:
        if not isinstance(value, list) or not 1 <= len(value) <= MAX_ASSETS:
            return "assets: a list of 1 to %d asset numbers is needed" % MAX_ASSETS
        for number in value:
            if not _is_int(number) or not 1 <= number <= MAX_ASSET_NUMBER:
                return "assets: %s is not a whole number from 1 to %d" % (number, MAX_ASSET_NUMBER)
        if len(set(value)) != len(value):
            return "assets: a number stands twice"
        return None
    if name == METER_TABLE:
        before = 1
        for point in value if isinstance(value, list) and len(value) <= METER_POINTS else [0]:
            if (
                not isinstance(point, list)
                or len(point) != 2
                or not (_is_int(point[0]) and _is_int(point[1]))
            ):
                return "meter_table: a list of up to %d [mm2/s, nL] is needed" % METER_POINTS
            if not before < point[0] <= 5000:
                return "meter_table: viscosities from 2 to 5000 mm2/s are needed, each above the last"
            if not 1000 <= point[1] <= 1000000:
                return "meter_table: %d is outside 1000 to 1000000 nL" % point[1]
            before = point[0]
        return None
    if name not in TABLE:
        return "%s: there is no such setting" % name
    unit, low, high, _ = TABLE[name]
    if not _is_int(value):
        return "%s: a whole number is needed, not %s" % (name, value)
    if not low <= value <= high:
        return "%s: %d is outside %d to %d %s" % (name, value, low, high, unit)
    return None


def check_all(values):
    """A list of lines, one for each thing wrong with a dictionary of settings (empty when all is well).

    Names left out keep their defaults. Settings that only make sense together are checked together.
    """
    problems = ["%s: a name is a text" % (name,) for name in values if not isinstance(name, str)]
    for name in [] if problems else sorted(values):
        problem = check(name, values[name])
        if problem:
            problems.append(problem)
    if not problems:
        whole = defaults()
        whole.update(values)
        if not whole["flow_low_ul_s"] < whole["flow_set_ul_s"] < whole["flow_high_ul_s"]:
            problems.append("flow_set_ul_s: must lie between flow_low_ul_s and flow_high_ul_s")
        if 0 < whole["watchdog_ms"] < WATCHDOG_LEAST_MS:
            # It is fed once a second at rest, and a record may take a while.
            problems.append("watchdog_ms: must be 0 (none) or at least %d" % WATCHDOG_LEAST_MS)
        v40, v100 = whole["fluid_v40_dmm2_s"], whole["fluid_v100_dmm2_s"]
        if (v40 or v100 or whole[METER_TABLE]) and not 20 <= v100 <= v40 - v40 // 4:
            # Any oil thins by more; nearer together the chart between them has no slope left.
            problems.append("fluid_v100_dmm2_s: 20 or more, and a quarter below fluid_v40_dmm2_s, is needed")
        for point in whole[METER_TABLE]:
            if not 3 * whole["meter_pulse_nl"] <= 4 * point[1] <= 5 * whole["meter_pulse_nl"]:
                problems.append("meter_table: %d nL is not within a quarter of meter_pulse_nl" % point[1])
        if whole["duty_min_permille"] >= whole["duty_max_permille"]:
            problems.append("duty_min_permille: must be below duty_max_permille")
        else:
            problems += _not_held(whole)
        if whole["water_low_cpct"] >= whole["water_high_cpct"]:
            problems.append("water_low_cpct: must be below water_high_cpct")
        if whole["temp_low_cdeg"] >= whole["temp_high_cdeg"]:
            problems.append("temp_low_cdeg: must be below temp_high_cdeg")
        if whole["code_low"] >= whole["code_high"]:
            problems.append("code_low: must be below code_high")
        if whole["counter_driver"] == 2 and whole["temp_source"] == 1:
            problems.append("counter_driver: 2 has the temperature loop's input; temp_source must be 0 or 2")
        output = whole["cleanup_output"]
        if 0 < output <= len(whole[ASSETS]):
            problems.append("cleanup_output: output %d opens a sampling valve" % output)
        if output == MAX_ASSETS and whole["tachometer_pulses_rev"]:
            problems.append("cleanup_output: output %d is the tachometer's" % output)
        if whole["tachometer_pulses_rev"] and len(whole[ASSETS]) == MAX_ASSETS:
            problems.append("tachometer_pulses_rev: the tachometer has output 8; leave it free")
    return problems


def _not_held(whole):
    """Why flow could not be held with these settings; tests/firmware/random_settings.py tries the others."""
    problems = []
    full = whole["pump_full_ul_s"]
    flow = whole["flow_set_ul_s"]
    slip = whole["pump_slip_permille"]
    duty = slip + flow * (1000 - slip) // full
    if not whole["duty_min_permille"] <= duty <= whole["duty_max_permille"]:
        problems.append("pump_full_ul_s: flow_set_ul_s takes a duty of %d, outside its limits" % duty)
    elif full > 50 * flow:
        problems.append("pump_full_ul_s: more than 50 times flow_set_ul_s; the duty's steps are too coarse")
    # Gain of the loop in 1/256, as in controller.py; at 8 even a long lag swings.
    loop = whole["gain_ppm_per_ul_s"] * full // 3906
    integral_ms = whole["integral_ms"]
    if loop > 2048:
        problems.append("gain_ppm_per_ul_s: at most %d for this pump_full_ul_s" % (2048 * 3906 // full))
    elif integral_ms * 256 > max(loop, 1) * 1000 * whole["settle_limit_s"]:
        problems.append("gain_ppm_per_ul_s: too low for integral_ms; flow would not settle in settle_limit_s")
    # Tick, averaging and half the time between pulses are dead time whatever the pump.
    pulse_nl = whole["meter_pulse_nl"]
    dead_ms = integral_ms * 128 // max(loop, 1) if loop <= 1024 else integral_ms // 8
    if 2 * dead_ms < pulse_nl // flow + 200:
        problems.append("gain_ppm_per_ul_s: too high for integral_ms and the time between the meter's pulses")
    # The controller lets go after half of it; two pulses of its ramp must have come by then. Gains may be
    # lower than the pump would bear: beyond 2.5 s they tell no dead time. Lag over dead time is loop / 128.
    ramp_ms = max(whole["no_flow_ms"] // 2 - min(dead_ms, 2500), 0)
    ramp = full * whole["duty_slew_permille_s"] // min(max(loop, 128), 512)
    if whole["no_flow_ms"] < 2 * pulse_nl // whole["flow_low_ul_s"]:
        problems.append("no_flow_ms: at least twice the time between pulses at flow_low_ul_s is needed")
    elif ramp_ms**2 * ramp < 31250 * pulse_nl:
        problems.append("no_flow_ms: too short for integral_ms, duty_slew_permille_s and meter_pulse_nl")
    return problems


def canonical(values):
    """The settings as bytes in one fixed order, for digests."""
    return "\n".join(["%s=%s" % (name, values[name]) for name in sorted(values)]).encode()


def digest(values):
    """CRC-32 of all settings in force, as it stands in each sample record."""
    return crc32(canonical(values))


def load(path):
    """Settings from a JSON file on the board and a list of problems.

    With any problem all settings are the defaults: half of a set of settings
    is not a set anybody chose. A missing file is no problem.
    """
    values = defaults()
    try:
        with open(path) as f:
            found = json.load(f)
    except OSError:
        return values, []
    except (ValueError, TypeError, RuntimeError, MemoryError):
        # Type error: {[1]: 2}, which MicroPython takes for JSON up to there. Runtime error: nested too deep.
        # Memory error: far too long. The board starts all the same.
        return values, ["settings file: not valid JSON"]
    if not isinstance(found, dict):
        return values, ["settings file: not a table of settings"]
    problems = check_all(found)
    if not problems:
        values.update(found)
    return values, problems


def store(path, values):
    """Put settings into the file on the board: a cut leaves the old ones or these. Raises OSError."""
    with open(path + ".new", "w") as f:
        json.dump(values, f)
    os.rename(path + ".new", path)
