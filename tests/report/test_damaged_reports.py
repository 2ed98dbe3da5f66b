"""What a report says when records that may be the newest cannot be read, and what an export says."""

import pytest
import synthetic_log as sl
from command_line import run  # noqa: F401  (a fixture)
from skidboard import records
from skidwright.report import headline

TOML = '[[asset]]\nnumber = 1\nname = "Ramp unit"\ntarget = "18/16/13"\n'


def flip(path, *seqs: int) -> None:
    raw = bytearray(path.read_bytes())
    for seq in seqs:
        raw[records.HEADER_BYTES + seq * records.RECORD_BYTES + 40] ^= 0x10
    path.write_bytes(raw)


@pytest.fixture
def log(run, tmp_path):  # noqa: F811
    """Records 2 to 21 on target, 22 and 23 over it, 24 a contact; skid.toml stands beside the archive."""
    path = tmp_path / "here" / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    (path.parents[1] / "archive.json").write_text('{"format": 1}\n')
    (tmp_path / "here" / "skid.toml").write_text(TOML)
    rows = sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        sl.samples(20, first_seq=2),
        sl.samples(
            2, seed=3, first_seq=22, per_ml=(18_000.0, 4_200.0, 380.0, 70.0), first_uptime_ms=12_120_000
        ),
        sl.contact(24, 1, 13_400_000, sl.START_UTC_MS + 13_400_000),
    )
    path.write_bytes(sl.log_bytes(rows))
    return path


def test_damaged_newest_records_stand_in_the_box(run, log, tmp_path) -> None:  # noqa: F811
    flip(log, 22, 23)
    shown = run("report", "--archive", log.parents[1], "--json")
    (made,) = shown.json["reports"]
    assert shown.status == 1
    assert "; the newest records are damaged or lost" in made["headline"]
    assert made["sureness"] == "low" and made["needs"] != "in order"
    page = (tmp_path / "here" / made["report"]).read_text("utf-8")
    box = page.split('<section class="verdict')[1].split("</section>")[0]
    assert "records 22 to 23 are damaged or missing" in box and "which heals the archive" in box
    assert "Nothing out of turn" not in box


def test_old_damage_takes_a_little_from_sureness_only(run, log) -> None:  # noqa: F811
    flip(log, 5)
    (made,) = run("report", "--archive", log.parents[1], "--json").json["reports"]
    assert "damaged" not in made["headline"]


def test_bad_news_stays_bad_news(make, judge_again) -> None:
    data = make(per_ml=(18_000.0, 4_200.0, 380.0, 70.0))
    before = headline.judge(data)
    said = headline.judge(judge_again(data, ("record 9 is damaged or missing",)))
    assert said.standing.word == before.standing.word == "act"
    assert set(before.actions) < set(said.actions) and set(before.findings) < set(said.findings)


@pytest.mark.parametrize("form", ["csv", "parquet", "-"])
def test_an_export_says_that_the_log_is_damaged(run, log, form) -> None:  # noqa: F811
    if form == "parquet":
        pytest.importorskip("pyarrow")
    target = form if form == "-" else f"samples.{form}"
    assert run("export", target, "--archive", log.parents[1]).err == ""
    flip(log, 22, 23)
    shown = run("export", target, "--archive", log.parents[1])
    (line,) = shown.err.splitlines()
    assert shown.status == 0
    assert line.startswith("note: ") and "2 x damaged record, 1 x sequence gap, 2 lost" in line


def test_assess_says_that_the_log_is_damaged(run, log) -> None:  # noqa: F811
    assert "damaged" not in run("assess", "--archive", log.parents[1]).err
    flip(log, 22, 23)
    shown = run("assess", "--archive", log.parents[1])
    (line,) = shown.err.splitlines()
    assert shown.status == 1
    assert line.startswith("note: ") and "2 x damaged record, 1 x sequence gap, 2 lost" in line
