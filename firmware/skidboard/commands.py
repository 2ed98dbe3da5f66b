"""What a host can tell the board to do, in words: start, stop, reset, mark, the pump by hand, a clean-up."""

from skidboard import by_hand, cleanup, faults, records
from skidboard.sequence import TRIPPED

_THERE = "start, stop, reset, mark TEXT, duty N, hold N, auto, cleanup start N, cleanup stop"


def command(app, text):
    """Carry out "start", "stop", "reset", "mark TEXT" or a command of by_hand.py or cleanup.py for an App.

    None, or one line that says why not.
    """
    words = text.split(" ")
    if text == "start":
        return _start(app.sequence)
    if text == "stop":
        _stop(app)
        return None
    if text == "reset":
        return _reset(app)
    if words[0] == "mark" and text[5:].strip():
        if app.recorder.event(records.MARK, text=text[5:].strip()) < 0:
            return "mark: %s" % app.journal.problem
        return None
    if words[0] == "cleanup":
        return cleanup.command(app, words)
    if words[0] in by_hand.COMMANDS:
        if app.process.cleanup.running:
            return "%s: a clean-up is running; end it with `cleanup stop` first" % words[0]
        return by_hand.command(app, words)
    return "%s: no such command; there are %s" % (words[0] or "(nothing)", _THERE)


def _start(sequence):
    if sequence.state == TRIPPED:
        return "start: the skid is tripped (%s); reset it first" % ", ".join(faults.names(sequence.faults))
    if sequence.in_cycle():
        return "start: a cycle is running already"
    sequence.start()
    return None


def _stop(app):
    app.process.cleanup.end(cleanup.BY_COMMAND)
    app.sequence.stop()
    # Lamps come back with the next tick.
    app.board.safe()
    app.process.outputs = 0


def _reset(app):
    if app.sequence.state != TRIPPED:
        return "reset: the skid is not tripped"
    present = app.process.interlocks.causes_present()
    if present:
        return "reset: %s is still there" % ", ".join(faults.names(present))
    app.process.interlocks.reset()
    app.forget_watchdog()
    app.sequence.reset()
    return None
