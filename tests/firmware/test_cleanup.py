"""A clean-up run from end to end on a fake board: what ends it, what the output does, what is on record."""

import os

from skidboard import cleanup, records
from skidboard.app import App
from skidboard.sequence import REST, STANDBY, TRIPPED
from test_app import QUICK, board, of_kind, run

RELAY = 1 << 7
# Exponent 2.8; by ISO 4406:2021 table 1 4000/1285/120 per mL are 19/17/14, 1200/386/36 are 17/16/12.
DIRTY = [4000, 1285, 120, 38, 0, 0]
CLEAN = [1200, 386, 36, 12, 0, 0]
AIM = {
    "cleanup_4um": 17,
    "cleanup_6um": 16,
    "cleanup_14um": 12,
    "cleanup_samples": 3,
    "cleanup_rest_s": 5,
    "cleanup_output": 8,
    "sample_volume_ul": 8000,
    "line_volume_ul": 1500,
    "autostart": 0,
}


def standing(name, **more):
    """An app in standby, aimed at 17/16/12, its fluid dirty."""
    values = dict(QUICK)
    values.update(AIM)
    values.update(more)
    app = App(board(name, values))
    app.fluid = DIRTY
    app.board.per_ml = list(DIRTY)
    run(app, 1000)
    return app


