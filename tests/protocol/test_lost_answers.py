"""Each message of each command that drives a pump, lost in turn: its state is known or said to be unknown.

The whole command line talks to the firmware's own app on a fake board in this process; the cable loses what
it is told to lose, or breaks off. What must hold, whichever message it is and whatever is lost behind it:

1. Exit status 0 and "done" only when the board has answered.
2. Otherwise one of two last lines: the skid stands, and then its pump is off in truth; or the pump may be
   running, with the hardware stop that works without a board.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from command_line import Answer, run  # noqa: F401  (a fixture)
from fake_app import FakeApp, Loss
from skidboard.sequence import STANDBY, TRIPPED
from skidwright.link import pump
from skidwright.link import session as session_module

COMMANDS = {
    "start": ("tell", "port", "start"),
    "duty": ("tell", "port", "duty", 400, 600),
    "hold": ("tell", "port", "hold", 900, 600),
    "reset": ("tell", "port", "reset"),
    "auto": ("tell", "port", "auto"),
    "cleanup": ("cleanup", "port", "--asset", 4, "--target", "16/14/11", "--yes", "--times", 1),
}
# Before the command itself and after it, whatever comes.
FOREVER = 10_000
MAY_RUN = "the pump may be running"
STANDS = re.compile("the skid was stopped and says that it is in (standby|tripped), its pump off")


@pytest.fixture
def skid(monkeypatch: pytest.MonkeyPatch, request: Any) -> Iterator[Callable[[Loss], FakeApp]]:
    """Makes a skid in standby whose cable loses what it is told; its port is named "port"."""
    made: list[FakeApp] = []

    def make(loss: Loss) -> FakeApp:
        app = FakeApp(f"lost_{request.node.name[:20]}_{len(made)}", loss)
        made.append(app)
        monkeypatch.setattr(session_module, "time", app)
        monkeypatch.setattr(pump, "time", app)
        monkeypatch.setattr(session_module, "open_port", app.open)
        return app

    yield make


def give(run: Any, skid: Any, name: str, loss: Loss) -> tuple[Answer, FakeApp]:  # noqa: F811
    app = skid(loss)
    if name == "auto":
        app.command("duty 400 600")
    if name == "reset":
        app.trip()
    return run(*COMMANDS[name]), app


def judge(answer: Answer, app: FakeApp, name: str) -> str:
    """What the last line comes to; it must be true."""
    last = (answer.err.strip() or answer.out.strip()).splitlines()[-1]
    app.settle()
    if answer.status in (0, 1):
        # One look at a clean-up that has just begun: not proven clean yet.
        assert (answer.status == 0 and "done" in answer.out) or name == "cleanup", answer
        return "done"
    assert answer.status == 2 and "Traceback" not in answer.err
    if MAY_RUN in last:
        assert "stop button of the stop chain" in last
        return "may run"
    if not app.given:
        return "never given"
    assert STANDS.search(last), last
    assert not app.fake.duty_permille and not app.fake.outputs & 0x80
    assert app.app.sequence.state in (STANDBY, TRIPPED) and not app.app.process.cleanup.running
    return "stands"


@pytest.mark.parametrize("name", COMMANDS)
def test_each_message_lost_in_turn(run: Any, skid: Any, name: str) -> None:  # noqa: F811
    whole, app = give(run, skid, name, Loss())
    assert judge(whole, app, name) == "done"
    messages = app.messages
    found: dict[str, int] = {}
    for direction in ("out", "back"):
        for first in range(messages):
            for count in (1, 4, FOREVER):
                answer, app = give(run, skid, name, Loss(direction, first, count))
                what = judge(answer, app, name)
                found[what] = found.get(what, 0) + 1
                if count == FOREVER and direction == "back" and app.given:
                    assert what == "may run", answer
    print(f"figure: answers lost, {name}: {sum(found.values())} cases, {found}")
    assert sum(found.values()) == 6 * messages and found["done"] and found["may run"]
    assert found["stands"] or name == "reset"


@pytest.mark.parametrize("name", ["start", "hold", "cleanup"])
def test_a_port_that_breaks_off_and_comes_back(run: Any, skid: Any, name: str) -> None:  # noqa: F811
    whole, app = give(run, skid, name, Loss())
    found = []
    for first in range(app.messages):
        for away_s in (3.0, 1000.0):
            answer, after = give(run, skid, name, Loss("break", first, 1, away_s))
            found.append(judge(answer, after, name))
    assert "stands" in found and "may run" in found and found.count("may run") <= found.count("never given")


def test_ctrl_c_in_the_wait_for_the_answer(run: Any, skid: Any) -> None:  # noqa: F811
    _, app = give(run, skid, "start", Loss())
    answer, app = give(run, skid, "start", Loss("interrupt", app.commanded, 1))
    app.settle()
    assert answer.status != 0 and app.given and not app.fake.duty_permille and app.app.sequence.state == 0


def test_what_calibrating_and_tuning_use_says_so_too(skid: Any) -> None:
    app = skid(Loss("back", 1, FOREVER))
    with session_module.Session.open("port") as session:
        session.hello()
        with pytest.raises(pump.PumpMayRun, match=MAY_RUN):
            pump.drive(session, "hold 900 600")
        assert app.given
        with pytest.raises(pump.PumpMayRun, match="interrupted.*" + MAY_RUN):
            pump.make_sure_it_stands(session, "the run was interrupted")
