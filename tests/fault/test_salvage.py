"""The log after its file system was lost: both superblocks damaged in mid-log, and a new file system made.

What must hold:

1. Every segment that lay in the flash when that happened and was not written over since comes back, byte for
   byte, and the open one up to its last flushed record, wherever the file system kept it.
2. Nothing is invented: each record that comes back was in the log, under the same number.
3. What is recovered is marked as salvaged, apart from the archive, and `check` reads it.
4. What was written over is counted as missing.

The truth is read before the damage by littlefs-python, the reference implementation of littlefs in C, and not
by the project's own code. The journal that wrote it is the firmware's, under MicroPython on its own VfsLfs2.
"""

import random
import shutil

import pytest
from command_line import assert_described
from littlefs import LittleFS
from protocol.board_at_pty import BoardAtPty, micropython
from skidboard import records
from skidwright.archive import salvage as salvaging
from skidwright.archive.folder import Archive
from skidwright.cli import app
from skidwright.errors import SalvageError
from skidwright.link import prompt
from skidwright.link.session import Session
from skidwright.log import dataset
from skidwright.log.segment_check import parse_header
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import load, packaged

pytestmark = pytest.mark.skipif(not micropython(), reason="no MicroPython for this platform")
BLOCK, BLOCKS = 4096, 352
DEVICE, LOG = "1032547698badcfe", "5eed0001"


def truth_of(image, folder="/log"):
    """{segment number: bytes} of the segment files in a littlefs image, by littlefs-python."""
    fs = LittleFS(block_size=BLOCK, block_count=BLOCKS, mount=False)
    fs.context.buffer = bytearray(image)
    fs.mount()
    found = {}
    for parent, _, names in fs.walk(folder):
        for name in names:
            if name.endswith(".seg"):
                with fs.open(f"{parent}/{name}", "rb") as file:
                    found[int(name[:8], 16)] = file.read()
    return found


def image_of(tmp_path, count, **options):
    """The flash of a board that has written `count` records, powered off."""
    folder = tmp_path / "board"
    folder.mkdir(exist_ok=True)
    with BoardAtPty(folder, count, **options):
        pass
    return (folder / "flash.img").read_bytes()


def damaged(image):
    """Both superblocks spoilt."""
    return b"\x00" * 2 * BLOCK + image[2 * BLOCK :]


def recovered(tmp_path, image, key=None):
    """(what the salvage says, {segment number: bytes}) of an image."""
    shutil.rmtree(tmp_path / "out", ignore_errors=True)
    archive = Archive.create(tmp_path / "out", "a test")
    (log,) = salvaging.salvage(image, archive, key)
    raw = archive.log_path(log.device, log.log).read_bytes()
    blocks = [raw[at : at + BLOCK] for at in range(0, len(raw), BLOCK)]
    return log, {parse_header(block).segment: block for block in blocks}