def until(app, done, most_s=1200):
    """Run until `done()`; the seconds it took."""
    for second in range(most_s):
        if done():
            return second
        # The model's particles come evenly: the same counts twice would be a counter that is stuck.
        app.board.per_ml = [n * (1000 + second // 13 * 7 % 11) // 1000 for n in app.fluid]
        run(app, 1000)
    raise AssertionError("not within %d s" % most_s)


def ends(app):
    return [t["code"] for t in of_kind(app, records.CLEANUP)]


def marker(app):
    return "cleanup" in os.listdir(app.board.settings_path.rsplit("/", 1)[0])


def test_runs_until_three_in_a_row_are_on_target_then_switches_off():
    app = standing("clean")
    assert app.command("cleanup start 9") is None
    run(app, 1000)
    assert app.board.outputs & RELAY and app.board.outputs & 0xF == 2 and marker(app)
    until(app, lambda: app.process.cleanup.samples == 3)
    state = app.status()["cleanup"]
    assert state["running"] and state["output"] and state["asset"] == 9
    # The first may hold what another asset left in the line.
    assert (state["in_row"], state["valid"], state["samples"]) == (0, 2, 3)
    app.fluid = CLEAN
    until(app, lambda: not app.process.cleanup.running)
    assert not app.board.outputs & RELAY and not marker(app)
    state = app.status()["cleanup"]
    assert not state["running"] and not state["output"]
    assert state["ended"] == cleanup.ON_TARGET and state["in_row"] == 3
    samples = of_kind(app, records.SAMPLE)
    assert {s["asset"] for s in samples} == {9}
    begun, ended = of_kind(app, records.CLEANUP)
    assert begun["a"] == 17 | 16 << 8 | 12 << 16 | 3 << 24 and begun["c"] == 8 and begun["asset"] == 9
    assert (begun["code"], begun["b"], begun["d"]) == (0, 0, 86400)
    assert ended["code"] == cleanup.ON_TARGET and ended["asset"] == 9
    assert (ended["b"], ended["c"], ended["d"]) == (len(samples) - 1, 3, len(samples))
    assert abs(ended["a"] * 1000 - (ended["uptime_ms"] - begun["uptime_ms"])) < 2000
    run(app, 1000)
    assert app.sequence.state == STANDBY


def test_a_skid_that_was_sampling_goes_on_with_all_its_assets():
    app = standing("clean_resumes", autostart=1)
    app.fluid = CLEAN
    until(app, lambda: len(of_kind(app, records.SAMPLE)) == 2)
    app.command("cleanup start 4")
    until(app, lambda: not app.process.cleanup.running)
    assert [s["asset"] for s in of_kind(app, records.SAMPLE)] == [4, 9, 4, 4, 4, 4]
    until(app, lambda: len(of_kind(app, records.SAMPLE)) == 8)
    assert [s["asset"] for s in of_kind(app, records.SAMPLE)][6:] == [9, 4]


def test_an_invalid_sample_counts_for_nothing_and_one_above_the_target_begins_the_row_anew():
    app = standing("clean_air")
    app.fluid = CLEAN
    app.command("cleanup start 4")
    until(app, lambda: app.process.cleanup.in_row == 2)
    # Bubbles are large: nearly all that is >=14 is >=21.
    app.fluid = [1200, 386, 36, 34, 0, 0]
    until(app, lambda: app.process.cleanup.samples == 5)
    assert app.process.cleanup.running and app.process.cleanup.in_row == 2
    assert app.process.cleanup.valid == 2
    # The same with more of them: above the target.
    app.fluid = [1200, 386, 60, 56, 0, 0]
    until(app, lambda: app.process.cleanup.in_row == 0)
    assert app.process.cleanup.running and app.board.outputs & RELAY and app.process.cleanup.valid == 2
    app.fluid = CLEAN
    until(app, lambda: not app.process.cleanup.running)
    assert ends(app)[-1] == cleanup.ON_TARGET
    assert len(of_kind(app, records.SAMPLE)) == 9 and of_kind(app, records.CLEANUP)[-1]["b"] == 5


def test_a_cycle_without_a_sample_counts_for_nothing():
    app = standing("clean_missed", settle_limit_s=10, no_flow_ms=60000, prime_limit_s=60)
    app.fluid = CLEAN
    app.command("cleanup start 4")
    until(app, lambda: app.process.cleanup.in_row == 2)
    app.board.full_ul_s = 600.0
    until(app, lambda: of_kind(app, records.SKIPPED))
    assert app.process.cleanup.in_row == 2 and app.process.cleanup.running


def test_water_keeps_the_run_going_and_a_broken_loop_proves_nothing():
    app = standing("clean_water", cleanup_water_cpct=2000)
    app.fluid = CLEAN
    app.board.real_water_ua = 8000
    app.command("cleanup start 4")
    until(app, lambda: app.process.cleanup.samples == 4)
    assert app.process.cleanup.in_row == 0 and app.process.cleanup.valid == 3
    app.board.real_water_ua = 0
    until(app, lambda: app.process.cleanup.samples == 6)
    assert app.process.cleanup.in_row == 0 and app.process.cleanup.valid == 3
    # 4 mA + 16 mA * 19.9 %
    app.board.real_water_ua = 7184
    until(app, lambda: not app.process.cleanup.running)
    assert ends(app)[-1] == cleanup.ON_TARGET


def test_every_trip_and_command_switches_off_at_once():
    for how, what in (
        (cleanup.TRIP, None),
        (cleanup.BY_COMMAND, "stop"),
        (cleanup.BY_COMMAND, "cleanup stop"),
    ):
        app = standing("clean_off")
        app.command("cleanup start 4")
        run(app, 3000)
        assert app.board.outputs & RELAY
        if what:
            assert app.command(what) is None
            assert not app.board.outputs & RELAY
            if what == "stop":
                assert app.board.outputs == 0 and app.board.duty_permille == 0
        else:
            app.board.input_bits = 1
        run(app, 1000)
        assert not app.board.outputs & RELAY and not app.process.cleanup.running and not marker(app)
        assert ends(app)[-1] == how
        assert app.sequence.state == (STANDBY if what else TRIPPED)
        app.board.input_bits = 0
        app.command("reset")
        run(app, 3000)
        assert not app.board.outputs & RELAY


def test_a_trip_that_ends_by_itself_does_not_begin_the_run_again():
    app = standing("clean_air_trip", autostart=1, trip_hold_s=5)
    app.command("cleanup start 4")
    run(app, 2000)
    app.board.meter_broken = True
    until(app, lambda: app.sequence.state == TRIPPED)
    assert not app.board.outputs & RELAY
    app.board.meter_broken = False
    until(app, lambda: app.sequence.state not in (TRIPPED, REST))
    run(app, 30000)
    assert not app.board.outputs & RELAY and not app.process.cleanup.running


def test_the_longest_time_and_want_of_progress():
    app = standing("clean_long", cleanup_limit_s=600)
    app.command("cleanup start 4")
    # Always a little cleaner, never clean.
    seconds = 0
    while app.process.cleanup.running:
        run(app, 1000)
        seconds += 1
        app.board.per_ml = [int(n * (1 + 2 ** (-seconds / 300))) for n in DIRTY]
    assert ends(app)[-1] == cleanup.TOO_LONG and abs(seconds - 600) < 3
    app = standing("clean_still", cleanup_stall_s=600)
    app.command("cleanup start 4")
    seconds = until(app, lambda: not app.process.cleanup.running, 2000)
    assert ends(app)[-1] == cleanup.NO_PROGRESS
    # Counted from the second sample, the first valid one.
    second = of_kind(app, records.SAMPLE)[1]["uptime_ms"] // 1000
    assert abs(seconds + 1 - (second + 600)) < 4
    assert not app.board.outputs & RELAY


def test_changed_settings_and_leaving_end_it():
    app = standing("clean_settings")
    app.command("cleanup start 4")
    run(app, 2000)
    assert app.put_settings({"cleanup_4um": 17}) == (0, None) and app.process.cleanup.running
    assert app.put_settings({"cleanup_4um": 16}) == (1, None)
    assert not app.board.outputs & RELAY and ends(app)[-1] == cleanup.SETTINGS
    app.command("cleanup start 4")
    run(app, 2000)
    assert app.board.outputs & RELAY
    app.leave(0)
    app.run()
    assert app.board.outputs == 0 and ends(app)[-1] == cleanup.LEFT
    kinds = [t["kind"] for k in (records.CLEANUP, records.LEAVE) for t in of_kind(app, k)]
    assert kinds[-1] == records.LEAVE and not marker(app)


def test_after_a_loss_of_power_the_output_stays_off_and_the_log_says_so():
    app = standing("clean_power")
    app.command("cleanup start 9")
    run(app, 3000)
    assert marker(app)
    fake = app.board
    fake.safe()
    again = App(fake)
    run(again, 30000)
    assert not fake.outputs & RELAY and not marker(again)
    last = of_kind(again, records.CLEANUP)[-1]
    assert (last["code"], last["asset"]) == (cleanup.POWER, 9)
    assert again.status()["cleanup"]["ended"] == cleanup.POWER
    third = App(fake)
    assert len(of_kind(third, records.CLEANUP)) == 2


def test_refusals():
    app = standing("clean_refused")
    for text, why in (
        ("cleanup", "cleanup: give `start ASSET` or `stop`"),
        ("cleanup start x", "cleanup: give `start ASSET` or `stop`"),
        ("cleanup start 5", "cleanup start: asset 5 is not in `assets`"),
        ("cleanup stop", "cleanup stop: no clean-up is running"),
    ):
        assert app.command(text) == why
    app.command("cleanup start 4")
    assert app.command("cleanup start 9") == "cleanup start: a clean-up is running"
    assert app.command("duty 300 10").startswith("duty: a clean-up is running")
    app.command("cleanup stop")
    app.command("hold 800 60")
    assert app.command("cleanup start 9") == "cleanup start: the pump is by hand; `auto` first"
    app.command("auto")
    app.board.input_bits = 1
    run(app, 2000)
    assert app.command("cleanup start 9") == "cleanup start: the skid is tripped; reset it first"
    assert not marker(app)
    app = standing("clean_no_target", cleanup_4um=0, cleanup_6um=0, cleanup_14um=0)
    assert app.command("cleanup start 4") == "cleanup start: no target is set"
    app = standing("clean_no_dog", watchdog_ms=0)
    assert "watchdog" in app.command("cleanup start 4")
    _, problem = app.put_settings({"cleanup_output": 2})
    assert problem == "cleanup_output: output 2 opens a sampling valve"


def test_a_sample_that_is_not_in_the_log_does_not_count():
    app = standing("clean_unstored")
    app.fluid = CLEAN
    app.command("cleanup start 4")
    until(app, lambda: app.process.cleanup.in_row == 1)
    append = app.journal.append
    app.journal.append = lambda slot: -1
    until(app, lambda: app.process.cleanup.samples == 4)
    assert app.process.cleanup.running and app.process.cleanup.in_row == 1
    app.journal.append = append
    until(app, lambda: not app.process.cleanup.running)


def test_a_run_that_cannot_be_recorded_is_refused_though_the_next_record_can():
    app = standing("clean_unrecorded")
    append = app.journal.append

    def fails_for_its_begin(slot):
        if slot[0] == records.CLEANUP and slot[24] == 0:
            app.journal.problem = "storage: error 5"
            return -1
        app.journal.problem = None
        return append(slot)

    app.journal.append = fails_for_its_begin
    assert app.command("cleanup start 4") == "cleanup start: storage: error 5"
    assert not app.process.cleanup.running and not app.board.outputs & RELAY and not marker(app)


def test_without_an_output_it_judges_all_the_same():
    app = standing("clean_no_output", cleanup_output=0)
    app.fluid = CLEAN
    app.command("cleanup start 4")
    run(app, 2000)
    assert app.board.outputs & 0xFF == 1
    until(app, lambda: not app.process.cleanup.running)
    assert ends(app)[-1] == cleanup.ON_TARGET
