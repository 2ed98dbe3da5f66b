"""Counters that give no pulses through the whole chain: skid, pull, checks, standing."""

from __future__ import annotations

from binascii import crc_hqx
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sim.skids import needs_micropython, scenario
from skidboard import faults, records
from skidwright.checks import REJECTED, UNCHECKED, SettingsHistory, Verdicts, judge
from skidwright.log import dataset
from skidwright.sim.play import play
from skidwright.sim.rom import line_counter
from skidwright.sim.runner import VirtualSkid

QUICK = {"rest_s": 10, "sample_volume_ul": 20000, "purge_volume_ul": 60000, "settle_ms": 3000}


def played(
    folder: Path, driver: int = 1, board: str = "", more: dict[str, int] | None = None, **tables: Any
) -> tuple[dataset.Dataset, Verdicts]:
    """The log of a quarter of an hour, and what the checks say of it."""
    settings = {**QUICK, "counter_driver": driver, **(more or {})}
    made = scenario(duration="0:15", settings=settings, contact=[{"at": "0:15"}], **tables)
    with VirtualSkid(made, folder / "skid", 3, python_board=board) as skid:
        play(skid, folder / "archive")
    (path,) = (folder / "archive").rglob("*.skidlog")
    data = dataset.join(list(dataset.read_log(path, dataset.verify_chain(path))))
    history = SettingsHistory()
    history.learn(data.events)
    return data, judge(data, None, history)


def test_the_simulated_counter_speaks_as_the_page_says() -> None:
    """The form is docs/counter_drivers.md's; the CRC is held against CPython's own."""
    text, check = line_counter.line(258, [12, 7, 3, 1], 4).rstrip(b"\r\n").rsplit(b" ", 1)
    assert text == b"N 2 12 7 3 1 4" and int(check, 16) == crc_hqx(text + b" ", 0)


@pytest.mark.parametrize("board", [pytest.param("micropython", marks=needs_micropython), "cpython"])
def test_lines_and_pulses_of_the_same_fluid_count_the_same(board: str, tmp_path: Path) -> None:
    by_line, line = played(tmp_path / "line", 1, board)
    by_pulse, pulse = played(tmp_path / "pulse", 0, board)
    assert len(by_line.samples) == len(by_pulse.samples) >= 4
    assert (by_line.samples["counts"] > 0).all()
    for verdicts in (line, pulse):
        assert (verdicts.verdict[:, 0] == 0).all(), [verdicts.reason_ids(i) for i in range(len(verdicts))]
    # Particles are the same to the last one; a line is at most 0.1 s old at either end of a count of 24 s.
    a, b = by_line.samples["counts"][:, 0].astype(float), by_pulse.samples["counts"][:, 0].astype(float)
    assert np.abs(a / b - 1).max() < 0.02
    assert abs(a.sum() / b.sum() - 1) < 0.005
    assert not (by_line.samples["faults"] >> faults.COUNTER & 1).any()


@needs_micropython
def test_a_counter_that_fails_in_a_count_is_named_and_the_count_rejected(tmp_path: Path) -> None:
    well, _ = played(tmp_path / "well")
    middles_s = (well.samples["uptime_ms"].astype(float) - well.samples["count_ms"] / 2) / 1000
    ills = {
        "counter_silent": (5.0, "ms; nothing came"),
        "counter_garbled": (5.0, "ms without a good line; bytes came"),
        "counter_ill": (5.0, "ms; the counter says it does not measure: state 3"),
        "counter_restarts": (0.3, "ms; the counter began anew"),
    }
    happen = [
        {"kind": kind, "start": middle_s, "end": middle_s + for_s}
        for (kind, (for_s, _)), middle_s in zip(ills.items(), middles_s[1:].tolist(), strict=False)
    ]
    data, verdicts = played(tmp_path / "ill", fault=happen)
    events = data.events[data.events["code"] == faults.COUNTER]
    raised = events[events["kind"] == records.FAULT_RAISED]
    assert [text.decode() for text in raised["text"]] == [why for _, why in ills.values()]
    assert (events["kind"] == records.FAULT_CLEARED).sum() == len(ills)
    spoke = verdicts.hit("counter-fault")
    assert spoke[1:5].all() and (verdicts.verdict[spoke, 0] == REJECTED).all()
    assert not spoke[0] and not spoke[5:].any()


@needs_micropython
def test_a_code_never_passes_for_counts_and_cannot_be_checked(tmp_path: Path) -> None:
    more = {"temp_source": 2, "code_channel": 2, "code_low": 4, "code_high": 24}
    broken = [{"kind": "temp_loop_at", "amount": 3500, "start": 300, "end": 330}]
    data, verdicts = played(tmp_path, 2, more=more, fault=broken)
    samples = data.samples
    assert len(samples) >= 5 and (samples["counts"] == 0).all()
    assert ((samples["flags"] & 63) == records.FLAG_CODE).all()
    rejected = verdicts.hit("counter-fault")
    assert 1 <= rejected.sum() <= 2 and (verdicts.verdict[rejected, 0] == REJECTED).all()
    well = ~rejected
    # 1800 per mL and slope 2.8: 578 per mL >=6 um(c); ISO 4406:2021, table 1: above 320 up to 640 is 16.
    assert (verdicts.codes[well] == [255, 16, 255, 255]).all()
    assert (verdicts.verdict[well, 0] == UNCHECKED).all()
    assert np.isnan(verdicts.per_ml).all()
    assert all(verdicts.reason_ids(i, notes=False) == [] for i in np.flatnonzero(well))
    assert verdicts.hit("code-alone").all()
    # mean, lowest and highest current of that channel, and that it was one: 4 mA is 4, 20 mA is 24
    mean, lowest, highest, state = samples["windows_4um"][well][:, 4:].T
    assert np.abs(mean - (4000.0 + 16000 * 12 / 20)).max() < 60
    assert (lowest <= mean).all() and (mean <= highest).all() and (state == 0).all()
