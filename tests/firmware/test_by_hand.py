"""The pump by hand: commands, limits, interlocks, records, and the trace of what the loop did."""

import struct

from skidboard import faults, records
from skidboard.app import App
from skidboard.sequence import COUNT, MANUAL, PRIME, REST, STANDBY, TRIPPED
from skidboard.trace import ROW_BYTES, ROW_FORMAT, ROWS, Trace
from test_app import QUICK, board, of_kind, run


def standing(name):
    """An app in standby."""
    return App(board(name, dict(QUICK, autostart=0)))


def hand_records(app):
    return [(table["code"], table["state"], table["text"]) for table in of_kind(app, records.BY_HAND)]


def test_a_duty_by_hand_is_driven_then_ends_by_itself():
    app = standing("hand_duty")
    run(app, 2000)
    assert app.command("duty 260 5") is None
    run(app, 3000)
    assert app.sequence.state == MANUAL and app.board.duty_permille == 260
    status = app.status()
    assert status["state"] == "manual" and status["by_hand"] and status["flow_ul_s"] > 0
    assert app.board.outputs & 0xFF == 1
    run(app, 3000)
    assert app.sequence.state == STANDBY and app.board.duty_permille == 0 and app.board.outputs & 0xFF == 0
    assert hand_records(app) == [(1, MANUAL, "duty 260"), (0, STANDBY, "")]


def test_a_flow_by_hand_is_held_and_the_duty_goes_over_without_a_jump():
    app = standing("hand_hold")
    app.command("duty 300 60")
    run(app, 8000)
    before = app.board.duty_permille
    assert app.command("hold 800 60") is None
    run(app, 100)
    # One tick after: feedforward moves by nothing (833 to 800 is 8 per mille), gain times a small error.
    assert abs(app.board.duty_permille - before) < 60
    run(app, 20000)
    assert abs(app.status()["flow_ul_s"] - 800) <= 40
    assert app.command("auto") is None
    run(app, 1100)
    assert app.sequence.state == STANDBY and app.board.duty_permille == 0


def test_after_hand_a_sampling_skid_rests_and_goes_on():
    app = App(board("hand_resumes"))
    run(app, 1000)
    while app.sequence.state != REST:
        run(app, 1000)
    assert app.command("duty 260 5") is None
    run(app, 7000)
    assert app.sequence.state == REST
    run(app, 21000)
    assert app.sequence.state == PRIME


def test_a_sample_with_a_duty_by_hand_says_so():
    app = App(board("hand_sample"))
    run(app, 5000)
    # 833 uL/s of the model pump's flow; what the valve of a hand-driven skid would be set to.
    while app.sequence.state != COUNT:
        run(app, 500)
    assert app.command("duty %d" % app.board.duty_permille) is None
    run(app, 20000)
    flags = [sample["flags"] & records.FLAG_FIXED_DUTY for sample in of_kind(app, records.SAMPLE)]
    assert flags and flags[0]
    app.command("auto")
    while len(of_kind(app, records.SAMPLE)) < len(flags) + 2:
        run(app, 10000)
    assert not of_kind(app, records.SAMPLE)[-1]["flags"] & records.FLAG_FIXED_DUTY


def test_interlocks_watch_as_ever():
    for name, spoil, code in (
        ("stop", lambda fake: setattr(fake, "input_bits", 1), faults.STOP_INPUT),
        ("pressure", lambda fake: setattr(fake, "input_bits", 2), faults.OVER_PRESSURE),
    ):
        app = standing("hand_" + name)
        app.command("duty 300 60")
        run(app, 3000)
        spoil(app.board)
        run(app, 200)
        assert app.sequence.state == TRIPPED and app.board.duty_permille == 0
        assert app.command("duty 300").startswith("duty: the skid is tripped")
        assert hand_records(app)[-1][0] == 0
        assert of_kind(app, records.TRIP)[0]["code"] == code
        assert not app.sequence.by_hand()


def test_what_cannot_be_is_refused_by_name():
    app = standing("hand_refused")
    for text, words in (
        ("duty", "whole number"),
        ("duty x", "whole number"),
        ("duty 1 2 3", "whole number"),
        ("duty 20", "outside 60 to 950"),
        ("duty 990", "outside 60 to 950"),
        ("duty 300 99999", "outside 1 to 1800 s"),
        ("hold 1200", "outside 667 to 1000 uL/s"),
        ("auto", "not by hand"),
        ("auto 3", "no number"),
    ):
        problem = app.command(text)
        assert problem and words in problem, (text, problem)
    run(app, 1100)
    assert app.board.duty_permille == 0 and hand_records(app) == []
    app.command("start")
    run(app, 1000)
    assert app.command("hold 800") == "hold: a cycle is running; stop it first"


def test_the_trace_gives_every_tick_once():
    app = standing("hand_trace")
    app.command("duty 300 60")
    wanted = 0
    found = []
    buffer = bytearray(ROWS * ROW_BYTES)
    for _ in range(6):
        run(app, 3000)
        first, rows = app.process.trace.pack_into(wanted, ROWS, buffer, 0)
        assert first == wanted
        wanted = first + rows
        found += [struct.unpack_from(ROW_FORMAT, buffer, k * ROW_BYTES) for k in range(rows)]
    assert wanted == app.process.trace.next
    steps = [after[0] - before[0] for before, after in zip(found, found[1:])]
    # Each call of run() begins with a tick of its own.
    assert all(0 <= step <= 110000 for step in steps)
    assert len([step for step in steps if step >= 90000]) > 150
    assert found[-1][4] == 300 and found[-1][3] > 0 and found[-1][2] == app.board.meter_count
    # Every edge lies before the tick that saw it, and they only go forward.
    assert all(row[1] <= row[0] for row in found)


def test_the_trace_passes_over_what_is_gone():
    trace = Trace()
    for k in range(300):
        trace.add(k, k, k, 70000, k % 1000)
    buffer = bytearray(ROWS * ROW_BYTES)
    assert trace.pack_into(0, ROWS, buffer, 0) == (300 - ROWS, ROWS)
    assert struct.unpack_from(ROW_FORMAT, buffer, 0) == (172, 172, 172, 65535, 172)
    assert trace.pack_into(290, 4, buffer, 0) == (290, 4)
    assert trace.pack_into(300, ROWS, buffer, 0) == (300, 0)
    assert trace.pack_into(12345, ROWS, buffer, 0) == (172, ROWS)
