"""The whole app on a fake board: cycle, records, faults, settings, leaving."""

import json
import struct
from binascii import crc32

from fake_board import FakeBoard, fresh_folder
from skidboard import faults, frames, records, settings
from skidboard.app import App

QUICK = {
    "purge_volume_ul": 10000,
    "rest_s": 20,
    "settle_ms": 3000,
    "sample_volume_ul": 6000,
    "assets": [4, 9],
}


def board(name, values=QUICK):
    """A fresh board with its settings file."""
    made = FakeBoard(fresh_folder(name))
    if values is not None:
        with open(made.settings_path, "w") as f:
            json.dump(values, f)
    return made


class Ended(Exception):
    """Ends a run of the loop from within."""


def run(app, ms):
    """Let the loop run for `ms`; time stops in the middle of it, the app does not leave."""
    fake = app.board
    end_us = fake.now_us + ms * 1000
    idle = fake.idle

    def until_end(wait_ms):
        if fake.now_us >= end_us:
            raise Ended
        idle(min(wait_ms, max(1, (end_us - fake.now_us) // 1000)))

    fake.idle = until_end
    try:
        app.run()
    except Ended:
        pass
    fake.idle = idle


def stored(app):
    """All records in the log, each as (kind, dictionary)."""
    found = []
    journal = app.journal
    for segment in range(journal.segment_first, journal.segment_last + 1):
        block = bytearray(records.SEGMENT_BYTES)
        n = journal.read_into(segment, 0, block)[0]
        for at in range(records.HEADER_BYTES, n, records.RECORD_BYTES):
            slot = bytes(block[at : at + records.RECORD_BYTES])
            assert records.record_ok(slot)
            layout = records.SAMPLE_FIELDS if slot[0] == records.SAMPLE else records.EVENT_FIELDS
            table = {}
            offset = 0
            for name, code in layout:
                values = struct.unpack_from("<" + code, slot, offset)
                offset += struct.calcsize("<" + code)
                table[name] = values[0] if len(values) == 1 else list(values)
            if "text" in table:
                table["text"] = str(table["text"], "utf-8").rstrip("\0")
            found.append((slot[0], table))
    return found


def of_kind(app, kind):
    return [table for k, table in stored(app) if k == kind]


def test_samples_two_assets_in_turn():
    app = App(board("two_assets"))
    run(app, 150000)
    kinds = [kind for kind, _ in stored(app)]
    assert kinds[0] == records.BOOT
    assert set(kinds) == {records.BOOT, records.SETTINGS, records.SAMPLE}
    samples = of_kind(app, records.SAMPLE)
    assert [sample["asset"] for sample in samples[:4]] == [4, 9, 4, 9]
    fake = app.board
    for sample in samples:
        assert sample["volume_ul"] == 6000
        for channel in range(4):
            # The model's particles come evenly: per_ml in 6 mL, give or take the two ends.
            assert abs(sample["counts"][channel] - fake.per_ml[channel] * 6) <= 2
        assert 667 <= sample["flow_min_ul_s"] <= sample["flow_mean_ul_s"] <= sample["flow_max_ul_s"] <= 1000
        assert sample["out_of_band_ms"] == 0 and sample["faults"] == 0
        assert sample["water_mean_ua"] == 8000 and sample["temp_mean_cdeg"] == 5000
        assert sample["settings_crc"] == settings.digest(app.settings)
        assert sample["prepare_ms"] >= 8000 and sample["purge_ul"] >= 10000
    # ISO 4406:2021 table 1: 4000 per mL is 19, 1000 is 17, 100 is 14, 10 is 10.
    assert samples[1]["codes"] == [19, 17, 14, 10]


def test_uptimes_never_run_backwards_and_sequence_numbers_count_up():
    app = App(board("order"))
    run(app, 100000)
    found = [table for _, table in stored(app)]
    assert [table["seq"] for table in found] == list(range(len(found)))
    ends = [table["uptime_ms"] for table in found]
    # A sample carries the time of its last edge, up to a tick before the record was written.
    assert all(after >= before - 100 for before, after in zip(ends, ends[1:]))


def test_outputs_follow_the_cycle():
    fake = board("outputs")
    app = App(fake)
    seen = {}
    tick = app.tick

    def spy():
        tick()
        seen.setdefault(app.sequence.state, set()).add((fake.outputs & 0xFF, fake.duty_permille > 0))

    app.tick = spy
    run(app, 120000)
    # Prime, settle, count: one valve open. The tick that begins a state may still find the pump ramping up.
    for state in (1, 2, 3):
        assert {valves for valves, _ in seen[state]} <= {1, 2}
    assert seen[4] == {(0, False)}
    assert fake.outputs & 1 << 8
    assert not fake.outputs & 1 << 9


def test_stop_input_trips_and_is_on_record():
    fake = board("stop_input")
    app = App(fake)
    run(app, 5000)
    assert fake.duty_permille > 0
    fake.input_bits = 1
    run(app, 200)
    assert fake.duty_permille == 0 and fake.outputs & 0xFF == 0 and fake.outputs & 1 << 9
    assert app.command("start").startswith("start: the skid is tripped (stop input)")
    assert app.command("reset") == "reset: stop input is still there"
    fake.input_bits = 0
    run(app, 3000)
    assert fake.duty_permille == 0
    assert app.command("reset") is None
    run(app, 3000)
    assert fake.duty_permille == 0
    assert app.command("start") is None
    run(app, 3000)
    assert fake.duty_permille > 0
    kinds = [(kind, table["code"]) for kind, table in stored(app) if kind != records.SETTINGS]
    assert kinds[1:5] == [
        (records.SKIPPED, faults.STOP_INPUT),
        (records.TRIP, faults.STOP_INPUT),
        (records.FAULT_RAISED, faults.STOP_INPUT),
        (records.FAULT_CLEARED, faults.STOP_INPUT),
    ]


def test_no_flow_trips_and_comes_back_by_itself():
    fake = board("no_flow", dict(QUICK, trip_hold_s=5))
    fake.meter_broken = True
    app = App(fake)
    run(app, 12000)
    assert app.status()["state"] == "tripped" and fake.duty_permille == 0
    fake.meter_broken = False
    run(app, 60000)
    assert len(of_kind(app, records.SAMPLE)) == 1
    trip = of_kind(app, records.TRIP)[0]
    assert trip["code"] == faults.NO_FLOW and trip["state"] == 1


def test_a_controller_that_stops_the_pump_without_flow_does_not_hide_that_from_the_interlocks():
    fake = board("hidden_no_flow", dict(QUICK, purge_volume_ul=100000, no_flow_ms=15000))
    app = App(fake)
    run(app, 10000)
    assert fake.duty_permille > 0
    fake.meter_broken = True
    regulate = app.process.controller.update

    def off(flow_ul_s, measured, dt_ms):
        regulate(flow_ul_s, measured, dt_ms)
        app.process.controller.duty_permille = 0

    app.process.controller.update = off
    run(app, 14000)
    assert app.status()["state"] == "prime" and fake.duty_permille == 0
    run(app, 1500)
    assert app.status()["state"] == "tripped" and app.status()["faults"] == ["no flow"]


def test_leak_with_the_pump_off():
    fake = board("leak", dict(QUICK, autostart=0, unwanted_flow_ul=1000))
    app = App(fake)
    run(app, 10000)
    fake.leak_ul_s = 200
    run(app, 12000)
    assert app.status()["faults"] == ["unwanted flow"]
    fake.leak_ul_s = 0
    run(app, 3000)
    assert app.command("reset") == "reset: unwanted flow is still there"
    run(app, 61000)
    assert app.command("reset") is None
    run(app, 2000)
    assert app.status()["faults"] == []


def test_broken_loop_is_reported_and_sampling_goes_on():
    fake = board("broken_loop")
    fake.real_water_ua = 0
    app = App(fake)
    run(app, 60000)
    samples = of_kind(app, records.SAMPLE)
    assert samples and samples[0]["water_state"] == 2
    assert samples[0]["faults"] == 1 << faults.WATER_LOOP
    assert [table["code"] for table in of_kind(app, records.FAULT_RAISED)] == [faults.WATER_LOOP]


def test_settings_are_changed_on_record_and_stay():
    fake = board("settings")
    app = App(fake)
    run(app, 10000)
    assert app.put_settings({"rest_s": 30, "run": 7, "purge_volume_ul": 10000}) == (2, None)
    changed, problem = app.put_settings({"rest_s": -1})
    assert changed == 0 and problem.startswith("rest_s: -1 is outside")
    assert app.put_settings({"flow_low_ul_s": 900})[1].startswith("flow_set_ul_s")
    texts = [table["text"] for table in of_kind(app, records.SETTING)]
    assert texts == ["rest_s 20 > 30", "run 0 > 7"]
    assert of_kind(app, records.SETTING)[0]["a"] == settings.digest(app.settings)
    # What was being sampled was given up: no sample under two sets of settings.
    assert [table["code"] for table in of_kind(app, records.SKIPPED)] == [0xFFFF]
    again = App(fake)
    assert again.settings["rest_s"] == 30 and again.settings["run"] == 7
    assert again.timebase.boot == app.timebase.boot + 1


def told(app, since=0):
    """The sets of settings that the log holds in full, as (CRC-32, text), in order; their records' states."""
    found, states, parts = [], set(), []
    for table in of_kind(app, records.SETTINGS):
        if table["seq"] < since:
            continue
        if table["code"] == 0:
            parts = []
        elif not parts and not found:
            continue  # the log begins within a text: what came before was reclaimed
        assert table["code"] == len(parts)
        parts.append(table["text"])
        states.add(table["state"])
        if len("".join(parts)) == table["b"]:
            found.append((table["a"], "".join(parts)))
    return found, states


def test_the_log_holds_the_settings_in_full_once_for_each_set():
    fake = board("told")
    app = App(fake)
    run(app, 150000)
    whole = settings.canonical(app.settings).decode()
    # zlib.crc32 of the text itself is the number in the samples: nothing but the log is needed to know.
    assert told(app)[0] == [(crc32(whole.encode()), whole)]
    assert "sample_volume_ul=6000" in whole.split("\n") and "assets=[4, 9]" in whole.split("\n")
    assert of_kind(app, records.SAMPLE)[-1]["settings_crc"] == crc32(whole.encode())
    again = App(fake)
    run(again, 60000)
    assert len(told(again)[0]) == 1, "the same settings are not written at each start"
    again.put_settings({"rest_s": 21})
    run(again, 60000)
    third = App(fake)
    run(third, 60000)
    sets, states = told(third)
    assert [text.split("\n").count("rest_s=21") for _, text in sets] == [0, 1]
    assert not states & {2, 3}, "none while a sample settles or is counted"


def test_settings_cut_short_are_written_anew_and_a_file_put_there_is_seen():
    fake = board("told_cut", dict(QUICK, autostart=0))
    app = App(fake)
    run(app, 5000)
    assert told(app)[0] == [] and of_kind(app, records.SETTINGS)
    # A reset in the middle of the text; besides, somebody puts another settings file there.
    with open(fake.settings_path, "w") as f:
        json.dump(dict(QUICK, autostart=0, rest_s=77), f)
    seq = app.journal.next_seq
    again = App(fake)
    run(again, 30000)
    assert ["rest_s=77" in text for _, text in told(again, seq)[0]] == [True]


def test_the_settings_go_round_with_the_log():
    fake = board("told_round", dict(QUICK, autostart=0, log_segments=8))
    app = App(fake)
    run(app, 30000)
    assert len(told(app)[0]) == 1
    for k in range(28 * 20):
        app.recorder.event(records.MARK, text=str(k))
        app.service()
        # As long as the log has gone round at all, what it holds can be read by itself.
        if k % 28 == 20:
            assert told(app)[0], k
    assert app.journal.segment_first > 10


def test_a_long_changed_setting_is_there_in_full():
    fake = board("long_setting", dict(QUICK, fluid_v40_dmm2_s=460, fluid_v100_dmm2_s=68))
    app = App(fake)
    table = [[5, 206000], [20, 202000], [100, 200000], [1000, 199999]]
    assert app.put_settings({"meter_table": table}) == (1, None)
    table2 = [[6, 206001], [21, 202001], [101, 200001], [1001, 199998]]
    assert app.put_settings({"meter_table": table2}) == (1, None)
    found = of_kind(app, records.SETTING)
    assert [t["code"] for t in found] == [0, 0, 1]
    text = found[1]["text"] + found[2]["text"]
    assert text == "meter_table %s > %s" % (table, table2)
    assert found[1]["b"] == found[2]["b"] == len(text) and found[1]["a"] == found[2]["a"]


def test_no_names_of_settings_end_the_app():
    app = App(board("odd_names"))
    for odd in ({1: 2}, {1: 2, "rest_s": 3}, {None: 1}, {(1,): 2}):
        changed, problem = app.put_settings(odd)
        assert changed == 0 and problem.endswith("a name is a text")


def test_bad_settings_file_is_a_fault_with_defaults():
    fake = board("bad_settings", {"rest_s": 20, "sample_volume": 4})
    app = App(fake)
    run(app, 1000)
    assert app.settings == settings.defaults()
    assert app.status()["faults"] == ["settings bad"]
    assert of_kind(app, records.MARK)[0]["text"] == "sample_volume: there is no such setting"
    assert app.put_settings({"rest_s": 20}) == (1, None)
    run(app, 1000)
    assert app.status()["faults"] == []


def test_commands():
    app = App(board("commands", dict(QUICK, autostart=0)))
    run(app, 2000)
    assert app.status()["state"] == "standby"
    assert app.command("start") is None
    run(app, 2000)
    assert app.status()["state"] == "prime"
    assert app.command("start") == "start: a cycle is running already"
    assert app.command("stop") is None
    assert app.board.duty_permille == 0
    run(app, 2000)
    assert app.status()["state"] == "standby"
    assert app.command("reset") == "reset: the skid is not tripped"
    assert app.command("mark filter changed, 12 µm") is None
    assert of_kind(app, records.MARK)[0]["text"] == "filter changed, 12 µm"
    assert app.command("dance now").startswith("dance: no such command")
    assert app.command("").startswith("(nothing): no such command")


def test_contact_is_on_record():
    app = App(board("contact"))
    run(app, 3000)
    seq, uptime_ms = app.contact(1772427600000, 12, 1, "shop PC")
    table = of_kind(app, records.CONTACT)[0]
    assert table["seq"] == seq and table["uptime_ms"] == uptime_ms == 3000
    assert table["utc_ms"] == 1772427600000 and table["a"] == 12 and table["b"] == 1
    assert table["text"] == "shop PC"


def test_leaves_safely_in_the_middle_of_a_count():
    fake = board("leave")
    app = App(fake)
    run(app, 13000)
    assert fake.duty_permille > 0
    fake.at_ms = [(14000, lambda: app.leave(0))]
    app.run()
    assert fake.duty_permille == 0 and fake.outputs == 0
    assert [kind for kind, _ in stored(app)][-2:] == [records.SKIPPED, records.LEAVE]


def test_mpremote_at_the_door():
    fake = board("mpremote")
    app = App(fake)

    def knock():
        fake.to_app = b"\r\x03\r\x01"

    fake.at_ms = [(2000, knock)]
    app.run()
    assert fake.duty_permille == 0
    assert fake.now_us < 3000000
    assert of_kind(app, records.LEAVE)[0]["code"] == 1
    # The prompt it asks for is left for the REPL to answer.
    assert fake.to_app == b"\x01"


def test_answers_hello_while_counting():
    fake = board("hello")
    app = App(fake)
    message = bytearray(64)
    message[:8] = b"\x01\x07\x01\x00test"
    frame = bytearray(80)
    n = frames.pack_frame(message, 8, frame)
    run(app, 10000)
    fake.to_app = bytes(frame[:n])
    run(app, 500)
    receiver = frames.Receiver()
    answer = None
    for byte in fake.from_app:
        length = receiver.push(byte)
        if length:
            answer = json.loads(bytes(receiver.buffer[2:length]))
    assert answer["boot"] == 1 and answer["device"] == "0102030405060708"


def test_what_stands_in_the_line_is_known_again_after_a_restart():
    fake = board("in_the_line", dict(QUICK, purge_volume_ul=10000, line_volume_ul=2500, settle_ms=6000))
    fake.per_ml = [9000, 2900, 270, 86, 0, 0]
    app = App(fake)
    run(app, 40000)
    assert len(of_kind(app, records.SAMPLE)) == 1
    again = App(fake)
    fake.per_ml = [160, 51, 5, 1, 0, 0]
    run(again, 120000)
    first = of_kind(again, records.SAMPLE)[1]
    # sqrt(8840 / 23) / 2 is 9.8 line volumes
    assert first["purge_ul"] > 9.8 * 2500
    # The one after it follows a fluid like its own.
    run(again, 60000)
    assert of_kind(again, records.SAMPLE)[2]["purge_ul"] < 20000


def test_watchdog_is_fed_and_a_bite_is_on_record():
    fake = board("watchdog", dict(QUICK, watchdog_ms=2000))
    app = App(fake)
    run(app, 60000)
    assert fake.watchdog_ms == 2000 and fake.feeds > 200
    fake.watchdog_ms = 0
    fake.cause = 2
    again = App(fake)
    run(again, 1000)
    assert of_kind(again, records.BOOT)[-1]["code"] == 2
    assert again.status()["faults"] == ["watchdog"]
    run(again, 60000)
    assert again.status()["faults"] == []


def test_a_full_disk_is_a_fault_and_sampling_goes_on():
    fake = board("storage")
    app = App(fake)
    run(app, 1000)
    put = app.journal._put
    recover = app.journal._recover

    def fails(*_):
        raise OSError(28)

    app.journal._put = fails
    app.journal._recover = fails
    run(app, 50000)
    assert "storage" in app.status()["faults"]
    assert app.recorder.samples >= 1 and not app.recorder.sample_stored
    assert not fake.outputs & 1 << 8
    app.journal._put = put
    app.journal._recover = recover
    run(app, 50000)
    assert "storage" not in app.status()["faults"]
    assert fake.outputs & 1 << 8


def test_uptime_and_cycle_go_on_across_the_wrap_of_the_ticks():
    fake = FakeBoard(fresh_folder("wrap"), start_ms=(1 << 30) - 30000)
    with open(fake.settings_path, "w") as f:
        json.dump(QUICK, f)
    app = App(fake)
    run(app, 120000)
    samples = of_kind(app, records.SAMPLE)
    assert len(samples) >= 3
    for sample in samples:
        assert sample["volume_ul"] == 6000
        assert abs(sample["counts"][0] - 24000) <= 2
    assert 119000 <= app.timebase.uptime_ms() <= 120000


def test_noise_on_the_meter_stops_the_pump_until_an_operator_comes():
    """1 kHz read as flow is 200 mL/s, fifty times what the pump can give."""
    fake = board("meter_noise", QUICK)
    app = App(fake)
    run(app, 5000)
    assert fake.duty_permille > 0
    step = fake._step

    def noisy():
        step()
        fake._edges += 5
        fake._edge_us = fake.now_us

    fake._step = noisy
    run(app, 1500)
    assert fake.duty_permille == 0 and fake.outputs & 0xFF == 0
    assert of_kind(app, records.TRIP)[0]["code"] == faults.METER
    raised = [e for e in of_kind(app, records.FAULT_RAISED) if e["code"] == faults.METER]
    assert raised[0]["a"] > 12000 and "meter_pulse_nl too large, or noise" in raised[0]["text"]
    run(app, 200000)
    assert fake.duty_permille == 0, "it stays off while the noise goes on"
    fake._step = step
    run(app, 100000)
    assert fake.duty_permille == 0
    assert app.command("reset") is None and app.command("start") is None
    run(app, 3000)
    assert fake.duty_permille > 0


def test_a_meter_worth_a_tenth_or_ten_times_the_settings_is_named():
    """The pulses' true volume against meter_pulse_nl = 200000; no fault says nothing of the likely cause."""
    for name, pulse_nl, words in (
        ("tenth", 20000, "meter_pulse_nl too large"),
        ("ten", 2000000, "meter_pulse_nl too small"),
    ):
        fake = board("meter_" + name, QUICK)
        fake.pulse_nl = pulse_nl
        app = App(fake)
        run(app, 900000)
        raised = of_kind(app, records.FAULT_RAISED)
        about = (faults.NO_FLOW, faults.BAND_NOT_REACHED, faults.DUTY_AT_LIMIT, faults.METER)
        named = [e["text"] for e in raised if e["code"] in about]
        assert named and all([words in text for text in named]), (name, named, len(raised))
        assert not of_kind(app, records.SAMPLE)
