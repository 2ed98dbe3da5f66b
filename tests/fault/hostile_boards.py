"""Boards that answer anything, through every command that opens a port.

    python tests/fault/hostile_boards.py --trials 1000        (make absurd)

Each board answers each request as a skid would, with some of the answers spoiled: fields of another type,
huge, infinite, left out; lengths that do not fit; refusals, silence, noise. What must hold of each command:
it ends, says "unexpected" of nothing, warns of nothing of Python's, and gives JSON that is JSON. Time is the
test's own: sleeping and waiting for an answer cost none, and a command that waits for more than an hour of
it, or works for more than 20 s, counts as hung.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import json
import os
import random
import struct
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import absurd_records
import synthetic_log as sl
from skidboard import link, records, settings, trace
from skidboard.faults import NAMES as FAULT_NAMES
from skidboard.sequence import STATE_NAMES
from skidwright.cli import app
from skidwright.errors import InstallError
from skidwright.link.framing import FrameReader, frame

TOO_LONG_S, ENDLESS_S = 20.0, 3600.0
_BY = ("--by", "A. Moe", "--reference", "invented", "--due", "2030-01-01", "--yes")
COMMANDS: tuple[tuple[str, ...], ...] = (
    ("status", "PORT"),
    ("status", "PORT", "--json"),
    ("watch", "PORT", "--times", "3"),
    ("watch", "PORT", "--times", "3", "--json"),
    ("settings", "PORT"),
    ("settings", "PORT", "--json"),
    ("settings", "PORT", "--send", "--yes"),
    ("settings", "PORT", "--send", "--yes", "--json"),
    ("tell", "PORT", "start"),
    ("tell", "PORT", "stop"),
    ("tell", "PORT", "reset"),
    ("tell", "PORT", "duty", "300", "5"),
    ("tell", "PORT", "hold", "800", "5"),
    ("mark", "PORT", "oil changed"),
    ("pull", "PORT"),
    ("pull", "PORT", "--json"),
    ("cleanup", "PORT", "--asset", "1", "--target", "16/14/11", "--yes", "--times", "3", "--output", "7"),
    ("cleanup", "PORT", "--follow", "--times", "3", "--json"),
    ("cleanup", "PORT", "--stop"),
    ("tune", "PORT", "--yes", "--out", "tuned", "--json"),
    ("calibrate", "flow", "PORT", "--times", "3", "--seconds", "10", "--density", "0.86", *_BY),
    ("calibrate", "flow", "PORT", "--run", "900", "150", "200", "--run", "901", "151", "200", "--run", "902",
     "151", "200", "--density", "0.86", "--out", "flow.json", "--json", *_BY),
    ("calibrate", "loop", "PORT", "--at", "4", "--at", "20", *_BY),
    ("calibrate", "loop", "PORT", "--point", "4", "4.01", "--point", "12", "12.01", "--point", "20", "20.01",
     "--out", "loop.json", "--json", *_BY),
    ("ports", "PORT"),
    ("ports", "PORT", "--json"),
    ("install", "PORT", "--yes"),
    ("salvage", "PORT"),
)  # fmt: skip
# Of another type, or far out: what a gate has to see. And what no JSON reader should get through.
_ODD: tuple[Any, ...] = (
    None,
    True,
    False,
    -1,
    0,
    1,
    255,
    5,
    1 << 31,
    1 << 62,
    0.5,
    "",
    "x",
    "\x1b[2J",
    [],
    [[]],
    [1],
    ["a"],
    {},
    {"a": 1},
    [[1, 2], [3]],
    [None] * 7,
    [0] * 7,
    "Infinity",
)
_WILD: tuple[Any, ...] = (
    1 << 70,
    10**400,
    -(10**30),
    1e300,
    "\u202e",
    "1" * 5000,
    [[[[]]]],
    {"a": {"b": {"c": 1}}},
)
_PRINTED = (
    'SKID["rp2", {"skidboard/app.py": "00"}]\n',
    "SKID5\n",
    "SKID[[], 5]\n",
    "SKID\n",
    'SKID["rp2"]\n',
    "AAAA\n",
    "4096 3\n",
    "",
    "\n",
    "{}\n",
    "[]\n",
    "True\n",
    "1 2\n",
    "x" * 3000 + "\n",
    "\x1b[2J\n",
    '{"a": 1e999}\n',
    "\ufffd",
)
CLEANUP_KEYS = ("running", "asset", "in_row", "valid", "samples", "run_s", "output", "ended")
_LITERALS = (
    b"Infinity",
    b"-Infinity",
    b"NaN",
    b"1e999",
    b"-1e999",
    b"[" * 3000,
    b"\xff",
    b"01",
    b'"\\ud800"',
)


class Clock:
    """Time that goes on only while somebody waits."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.limit_s = 0.0
        self.ends = 0.0

    def begin(self) -> None:
        self.limit_s, self.ends = self.now_s + ENDLESS_S, time.perf_counter() + TOO_LONG_S

    def monotonic(self) -> float:
        self.now_s += 1e-5
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += max(seconds, 0.0)
        self.check()

    def check(self) -> None:
        if self.now_s > self.limit_s:
            raise Hung("waits without end")
        if time.perf_counter() > self.ends:
            raise Hung("works without end")


