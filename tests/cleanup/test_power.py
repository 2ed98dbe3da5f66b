"""A clean-up run whose board loses its power or hangs: the cart is off, stays off, and the log says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from skidboard import cleanup, records
from skidwright.archive.folder import Archive
from skidwright.log import dataset
from skidwright.sim import board_process, truth
from skidwright.sim.play import play
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import from_table

needs_micropython = pytest.mark.skipif(board_process.micropython() is None, reason="no MicroPython here")
# In front of the true main.py: the control step hangs once, in the first boot, while the cart runs.
HANG = """
import gc
gc.threshold(8192)
from skidboard import app
step = app.App.tick
def wrong(self):
    step(self)
    if self.timebase.boot == 1 and self.timebase.uptime_ms() > 300000 and self.process.cleanup.running:
        while True: self.board.idle(100)
app.App.tick = wrong
"""


def played(folder: Path, **more: object):
    """Events of the log and the runs of the cart, of 20 minutes with a run begun after one."""
    table = {
        "title": "a run cut short", "duration": 1200, **more,
        "settings": {"assets": [1], "autostart": 1, "cleanup_4um": 8, "cleanup_output": 8},
        "asset": [{"number": 1, "name": "unit", "filter_l_min": 0}],
        "cart": [{"asset": 1, "output": 8}],
        "contact": [{"at": 60, "commands": ["cleanup start 1"]}, {"at": 1200}],
    }  # fmt: skip
    with VirtualSkid(from_table(table), folder / "skid", 1) as skid:
        assert not play(skid, folder / "archive").refused
    archive = Archive.open(folder / "archive")
    device = archive.devices()[0]
    path = archive.log_path(device, archive.logs(device)[0])
    data = dataset.join(list(dataset.read_log(path, dataset.verify_chain(path))))
    return data, truth.load_carts(folder / "skid" / "truth.npz")


def one_run_that_stays_ended(data: dataset.Dataset, carts: np.ndarray, end_s: float, within_s: float) -> None:
    runs = data.events[data.events["kind"] == records.CLEANUP]
    assert runs["code"].tolist() == [0, cleanup.POWER] and runs["asset"].tolist() == [1, 1]
    assert runs["boot"][1] == runs["boot"][0] + 1
    # on once, off with the power or the reset, and never on again though sampling goes on
    assert len(carts) == 1 and 0 <= int(carts["end_us"][0]) * 1e-6 - end_s <= within_s
    assert (data.samples["boot"] == runs["boot"][1]).any()


def test_power_is_cut(tmp_path: Path) -> None:
    data, carts = played(tmp_path, fault=[{"kind": "power_cut", "start": 300, "amount": 5}])
    one_run_that_stays_ended(data, carts, 300.0, 1.0)


@needs_micropython
def test_the_board_hangs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    main = tmp_path / "main.py"
    files = dict(board_process.firmware_files())
    main.write_text(HANG + files["main.py"].read_text("utf-8"), "utf-8")
    monkeypatch.setattr(board_process, "firmware_files", lambda: {**files, "main.py": main})
    data, carts = played(tmp_path)
    boots = data.events[data.events["kind"] == records.BOOT]
    assert boots["code"].tolist() == [0, 2]
    # the watchdog bites 3 s after it was last fed, and the pin falls back
    one_run_that_stays_ended(data, carts, 300.0, 5.0)
