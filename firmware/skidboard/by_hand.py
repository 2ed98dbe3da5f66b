"""The pump by hand: the commands `duty`, `hold` and `auto`.

    duty N [S]   duty of N per mille; from standby or rest for S seconds, in a running cycle until `auto`
    hold N [S]   from standby or rest: the controller holds N uL/s, inside the band, for S seconds
    auto         the controller and the cycle have the pump again

The interlocks watch as ever, the longest run time included. Whatever is sampled with a duty by hand is
marked so in its record.
"""

from skidboard import faults, records
from skidboard.sequence import TRIPPED

COMMANDS = ("duty", "hold", "auto")
DEFAULT_S = 60


def command(app, words):
    """Carry out one of the commands above, given as its words; None, or one line that says why not."""
    sequence = app.sequence
    what = words[0]
    if what == "auto":
        if len(words) > 1:
            return "auto: takes no number"
        if not sequence.by_hand():
            return "auto: the pump is not by hand"
        sequence.end_by_hand()
        return None
    if sequence.state == TRIPPED:
        return "%s: the skid is tripped (%s); reset it first" % (
            what,
            ", ".join(faults.names(sequence.faults)),
        )
    try:
        numbers = [int(word) for word in words[1:]]
    except ValueError:
        numbers = []
    if not 1 <= len(numbers) <= 2:
        return "%s: give a whole number, and seconds if you like" % what
    settings = app.settings
    low, high, unit = (
        (settings["duty_min_permille"], settings["duty_max_permille"], "per mille")
        if what == "duty"
        else (settings["flow_low_ul_s"], settings["flow_high_ul_s"], "uL/s")
    )
    if not low <= numbers[0] <= high:
        return "%s: %d is outside %d to %d %s" % (what, numbers[0], low, high, unit)
    limit_s = numbers[1] if len(numbers) > 1 else DEFAULT_S
    if not 1 <= limit_s <= settings["run_limit_s"]:
        return "%s: %d is outside 1 to %d s" % (what, limit_s, settings["run_limit_s"])
    if what == "hold" and sequence.in_cycle():
        return "hold: a cycle is running; stop it first"
    if what == "duty":
        sequence.drive_by_hand(numbers[0], limit_s * 1000)
    else:
        sequence.hold_by_hand(numbers[0], limit_s * 1000)
    return None


def record(app, begins):
    """Write down that the pump has come into a person's hand, or out of it.

    A knob that is turned, or a step test, would fill the log: its beginning and its end are enough.
    """
    fixed = app.sequence.fixed_permille
    text = ""
    if begins:
        text = "duty %d" % fixed if fixed >= 0 else "hold %d" % app.sequence.set_ul_s
    app.recorder.event(records.BY_HAND, 1 if begins else 0, text=text)