class _Keyboard(io.StringIO):
    """Somebody who answers every question."""

    def isatty(self) -> bool:
        return True


class Hung(BaseException):
    """A command that did not end."""


class HostilePort:
    """A skid that answers by its own mind. `rate` is the chance that an answer is spoiled."""

    name = "PORT"

    def __init__(
        self,
        dice: random.Random,
        clock: Clock,
        log: bytes,
        rate: float | None = None,
        kind: int | None = None,
    ) -> None:
        self.dice, self._clock, self._log = dice, clock, log
        self._reader = FrameReader()
        self._out = b""
        self._rate = dice.choice((0.02, 0.1, 0.3, 1.0)) if rate is None else rate
        self._kind = dice.choice(
            (None, None, *(link.STATUS, link.SETTINGS) * 3, *range(1, 11))
        )  # the only kind of answer that is spoiled
        if kind is not None:
            self._kind = kind
        self._state = self._status()
        self._values: dict[str, Any] = settings.defaults()
        self._steady = dice.random() < 0.5  # the same lie each time
        self._lies: dict[int, bytes] = {}
        self._tick = 0

    def read(self, timeout_s: float) -> bytes:
        self._clock.check()
        if not self._out:
            self._clock.sleep(timeout_s)
        data, self._out = self._out[:4096], self._out[4096:]
        return data

    def write(self, data: bytes) -> None:
        self._clock.check()
        for message in self._reader.feed(data):
            if len(message) >= 2:
                self._answer(message)

    def close(self) -> None:
        pass

    def _answer(self, message: bytes) -> None:
        dice, kind = self.dice, message[0]
        head, body = bytes((kind | 0x80, message[1])), self.body(kind, message[2:])
        if kind == link.SEAL:
            head, body = bytes((0xFF, message[1])), bytes((kind,)) + b"no key"
        wanted = self._kind is None or self._kind == kind
        if wanted and dice.random() < self._rate:
            how = dice.randrange(12)
            if how == 0:
                return
            if how == 1:
                head, body = (
                    bytes((0xFF, message[1])),
                    bytes((kind,)) + dice.choice((b"no", b"\x1b[2Jx\n", b"")),
                )
            elif how == 2:
                self._out += dice.randbytes(dice.randrange(200))
                return
            elif self._steady and kind in self._lies:
                body = self._lies[kind]
            else:
                body = self._lies[kind] = self._spoiled(kind, body)
        if len(head + body) <= 4200:
            self._out += frame(head + body)

    def _spoiled(self, kind: int, body: bytes) -> bytes:
        dice = self.dice
        if body[:1] != b"{":
            how = dice.randrange(4)
            if how == 0:
                return body[: dice.randrange(len(body) + 1)]
            if how == 1:
                return body + dice.randbytes(dice.randrange(1, 50))
            raw = bytearray(body or b"\0")
            for _ in range(dice.choice((1, 1, 5))):
                raw[dice.randrange(min(len(raw), 30))] = dice.choice((0, 1, 127, 255, dice.randrange(256)))
            return bytes(raw)
        table = json.loads(body)
        odd = _WILD if dice.random() < 0.1 else _ODD
        for _ in range(dice.choice((1, 2, 5, 20))):
            name = dice.choice([*table, "cleanup"]) if table else "x"
            how = dice.randrange(4)
            if how == 0:
                table.pop(name, None)
            elif how == 1 and isinstance(table.get("cleanup"), dict):
                table["cleanup"][dice.choice(CLEANUP_KEYS)] = copy.deepcopy(dice.choice(odd))
            else:
                table[name] = copy.deepcopy(dice.choice(odd))
        text = json.dumps(table).encode()
        if dice.random() < 0.1:
            return text.replace(b":", b":" + dice.choice(_LITERALS) + b',"more":', 1)
        return text if dice.random() < 0.9 else dice.choice((b"[1]", b"null", b"", b"5"))

    def body(self, kind: int, asked: bytes) -> bytes:
        if kind == link.HELLO:
            return json.dumps({
                "protocol": link.PROTOCOL, "firmware": "0.1.0", "layout": records.LAYOUT,
                "device": sl.DEVICE.hex(), "log": f"{sl.LOG:08x}", "boot": 2,
                "uptime_ms": int(self._clock.now_s * 1000), "segment_first": 0,
                "segment_last": (len(self._log) - 1) // 4096, "open_bytes": len(self._log) % 4096,
                "next_seq": 80, "stored_seq": 0,
            }).encode()  # fmt: skip
        if kind == link.STATUS:
            return json.dumps(self._state).encode()
        if kind == link.SETTINGS:
            return json.dumps(self._values).encode()
        if kind == link.SETTINGS_PUT:
            with contextlib.suppress(ValueError):
                self._values.update(json.loads(asked))
            return b'{"changed": 3}'
        if kind == link.READ and len(asked) == 8:
            segment, offset, length = struct.unpack("<IHH", asked)
            block = self._log[segment * 4096 : (segment + 1) * 4096]
            sealed = segment < (len(self._log) - 1) // 4096
            return struct.pack("<IHHB", segment, offset, len(block), sealed) + block[offset : offset + length]
        if kind == link.CONTACT:
            return struct.pack("<IQ", 81, int(self._clock.now_s * 1000))
        if kind == link.TRACE and len(asked) == 4:
            return self._trace(struct.unpack("<I", asked)[0])
        if kind == link.COMMAND:
            self._obey(asked.decode(errors="replace"))
        return b""

    def _trace(self, wanted: int) -> bytes:
        to_come = int(self._clock.now_s * 10)
        first = max(0, to_come - trace.ROWS, wanted)
        rows = b""
        for n in range(first, to_come):
            flow = 800 + n % 7
            rows += struct.pack(
                trace.ROW_FORMAT, n * 100_000 & 0x3FFFFFFF, n * 100_000 & 0x3FFFFFFF, n * 4, flow, 300
            )
        return struct.pack("<II", first, max(first, to_come)) + rows

    def _obey(self, text: str) -> None:
        words = text.split() or [""]
        if words[0] in ("duty", "hold"):
            self._state["state"] = "manual"
        elif words[0] in ("stop", "auto"):
            self._state["state"] = "standby"
        elif words[0] == "cleanup":
            self._state["cleanup"]["running"] = words[1:2] == ["start"]

    def _status(self) -> dict[str, Any]:
        dice = self.dice
        return {
            "state": "standby" if dice.random() < 0.7 else dice.choice(STATE_NAMES), "state_ms": 5,
            "faults": dice.sample(list(FAULT_NAMES), dice.choice((0, 0, 1, 3))), "asset": 1,
            "run": 0, "flow_ul_s": 0, "set_ul_s": 0, "in_band": False, "duty_permille": 0, "pump_rpm": 0,
            "by_hand": False,
            "counts": [0] * 6, "volume_ul": 0, "sample_volume_ul": 30000, "purged_ul": 0, "water_ua": 7200,
            "water_cpct": 2000, "water_state": 0, "temp_cdeg": 4500, "temp_state": 0,
            "cleanup": {"running": dice.random() < 0.5, "asset": 1, "in_row": 1, "valid": 2, "samples": 3,
                        "run_s": 100, "output": False, "ended": 0},
            "uptime_ms": 5000, "boot": 2, "next_sample_s": -1, "samples": 3, "stored": True,
            "log_segments": 3, "log_segments_max": 280, "stored_seq": 0, "next_seq": 80, "records_lost": 0,
            "log_keyed": False, "settings_crc": 5, "edges": [0] * 7, "tacho_edges": 0, "inputs": 0,
            "temp_ua": 0, "temp_ohm": 0,
        }  # fmt: skip


