"""What hostile bytes are thrown at: each target takes bytes, and raises when something does not hold.

What may come of any bytes: an answer, or one of our errors in one line. Anything else, also a hang or
memory without bound, is a fault of ours. `test_fuzz.py` tries them with hypothesis and with every file
in `kept/`, `fuzz.py` with atheris.
"""

from __future__ import annotations

import functools
import re
import shutil
import struct
import tempfile
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from cable_board import CableBoard, Clock
from skidboard import frames, records, settings
from skidwright import config
from skidwright.archive.folder import Archive
from skidwright.archive.log_file import LogWriter
from skidwright.archive.pull import pull
from skidwright.errors import ConfigError, LinkError, ScenarioError, SkidwrightError
from skidwright.link import replies
from skidwright.link.framing import FrameReader, frame
from skidwright.link.session import Session
from skidwright.samples import tally as samples_tally
from skidwright.samples.assessment import Assessment
from skidwright.sim import scenario

KEPT = Path(__file__).resolve().parent / "kept"
ROOT = Path(__file__).resolve().parents[2]
_FOLDER = Path(
    tempfile.mkdtemp(prefix="skidwright-fuzz-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
)
DEVICE, LOG = "1032547698badcfe", "5eed0001"


def clean_up() -> None:
    """Remove the folder that targets work in."""
    shutil.rmtree(_FOLDER, ignore_errors=True)


def _one_line(error: Exception) -> None:
    text = str(error)
    assert text and "\n" not in text and text.isprintable() and len(text) < 2000, ascii(text[:300])


def frames_either_end(data: bytes) -> None:
    """Bytes on the cable, at the host's end and at the board's."""
    reader, receiver = FrameReader(), frames.Receiver(2048)
    host, at = [], 0
    while at < len(data):
        n = 1 + data[at] % 97
        host += reader.feed(data[at : at + n])
        at += n
        assert len(reader._rest) <= frames.MAX_FRAME
    board = []
    for byte in data:
        n = receiver.push(byte)
        if n >= 2:
            board.append(bytes(receiver.buffer[:n]))
    assert all(len(m) <= frames.MAX_MESSAGE for m in host)
    # Both ends take the same messages for good, as far as both take that length.
    assert [m for m in host if 2 <= len(m) <= 2048] == board


def any_reply(data: bytes) -> None:
    """The body of any answer of a board."""
    body = data[1:]
    for parse in (
        lambda: replies.parse_hello(body, "port"),
        lambda: replies.parse_part(body, 1, 0, 4096, "port"),
        lambda: replies.parse_contact(body, "port"),
        lambda: replies.parse_trace(body, "port"),
        lambda: replies.parse_table(body, "port"),
    ):
        try:
            parse()
        except LinkError as error:
            _one_line(error)
    assert replies.clean_text(body).isprintable()


def any_request(data: bytes) -> None:
    """A request that reached the firmware in a good frame: answered in a good frame, and the next one too."""
    folder = _FOLDER / "requests"
    shutil.rmtree(folder, ignore_errors=True)
    clock = Clock()
    board = CableBoard(folder, clock, segments_max=8)
    reader = FrameReader()
    for message in (data[:2046], b"\x01\x07\x01\x00fuzz"):
        if len(message) < 2 or board.left:
            continue
        board.incoming.extend(b"\0" + frame(message))
        answers: list[bytes] = []
        for _ in range(3000):
            board.room = 4096
            clock.now_s += 0.001
            board.turn()
            answers += reader.feed(b"".join(board.outgoing))
            board.outgoing.clear()
            if answers or board.left:
                break
        if not board.left:
            (answer,) = answers
            assert answer[1] == message[1] and answer[0] in (message[0] | 0x80, 0xFF)


def settings_file(data: bytes) -> None:
    """/settings.json on the board: whatever is in it, settings in force are whole and allowed."""
    path = _FOLDER / "settings.json"
    path.write_bytes(data)
    values, problems = settings.load(str(path))
    assert settings.check_all(values) == [] and set(values) == set(settings.defaults())
    assert not problems or values == settings.defaults()


def skid_toml(data: bytes) -> None:
    """skid.toml."""
    path = _FOLDER / "skid.toml"
    path.write_bytes(data)
    try:
        made = config.load(path)
        made.limits()
        assert settings.check_all(made.board_in_force()) == []
    except ConfigError as error:
        _one_line(error)


def scenario_file(data: bytes) -> None:
    """A scenario of the virtual skid."""
    path = _FOLDER / "case.toml"
    path.write_bytes(data)
    try:
        scenario.load(path)
    except ScenarioError as error:
        _one_line(error)


def log_in_archive(data: bytes) -> None:
    """A .skidlog of any content: judged by `check` and taken up by a pull, with errors of ours at most."""
    path = _FOLDER / DEVICE / f"{LOG}.skidlog"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    _judge(path)
    try:
        with LogWriter(path) as writer:
            writer.position()
            assert writer.size <= len(data) and path.read_bytes() == data[: writer.size]
    except SkidwrightError as error:
        _one_line(error)


def records_made_right(data: bytes) -> None:
    """Records of any content under CRCs that are right: what a forger, or a board gone mad, may write."""
    path = _FOLDER / DEVICE / f"{LOG}.skidlog"
    path.parent.mkdir(exist_ok=True)
    header = bytearray(64)
    records.pack_header(header, 1, bytes.fromhex(DEVICE), int(LOG, 16), 1, 0, bytes(32), 0)
    log = bytes(header)
    for i in range(0, min(len(data), 28 * 140), 140):
        record = bytearray(data[i : i + 140].ljust(140, b"\0"))
        record[1] = records.LAYOUT
        struct.pack_into("<I", record, 4, i // 140)
        log += bytes(record) + struct.pack("<I", zlib.crc32(bytes(record), records.CRC_CARRY))
    path.write_bytes(log)
    _judge(path)


def _judge(path: Path) -> None:
    with np.errstate(all="raise", under="ignore"):
        assessment = Assessment(path)
        row = samples_tally.log_row(assessment)
        tally = samples_tally.Tally(config.Config())
        for answered in tally.rows(assessment, each=True):
            assert isinstance(answered, dict)
        assert isinstance(row, dict)


class _HostileBoard:
    """A port whose other end answers each request with the next stretch of `data`, rightly framed or not."""

    name = "hostile"

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._requests = FrameReader()
        self._out = b""
        self._hello = (
            b'{"protocol":1,"firmware":"x","layout":1,"device":"%s","log":"%s","boot":1,"uptime_ms":5,'
            b'"segment_first":1,"segment_last":3,"open_bytes":208,"next_seq":58,"stored_seq":0}'
            % (DEVICE.encode(), LOG.encode())
        )

    def write(self, data: bytes) -> None:
        for message in self._requests.feed(data):
            how, n = (self._data[:2] + b"\0\0")[:2]
            body, self._data = self._data[2 : 2 + 16 * n], self._data[2 + 16 * n :]
            head = bytes((message[0] | 0x80, message[1]))
            if message[0] == 1 and how % 4:
                body = self._hello
            elif message[0] == 3 and how % 3:
                total = how * 16 + n
                asked = struct.unpack("<IHH", message[2:10])
                body = struct.pack("<IHHB", asked[0], asked[1], total, how & 1) + body.ljust(
                    5000, body[-1:] or b"x"
                )
                body = body[: 9 + max(0, min(asked[2], total - asked[1]))]
            self._out += frame(head + body) if how % 7 else body

    def read(self, timeout_s: float) -> bytes:
        data, self._out = self._out, b""
        return data

    def close(self) -> None:
        pass


def hostile_board(data: bytes) -> None:
    """A pull from a board that means harm: ours or done, and nothing outside the log's own file."""
    root = _FOLDER / "outside"
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir()
    archive = Archive.create(root / "archive")
    try:
        with Session(_HostileBoard(data), timeout_s=0.0005, tries=2) as session:
            pull(session, archive)
    except SkidwrightError as error:
        _one_line(error)
    made = {p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file()}
    # Settings that it told, under their CRC-32.
    made = {name for name in made if not re.fullmatch(rf"archive/{DEVICE}/[0-9a-f]{{8}}\.settings", name)}
    assert made <= {"archive/archive.json"} | {
        f"archive/{d}/{log}.skidlog{lock}"
        for d in archive.devices()
        for log in archive.logs(d) + [LOG]
        for lock in ("", ".lock")
    }, made


# What a host may ask of a board besides a pull.
_TALK: tuple[Callable[[Session], object], ...] = (
    lambda s: s.hello(),
    lambda s: s.status(),
    lambda s: s.settings(),
    lambda s: s.put_settings({"rest_s": 60}),
    lambda s: s.command("mark words"),
    lambda s: s.insist("stop"),
    lambda s: s.trace(0),
    lambda s: s.contact(5),
    lambda s: s.acknowledge(5),
    lambda s: s.seal(s.hello(), 1, 208),
    lambda s: s.read(1, 0, 4096),
    lambda s: list(s.read_ahead([(1, 0, 4096), (2, 0, 64), (3, 64, 144)])),
    lambda s: s.leave(),
)


def hostile_talk(data: bytes) -> None:
    """Whatever a host can ask, of a board that means harm: what the method promises, or an error of ours.

    The first byte chooses where to begin; then each is asked in turn.
    """
    first = data[0] if data else 0
    with Session(_HostileBoard(data[1:]), timeout_s=0.0005, tries=2) as session:
        for k in range(len(_TALK)):
            try:
                _TALK[(first + k) % len(_TALK)](session)
            except SkidwrightError as error:
                _one_line(error)


@functools.cache
def _sample_log() -> bytes:
    board = CableBoard(_FOLDER / "sample", Clock())
    for i in range(70):
        board.event(1 + i % 13, a=i, text=f"record {i}")
    return board.log_bytes()


def _read(*paths: str) -> list[bytes]:
    return [(ROOT / path).read_bytes() for path in paths]


def seeds(name: str) -> list[bytes]:
    """Good inputs of a target, for a fuzzer to spoil."""
    hello = _HostileBoard(b"")._hello
    if name == "frames_either_end":
        return [frame(b"\x01\x02" + bytes(range(256))) + frame(b"hello") + b"\0", frame(bytes(2000))]
    if name == "any_reply":
        return [b"\0" + hello, b"\0" + struct.pack("<IHHB", 1, 0, 20, 1) + bytes(20), b"\0" + bytes(12)]
    if name == "any_request":
        contact = struct.pack("<QIIQ", 1_780_000_000_000, 10, 1, 0) + b"host"
        put = b'{"rest_s": 60, "assets": [1, 2]}'
        bodies = {1: b"\x01\0x", 2: b"", 3: struct.pack("<IHH", 1, 0, 4096), 4: contact, 5: b"", 6: put,
                  7: b"mark words", 8: b"", 9: bytes(4)}  # fmt: skip
        return [bytes((kind, 7)) + body for kind, body in bodies.items() if kind != 9]
    if name == "settings_file":
        return [b'{"rest_s": 60, "assets": [1, 2], "flow_set_ul_s": 800}', b"{}", b"[1]"]
    if name == "skid_toml":
        return _read("docs/skid.toml")
    if name == "scenario_file":
        return _read(*(f"host/skidwright/scenarios/{n}.toml" for n in ("quick", "air", "interlocks")))
    if name == "log_in_archive":
        return [_sample_log(), _sample_log()[:700]]
    if name == "records_made_right":
        log = _sample_log()[64:]
        return [b"".join(log[i : i + 140] for i in range(0, 28 * 144, 144))[: 140 * 6]]
    return [bytes(range(1, 256)) * 3, b"\x01\x00" * 40, b"\x05\xff" + b"a" * 4096]


TARGETS: dict[str, Callable[[bytes], None]] = {
    f.__name__: f
    for f in (
        frames_either_end, any_reply, any_request, settings_file, skid_toml, scenario_file, log_in_archive,
        records_made_right, hostile_board, hostile_talk,
    )
}  # fmt: skip
