"""A code as a 4-20 mA loop in place of counts."""

import struct

from fake_board import FakeBoard, fresh_folder
from skidboard import faults, records
from skidboard import settings as table
from skidboard.app import App

CODED = {"counter_driver": 2, "temp_source": 2, "purge_volume_ul": 10000, "settle_ms": 3000,
         "sample_volume_ul": 6000, "rest_s": 5,
         "code_channel": 3, "code_low": 8, "code_high": 24}  # fmt: skip


def skid(name, loop_ua):
    board = FakeBoard(fresh_folder(name))
    board.real_temp_ua = loop_ua
    app = App(board)
    assert app.put_settings(CODED)[1] is None
    return board, app


def sample(board, app):
    """Fields of the next sample's record."""
    before = app.recorder.samples
    for _ in range(900):
        board.idle(100)
        app.tick()
        app.service()
        if app.recorder.samples > before:
            break
    names = []
    for name, form in records.SAMPLE_FIELDS:
        names += [name] * int(form[:-1] or 1)
    found = {}
    for name, value in zip(names, struct.unpack(records.SAMPLE_FORMAT, app.recorder._slot)):
        found.setdefault(name, []).append(value)
    return found


def test_the_record_has_the_loop_and_the_code_and_no_counts():
    # 12 mA is half way from 8 to 24.
    board, app = skid("code_loop", 12000)
    found = sample(board, app)
    assert found["kind"] == [records.SAMPLE] and found["flags"][0] & 63 == records.FLAG_CODE
    assert found["counts"] == [0, 0, 0, 0] and found["volume_ul"][0] >= 6000
    assert found["codes"] == [255, 255, 16, 255]
    assert found["windows_4um"] == [0] * 8 and found["windows_14um"] == [12000, 12000, 12000, 0, 0, 0, 0, 0]


def test_a_loop_that_fails_in_a_count_leaves_no_code_and_is_a_fault():
    board, app = skid("code_loop_broken", 12000)
    sample(board, app)
    for _ in range(900):
        board.idle(100)
        app.tick()
        app.service()
        if app.process.sample.counting and app.sequence.state == 3:
            break
    board.real_temp_ua = 3500
    found = sample(board, app)
    assert found["codes"] == [255] * 4 and found["windows_14um"][3] == 2
    assert found["faults"][0] >> faults.COUNTER & 1
    value, why = app.process.measured(faults.COUNTER)
    assert value >= 1000 and why == "ms; the code's loop is at 3500 uA"


def test_settings_that_cannot_be():
    for wrong in ({"temp_source": 1}, {"code_low": 24}, {"code_channel": 5}, {"code_channel": 0}):
        values = dict(CODED)
        values.update(wrong)
        assert len(table.check_all(values)) == 1, wrong
