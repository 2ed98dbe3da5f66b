"""From the bytes of a log whose story the test wrote to what a report tells of it."""

import hashlib

import numpy as np
import pytest
import synthetic_log as sl
from skidboard import faults, records, sequence
from skidwright.config import Asset, Config, Counter
from skidwright.register.known import merge
from skidwright.report import gather
from skidwright.samples.assessment import Assessment

T0 = sl.START_UTC_MS
MINUTE = 60_000


def story() -> np.ndarray:
    """Two assets in turn every ten minutes; a power loss after record 29, and what the comments say."""
    first = sl.samples(24, first_seq=2, assets=(1, 2), first_uptime_ms=10 * MINUTE)
    first["water_state"][4:8] = 2  # broken wire: two samples of each asset
    # the last record before the power goes is a sample, ten minutes after the one before it and a trip
    first["seq"][-1], first["uptime_ms"][-1] = 29, 250 * MINUTE
    second = sl.samples(20, seed=2, first_seq=41, assets=(1, 2), boot=2, first_uptime_ms=10 * MINUTE)
    # dirt in asset 1 after the power loss, in its first three samples, 16 times as many particles
    dirty = sl.samples(
        20, seed=3, first_seq=41, assets=(1, 2), boot=2, first_uptime_ms=10 * MINUTE,
        per_ml=tuple(16 * x for x in sl.PER_ML),
    )  # fmt: skip
    second[[0, 2, 4]] = dirty[[0, 2, 4]]
    events = [
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, MINUTE, T0 + MINUTE),
        sl.event(records.FAULT_RAISED, 25, 1, 241 * MINUTE, code=faults.WATER_LOOP, a=0, text="uA", asset=2),
        sl.event(records.FAULT_CLEARED, 26, 1, 244 * MINUTE, code=faults.WATER_LOOP, asset=2),
        sl.event(records.FAULT_RAISED, 27, 1, 245 * MINUTE, code=faults.NO_FLOW, asset=2),
        sl.event(records.TRIP, 28, 1, 245 * MINUTE, code=faults.NO_FLOW, state=1, asset=2),
        # 300 minutes after the start the board comes back without its clock
        sl.event(records.BOOT, 30, 2, 10, code=0, text="skidboard 0.1.0"),
        sl.event(records.RECOVERED, 31, 2, 20, a=1, b=77),
        sl.contact(32, 2, MINUTE, T0 + 301 * MINUTE),
        sl.event(records.MARK, 33, 2, 2 * MINUTE, text="topped up <5 L>"),
        sl.event(records.SKIPPED, 34, 2, 3 * MINUTE, code=faults.BAND_NOT_REACHED, asset=2),
        sl.event(records.SKIPPED, 35, 2, 4 * MINUTE, code=faults.BAND_NOT_REACHED, asset=2),
        sl.event(records.SKIPPED, 36, 2, 5 * MINUTE, code=0xFFFF, asset=1),
        sl.event(records.SETTING, 37, 2, 6 * MINUTE, text="rest_s 300 > 600"),
        sl.event(records.RECLAIM, 38, 2, 7 * MINUTE, a=0, b=100, c=127, d=0),
        sl.event(records.LEAVE, 39, 2, 8 * MINUTE, code=2, text="MemoryError"),
        sl.event(records.MARK, 40, 2, 9 * MINUTE, state=sequence.COUNT, text="throttled", asset=2),
    ]
    return sl.merged(*events, first, second)


NOW = np.datetime64("2026-03-05T00:00:00", "ms")


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("log") / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir()
    path.write_bytes(sl.log_bytes(story()))
    config = Config(
        assets={1: Asset(1, "Press", target=(19, 17, 14), water_limit_percent=50.0)},
        counter=Counter(band_ml_min=(40.0, 60.0)),
        note="a note",
    )
    log = Assessment(path, config.limits(), config.board_in_force())
    return {data.asset.number: data for data in gather.gather([log], merge(config, []), NOW)}


def at(minutes: float) -> str:
    return f"{np.datetime64(int(T0 + minutes * MINUTE), 'ms').astype('datetime64[s]')}Z"


def told(data, what: str) -> list[tuple[str, str]]:
    return [(h.when_text, h.detail) for h in data.happenings if h.what == what]


def test_samples_of_each_asset_in_order_of_time(reports) -> None:
    assert sorted(reports) == [1, 2]
    for number, data in reports.items():
        assert len(data.samples) == 22
        assert np.all(np.diff(data.samples.when) > np.timedelta64(0))
        assert data.samples.seq[0] == 1 + number
    # 1800 per mL by construction, with 2 % scatter from sample to sample
    assert reports[2].samples.per_ml[:, 0] == pytest.approx(1800, rel=0.1)