class Bench:
    """A folder, and commands run in it in this process against hostile boards."""

    def __init__(self, folder: Path) -> None:
        self.shop = absurd_records.Shop(folder)
        self.log = sl.log_bytes(absurd_records.invented_log())
        self.clock = Clock()
        self.status = 0

    @contextlib.contextmanager
    def _patched(self, port: HostilePort) -> Iterator[None]:
        def opened(name: str) -> HostilePort:
            return port

        dice = port.dice

        def prompt(*_: Any, heard: Any = None, **__: Any) -> str:
            """What mpremote prints of a board that prints anything."""
            if dice.random() < 0.2:
                raise InstallError("mpremote: no device found", "PORT", "reset the board")
            text = "".join(dice.choice(_PRINTED) for _ in range(dice.randrange(6)))
            for line in text.splitlines():
                if heard:
                    heard(line)
            return text

        with (
            mock.patch("skidwright.link.install._mpremote", prompt),
            mock.patch("skidwright.link.prompt.mpremote", prompt),
            mock.patch("skidwright.link.session.open_port", opened),
            mock.patch("skidwright.link.port.open_port", opened),
            mock.patch("time.monotonic", self.clock.monotonic),
            mock.patch("time.sleep", self.clock.sleep),
            mock.patch("skidwright.link.port.list_ports", list),
            mock.patch("sys.stdin", _Keyboard("y\n1\n" * 50)),
        ):
            yield

    def complaint(self, port: HostilePort, arguments: tuple[str, ...]) -> str:
        """What is wrong with how a command took a board; empty when nothing is. Its `status` is kept."""
        for made in ("flow.json", "loop.json"):
            Path(made).unlink(missing_ok=True)
        out, err = io.StringIO(), io.StringIO()
        self.clock.begin()
        with warnings.catch_warnings(record=True) as warned, self._patched(port):
            warnings.simplefilter("always")
            warnings.simplefilter("ignore", ResourceWarning)  # of another test, whenever it is collected
            try:
                with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                    self.status = status = app.run(arguments)
            except Hung as hung:
                return str(hung)
        said = "; ".join(line for line in err.getvalue().splitlines() if "unexpected" in line)
        if said:
            return said
        if warned:
            return f"warning: {warned[0].message} ({Path(warned[0].filename).name}:{warned[0].lineno})"
        if status not in (0, 1, 2) or (status == 2 and not err.getvalue().strip()):
            return f"exit status {status}: {err.getvalue()}"
        if not all(c.isprintable() or c == "\n" for c in out.getvalue() + err.getvalue()):
            return "control characters printed"
        if "--json" in arguments and status != 2:
            text = out.getvalue()
            try:
                for part in text.splitlines() if "watch" in arguments else [text]:
                    json.loads(part, parse_constant=absurd_records.no_constant)
            except ValueError as error:
                return f"not JSON: {error}"
        return ""


def sweep(folder: Path, first: int, trials: int, say: bool = False) -> Counter[str]:
    """Complaints, each with how often, of so many boards from `first` on; "runs" counts all runs."""
    bench = Bench(folder)
    found: Counter[str] = Counter()
    for trial in range(first, first + trials):
        for k in range(2):
            command = COMMANDS[(2 * trial + k) % len(COMMANDS)]
            found["runs"] += 1
            port = HostilePort(random.Random(trial * 2 + k), bench.clock, bench.log)
            complaint = bench.complaint(port, command)
            if complaint:
                key = f"{' '.join(command[:3])}: {complaint}"
                if say and key not in found:
                    print(f"board {trial}/{k} {' '.join(command)}: {complaint}", flush=True)
                found[key] += 1
    return found


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        found = sweep(Path(folder), given.first, given.trials, say=True)
        os.chdir("/")
    runs = found.pop("runs")
    for complaint, times in found.most_common():
        print(f"{times:6} x {complaint}")
    print(f"{given.trials} hostile boards, {runs} runs of commands, {sum(found.values())} taken badly")
    return 1 if found or not runs else 0


if __name__ == "__main__":
    sys.exit(main())
