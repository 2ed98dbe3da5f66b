"""What a program at the board's prompt says is heard line by line; one that falls silent is ended."""

import subprocess
import sys

from skidwright.link.install import _Sending
from skidwright.link.prompt import _listen


def _python(code):
    command = [sys.executable, "-u", "-c", code]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def test_each_line_is_heard_before_the_next_is_said():
    heard = []
    with _python("for n in range(3): print(n); input()") as process:

        def answer(line):
            # Without it the program waits, and is ended as silent.
            heard.append(line)
            process.stdin.write(b"\n")
            process.stdin.flush()

        said, in_time = _listen(process, 300, answer)
    assert in_time and process.returncode == 0
    assert [line.strip() for line in heard] == ["0", "1", "2"] and said == "".join(heard)


def test_a_silent_program_is_ended():
    with _python("import time; time.sleep(3600)") as process:
        assert _listen(process, 0.2, None) == ("", False)
    assert process.returncode != 0


def test_progress_believes_only_what_can_be():
    """A board may print anything: no number beyond the files that are sent reaches the progress."""
    told = []
    sending = _Sending(["a.py", "b.py"], lambda *args: told.append(args))
    for line in ("SENDING 0\r\n", "SENDING 99999999999999999999\r\n", "SENDING -1\n", "SENDING\n", "1\n"):
        sending(line)
    sending.ended()
    assert told == [(0, 2, "a.py"), (1, 2, "b.py"), (2, 2, "")]