def test_first_sample_has_the_time_that_the_contact_gives(reports) -> None:
    assert str(reports[1].samples.when[0].astype("datetime64[s]")) + "Z" == at(10)
    # ten samples every ten minutes in boot 2, which began 300 minutes after boot 1
    assert str(reports[2].samples.when[-1].astype("datetime64[s]")) + "Z" == at(300 + 10 + 190)


def test_broken_loop_is_counted_for_each_asset(reports) -> None:
    for data in reports.values():
        (reason,) = [r for r in data.reasons if r.check == "water loop"]
        assert (reason.count, reason.quantity, reason.verdict) == (2, "water", "rejected")
        assert data.excluded_total == 2
        assert [sample.quantity for sample in data.excluded] == ["water", "water"]
    assert [r.first for r in reports[1].reasons if r.check == "water loop"] == [at(50)]


def test_power_loss_says_when_and_since_when(reports) -> None:
    ((when, detail),) = told(reports[1], "power lost")
    assert when == at(300)
    assert detail == f"power came on, boot 2, skidboard 0.1.0; last record before it {at(250)}"


def test_faults_with_their_end_and_only_where_they_belong(reports) -> None:
    for data in reports.values():
        ((when, detail),) = told(data, "fault: water loop")
        assert (when, detail) == (at(241), f"0 uA, until {at(244)}")
    assert told(reports[1], "fault: no flow") == []
    # it stood when the power failed, and ended with it
    assert told(reports[2], "fault: no flow") == [(at(245), f"until {at(300)}")]
    # it stopped the skid for all, but only where it belongs is it marked in the pictures
    marked = {
        n: [h.mark for h in data.happenings if h.what.startswith("trip")] for n, data in reports.items()
    }
    assert marked[1] == [""] and len(marked[2]) == 1 and marked[2][0]


def test_other_events_in_words(reports) -> None:
    data = reports[1]
    assert told(data, "operator mark") == [
        (at(302), "topped up <5 L>"),
        (at(309), "throttled (written while asset 2 was sampled)"),
    ]
    assert told(data, "setting changed") == [(at(306), "rest_s 300 > 600")]
    assert told(data, "log recovered") == [(at(300), "segment 1, 77 bytes")]
    assert told(data, "firmware left") == [(at(308), "MemoryError")]
    assert "not all of them had been pulled" in told(data, "oldest segment given up")[0][1]
    assert data.integrity.reclaimed_unpulled == 28
    letters = [h.mark for h in data.happenings if h.mark]
    assert letters == sorted(letters) and len(letters) == len(set(letters)) == 5


def test_dirt_let_in_is_a_stretch_with_an_end(reports) -> None:
    ((when, detail),) = told(reports[1], "dirtier than target")
    assert when == at(310)
    # 16 times 1800, 420 and 38 per mL are 28800, 6720 and 608: numbers 22, 20, 16 (ISO 4406:2021, table 1)
    assert detail == f"3 valid samples, until {at(370)}, worst 22/20/16 (target 19/17/14)"
    assert told(reports[2], "dirtier than target") == []


def test_cycles_without_a_sample_are_counted_by_cause(reports) -> None:
    (skipped,) = [r for r in reports[2].reasons if r.verdict == "not taken"]
    assert (skipped.check, skipped.count, skipped.first, skipped.last) == (
        "band not reached",
        2,
        at(303),
        at(304),
    )
    assert [r.check for r in reports[1].reasons if r.verdict == "not taken"] == ["by command"]


def test_statement_on_the_log(reports) -> None:
    stated = reports[1].integrity
    assert (stated.device, stated.logs) == (sl.DEVICE.hex(), f"log {sl.LOG:08x}")
    assert (stated.records, stated.bad_records, stated.missing_records) == (61, 0, 0)
    assert stated.chain_ok and "2 links hold" in stated.chain_statement
    assert "2 contacts" in stated.clock_statement
    assert reports[1].note == "a note"
    assert reports[1].band_ml_min == (40.0, 60.0)


def test_digest_is_what_sha256sum_would_print(reports) -> None:
    assert reports[1].integrity.digest == hashlib.sha256(sl.log_bytes(story())).hexdigest()


def test_what_it_was_judged_with_has_a_digest(reports) -> None:
    first, second = list(reports.values())[:2]
    assert len(first.judged_with) == 64 and first.judged_with != second.judged_with
