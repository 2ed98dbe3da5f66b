"""Standing faults in words: what they mean, what to do, and what a trip asks of the operator."""

from collections.abc import Iterator

import pytest
from skidboard import faults
from skidwright.cli import status_view
from skidwright.errors import Refused


def test_each_fault_says_what_it_means_and_what_to_do() -> None:
    made = status_view.fault_rows({"state": "rest", "faults": list(faults.NAMES)})
    assert [name.strip() for name, _ in made] == list(faults.NAMES)
    assert all(" To do: " in text and len(text) > 60 for _, text in made)
    assert status_view.fault_rows({"state": "rest", "faults": []}) == []
    # A newer board may know faults that this version does not.
    assert status_view.fault_rows({"state": "rest", "faults": ["flux"]}) == []


def test_after_a_trip_what_has_to_be_done_comes_from_the_reset_policy() -> None:
    held = status_view.after_trip({"state": "tripped", "faults": ["water loop", "no flow", "stop input"]})
    assert "tell PORT reset" in held and "`start`" in held
    passing = status_view.after_trip({"state": "tripped", "faults": ["no flow"]})
    assert "by itself" in passing
    assert status_view.after_trip({"state": "count", "faults": ["water loop"]}) == ""


def test_a_refusal_brings_the_remedy_of_what_has_to_be_ended() -> None:
    told = status_view.with_remedy(Refused("reset: fluid hot, stop input is still there", "COM5"))
    assert str(told).startswith("COM5: reset: fluid hot, stop input is still there; Find out who stopped it")
    told = status_view.with_remedy(Refused("start: the skid is tripped (no flow); reset it first", "COM5"))
    assert "Open the valves" in str(told)
    plain = Refused("reset: the skid is not tripped", "COM5")
    assert status_view.with_remedy(plain) is plain


@pytest.fixture(scope="module")
def stopped_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The port of a virtual skid whose stop chain has been opened a minute after its start."""
    from skidwright.sim.runner import VirtualSkid
    from skidwright.sim.scenario import from_table

    table = {"title": "stopped", "duration": 3600, "asset": [{"number": 1, "name": "press"}],
             "fault": [{"kind": "stop_input", "start": 60}]}  # fmt: skip
    with VirtualSkid(from_table(table), tmp_path_factory.mktemp("skid")) as skid:
        skid.run_until(90)
        skid.go_live()
        yield skid.port


@pytest.mark.slow
def test_status_watch_and_tell_on_a_stopped_skid(run, one_line, stopped_port: str) -> None:
    shown = run("status", stopped_port)
    assert shown.status == 1
    text = " ".join(shown.out.split())
    assert "tripped" in text and "The stop chain is open." in text and "close the chain" in text
    assert "to go on" in text and "tell PORT reset" in text
    watched = run("watch", stopped_port, "--times", 1)
    assert "stop input; to go on: find and remove the cause" in " ".join(watched.out.split())
    refused = run("tell", stopped_port, "reset")
    one_line(refused, "stop input is still there; Find out who stopped it")
    refused = run("tell", stopped_port, "start")
    one_line(refused, "tripped (stop input)")
    assert refused.out == "", "no caution for what is refused"
