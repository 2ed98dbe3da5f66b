"""How long an installation waits for the firmware to start: as long as there is life, but not for ever."""

import pytest
from skidwright.errors import InstallError, NotASkid, PortNotFound
from skidwright.link import install as installing


class Clock:
    def __init__(self):
        self.now_s = 0.0

    def monotonic(self):
        return self.now_s

    def sleep(self, seconds):
        self.now_s += seconds


class Start:
    """Sessions with a board that is `answers_after` seconds from its start; one try takes two seconds."""

    def __init__(self, clock, answers_after, bytes_come=False, prompt=False, port_after=0.0):
        self.clock = clock
        self.answers_after = answers_after
        self.port_after = port_after
        self.bytes_received = 5 if bytes_come else 0
        self.prompt_seen = prompt

    def open(self, port, timeout_s, tries):
        if self.clock.now_s < self.port_after:
            raise PortNotFound("no such port", port, "plug it in")
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None

    def hello(self):
        if self.clock.now_s < self.answers_after:
            self.clock.now_s += 2.0
            raise NotASkid("no skid answers", "port", "reset it")
        self.device = "1032547698badcfe"
        return self


@pytest.fixture
def wait(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(installing, "time", clock)

    def waiting(answers_after, **how):
        monkeypatch.setattr(installing, "Session", Start(clock, answers_after, **how))
        return installing._await_start("port"), clock

    waiting.clock = clock
    return waiting


@pytest.mark.parametrize(
    ("answers_after", "how"),
    [(0, {}), (55, {}), (150, {"bytes_come": True}), (39, {"prompt": True}), (50, {"port_after": 30})],
)
def test_a_slow_start_is_waited_for(wait, answers_after, how):
    device, clock = wait(answers_after, **how)
    assert device == "1032547698badcfe" and clock.now_s < answers_after + 3


@pytest.mark.parametrize(
    ("how", "most_s"),
    [({}, 65), ({"bytes_come": True}, 185), ({"prompt": True}, 45), ({"port_after": 1e9}, 45)],
)
def test_it_ends_in_one_line(wait, how, most_s):
    with pytest.raises(InstallError, match="does not start") as error:
        wait(1e9, **how)
    assert "\n" not in str(error.value) and wait.clock.now_s < most_s