@pytest.mark.parametrize("count", [0, 1, 2, 27, 28, 29, 300, 1000])
def test_all_of_it_comes_back(tmp_path, count):
    image = image_of(tmp_path, count)
    truth = truth_of(image)
    assert sum((len(raw) - 64) // 144 for raw in truth.values()) == count + 1
    log, found = recovered(tmp_path, damaged(image))
    assert found == truth
    assert (log.device, log.log, log.segments, log.records) == (DEVICE, LOG, len(truth), count + 1)
    assert (log.missing, log.damaged, log.contradicted) == (0, 0, 0)
    assert log.proven == len(truth) - 1 and log.not_proven == [max(truth)]
    path = tmp_path / "out" / DEVICE / f"{LOG}.skidlog"
    assert dataset.decode(path.read_bytes()).report.ok and dataset.verify_chain(path).ok


def test_what_is_written_over_is_missing_and_the_rest_is_not(tmp_path):
    image = image_of(tmp_path, 1000)
    truth = truth_of(image)
    before = {raw[64 + k * 144 :][:144] for raw in truth.values() for k in range((len(raw) - 64) // 144)}
    (tmp_path / "board" / "flash.img").write_bytes(damaged(image))
    # The board formats what it cannot mount, begins another log and writes 60 records over the old one.
    image = image_of(tmp_path, 60, log=0xBEEF)
    archive = Archive.create(tmp_path / "out", "a test")
    logs = {log.log: log for log in salvaging.salvage(image, archive)}
    assert logs["0000beef"].records == 61 and logs["0000beef"].missing == 0
    old = logs[LOG]
    raw = archive.log_path(DEVICE, LOG).read_bytes()
    blocks = {
        parse_header(raw[at : at + 64]).segment: raw[at : at + BLOCK] for at in range(0, len(raw), BLOCK)
    }
    for number, block in blocks.items():
        for k in range((len(block) - 64) // 144):
            slot = block[64 + k * 144 :][:144]
            assert slot in before or slot == b"\xff" * 144
        if number in truth and image.find(truth[number]) >= 0:
            assert block == truth[number], "what still lies there whole comes back whole"
    still = [number for number, whole in truth.items() if image.find(whole) >= 0]
    assert set(still) <= blocks.keys() and len(truth) // 2 <= len(still) < len(truth)
    assert old.missing == old.last - old.first + 1 - len(blocks)
    data = dataset.decode(raw, bytes.fromhex(DEVICE), int(LOG, 16))
    assert data.report.missing_records + data.report.records >= 28 * (len(blocks) - 1)


def test_spoilt_blocks_cost_what_is_in_them(tmp_path):
    chance = random.Random(7)
    image = bytearray(damaged(image_of(tmp_path, 600)))
    truth = truth_of((tmp_path / "board" / "flash.img").read_bytes())
    hit = chance.sample(sorted(truth)[:-1], 5)
    for number in hit:
        image[image.find(truth[number]) + 64 + 144 * 20 + 30] ^= 4
    log, found = recovered(tmp_path, bytes(image))
    # Older copies lie about, for the file system moves a segment as it grows: they may fill the place.
    assert 0 <= log.damaged < 5 and log.records == 601 - log.damaged
    healed = [number for number in truth if found[number] == truth[number]]
    assert len(healed) == len(truth) - log.damaged and set(truth) - set(healed) <= set(hit)
    assert set(log.not_proven) == {*truth} - {*healed} | {max(truth)}
    for number in set(truth) - set(healed):
        assert found[number][: 64 + 144 * 20] == truth[number][: 64 + 144 * 20]
        assert found[number][64 + 144 * 21 :] == truth[number][64 + 144 * 21 :]


def test_noise_holds_no_log(tmp_path):
    chance = random.Random(11)
    noise = bytes(chance.randrange(256) for _ in range(BLOCK * 4)) + records.MAGIC * 500
    assert list(salvaging.copies(noise)) == []
    (tmp_path / "noise.img").write_bytes(noise)
    assert app.run(["salvage", "--image", str(tmp_path / "noise.img"), "-o", str(tmp_path / "o")]) == 2
    assert not (tmp_path / "o").exists()


def test_check_reads_it_and_says_that_it_was_salvaged(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    (tmp_path / "flash.img").write_bytes(damaged(image_of(tmp_path, 100)))
    assert app.run(["salvage", "--image", str(tmp_path / "flash.img")]) == 0
    said = capsys.readouterr().out
    assert "101 records in 4 segments" in said
    (place,) = (tmp_path / "data" / "skidwright").glob("archive-salvaged-*")
    assert str(place) in said
    assert app.run(["check", "--archive", str(place)]) == 0
    assert "SALVAGED from raw flash" in capsys.readouterr().out


@pytest.mark.parametrize("what", ["cut", "flip", "nonsense"])
def test_a_flash_that_comes_over_damaged_is_refused(what):
    import base64
    import zlib

    block = bytes(range(256)) * 16
    said = f"RAW 3 4096\nB 1 {zlib.crc32(block)} {base64.b64encode(block).decode()}\nEND\n"
    assert prompt.parse(said, "here") == b"\xff" * BLOCK + block + b"\xff" * BLOCK
    spoilt = {"cut": said[:-5], "flip": said.replace("AQID", "AQIE", 1), "nonsense": "Traceback"}[what]
    with pytest.raises(SalvageError, match="here: the flash came over damaged"):
        prompt.parse(spoilt, "here")


def test_the_whole_way_on_the_virtual_skid(tmp_path, capsys):
    """In mid-log both superblocks go, the boot script formats without a word, mpremote reads raw flash."""
    with VirtualSkid(load(packaged("quick")), tmp_path / "skid") as skid:
        skid.run_until(300)
        with skid.contact(), Session.open(skid.port) as session:
            session.hello()
            for i in range(70):
                session.command(f"mark remark {i}")
        image = tmp_path / "skid" / "flash.img"
        truth = truth_of(image.read_bytes())
        assert len(truth) >= 3
        with image.open("r+b") as file:
            file.write(b"\x00" * 2 * BLOCK)
        # First the cut: the board must not write another record once time runs.
        skid.cut_power(0.5)
        skid.go_live()
        command = ["salvage", skid.port, "-o", str(tmp_path / "out"), "--json"]
        status = app.run(command)
        said, wrong = capsys.readouterr()
        assert status == 0, said + wrong
        with pytest.raises(Exception, match="littlefs|LittleFS|NOENT|exist|No file"):
            truth_of(image.read_bytes())
    (log,) = assert_described(said)["logs"]
    path = tmp_path / "out" / log["device"] / f"{log['log']}.skidlog"
    raw = path.read_bytes()
    assert [raw[at : at + BLOCK] for at in range(0, len(raw), BLOCK)] == [truth[n] for n in sorted(truth)]
    assert dataset.decode(raw).report.ok and dataset.verify_chain(path).ok
