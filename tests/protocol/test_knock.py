"""`install` and `salvage` on a port with neither a skid nor a prompt behind it: said in seconds.

A prompt is recognised in whatever mode it was left; then mpremote may come.
"""

import os
import subprocess
import threading
import tty

import pytest
from board_at_pty import micropython
from scripted_port import ScriptedPort
from skidboard import link
from skidwright.cli import app
from skidwright.errors import NotASkid
from skidwright.link import install as installing
from skidwright.link import prompt
from skidwright.link.session import Session
from skidwright.log import seal as log_keys

posix = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
needs_micropython = pytest.mark.skipif(not micropython(), reason="no MicroPython for this platform")


class FakePort:
    """A pseudo-terminal whose other end answers each stretch of bytes by `answer`."""

    def __init__(self, answer):
        self._answer = answer
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        try:
            while data := os.read(self._master, 4096):
                os.write(self._master, self._answer(data))
        except OSError:
            pass

    def close(self):
        os.close(self._slave)
        self._thread.join(10)
        os.close(self._master)


@pytest.fixture
def fake_port():
    made = []

    def make(answer):
        made.append(FakePort(answer))
        return made[-1].name

    yield make
    for port in made:
        port.close()


@posix
@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (lambda data: data, "no skid answers, only what is sent comes back.*TX goes to RX"),
        (lambda data: b"", "neither a skid nor a MicroPython prompt answers.*choose another port"),
        (lambda data: b"\r\nUNKNOWN COMMAND\r\n", "neither a skid nor a MicroPython prompt answers"),
        (lambda data: b"\xff\x00\x81" * 300, "neither a skid nor a MicroPython prompt answers"),
    ],
    ids=["echo", "silence", "another device", "noise"],
)
@pytest.mark.parametrize("use", [installing.install, prompt.read])
def test_a_wrong_port_is_said_without_mpremote(monkeypatch, fake_port, answer, said, use):
    def never(*_args, **_how):
        raise AssertionError("mpremote was started")

    monkeypatch.setattr(installing, "_mpremote", never)
    monkeypatch.setattr(prompt, "mpremote", never)
    monkeypatch.setattr(prompt, "_PROMPT_S", 0.5)
    monkeypatch.setattr(prompt, "_KNOCK_S", 0.2)
    with pytest.raises(NotASkid, match=said) as error:
        use(fake_port(answer))
    assert "\n" not in str(error.value)


@posix
def test_a_key_made_for_nobody_is_not_kept(monkeypatch, fake_port, tmp_path, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(prompt, "_PROMPT_S", 0.5)
    assert app.run(["install", fake_port(lambda data: b""), "--new-key"]) == 2
    said = capsys.readouterr().err
    assert "neither a skid nor a MicroPython prompt answers" in said and "key" not in said
    assert list(log_keys.folder().iterdir()) == []


def test_silence_is_not_waited_for_much_longer_than_by_status():
    """`status` asks four times, two seconds each."""
    assert prompt._ECHO_S <= 2 <= prompt._PROMPT_S <= 10


@needs_micropython
@pytest.mark.parametrize(
    "before",
    [b"", b"\r\x01", b"\x05", b"if True:\r\n", b"\r\x01\x05A\x01"],
    ids=["prompt", "raw prompt", "paste mode", "half a statement", "raw paste"],
)
def test_a_prompt_is_recognised_in_whatever_mode_it_is(monkeypatch, before):
    monkeypatch.setattr(prompt, "_PROMPT_S", 300.0)  # however busy the machine is
    master, slave = os.openpty()
    tty.setraw(slave)
    tty.setraw(master)
    with subprocess.Popen([micropython(), "-i"], stdin=master, stdout=master, stderr=master) as process:
        os.write(slave, before)
        try:
            assert prompt.leave_app(os.ttyname(slave)) is False
        finally:
            process.kill()
    os.close(master)
    os.close(slave)


class Late(ScriptedPort):
    """An app that is busy when it is asked to leave, and answers when it is knocked at."""

    def write(self, data):
        if data == prompt._WAKE:
            self._out += self.late
        super().write(data)


def test_an_app_that_answers_late_has_left(monkeypatch):
    from skidwright.link.framing import frame

    port = Late(lambda message: None)
    port.late = frame(bytes((link.LEAVE | link.REPLY, 7)))
    monkeypatch.setattr(prompt.Session, "open", classmethod(lambda cls, name, **_: cls(port, 0.01, 2)))
    assert isinstance(prompt.Session.open("x"), Session)
    assert prompt.leave_app("x") is True
