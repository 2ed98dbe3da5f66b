"""Papers on a log that is damaged where newer samples may be, or that holds newer ones over the target."""

import html

import numpy as np
import pytest
import synthetic_log as sl
from skidboard import records
from skidwright.papers import certificate

ISSUE = ("certificate", "--asset", 1, "--by", "A. Moe", "-o", "c.html", "--target", "18/16/13")
DIRTY = (18_000.0, 4_200.0, 380.0, 70.0)  # 21/19/16 by ISO 4406:2021, table 1
AT = sl.START_UTC_MS


def place(seq: int) -> int:
    """Where a record stands in a log whose first has number 0: 28 records in a segment behind 64 bytes."""
    segment, slot = divmod(seq, records.SLOTS)
    return segment * records.SEGMENT_BYTES + records.HEADER_BYTES + slot * records.RECORD_BYTES


def flip(path, *seqs: int) -> None:
    """One byte of each record changed."""
    raw = bytearray(path.read_bytes())
    for seq in seqs:
        raw[place(seq) + 40] ^= 0x10
    path.write_bytes(raw)


def story(*more, newest=DIRTY):
    """A boot, a contact, samples 2 to 21 of asset 1 on target, 22 and 23 at `newest`, and what is given."""
    return sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, AT + 60_000),
        sl.samples(20, first_seq=2),
        sl.samples(2, seed=3, first_seq=22, per_ml=newest, first_uptime_ms=12_120_000),
        *more,
    )


def end(seq=24, uptime_ms=13_400_000):
    return sl.contact(seq, 1, uptime_ms, AT + uptime_ms)


@pytest.fixture
def log(log_path):
    """The archive's one log, with the two newest samples over the target."""
    log_path.write_bytes(sl.log_bytes(story(end())))
    return log_path


def test_the_newest_samples_speak_against_it(shop, log):
    shown = shop(*ISSUE)
    assert shown.status == 1 and "record 23" in shown.out and "21/19/16" in shown.out


@pytest.mark.parametrize("command", ["certificate", "slip"])
@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ((end(),), "records 22 to 23 are damaged or missing, written between 2026-01-01T03:"),
        ((), "2 damaged records at the log's end, after record 21, written after 2026-01-01T03:"),
    ],
    ids=["between", "at the end"],
)
def test_damaged_newest_records_give_no_paper(shop, log, tmp_path, command, rows, said):
    log.write_bytes(sl.log_bytes(story(*rows)))
    flip(log, 22, 23)
    shown = shop(*(ISSUE if command == "certificate" else ("slip", "--asset", 1)))
    out = " ".join(shown.out.split())
    assert shown.status == 1 and said in out, shown
    assert "which heals the archive" in out
    assert not (tmp_path / "here" / "c.html").exists()
    if command == "certificate":
        answer = shop(*ISSUE, "--json").json
        assert not answer["issued"] and answer["refusals"] == answer["unread"] and len(answer["unread"]) == 1


def test_a_record_cut_through_and_one_that_is_missing_as_well(shop, log_path):
    log_path.write_bytes(sl.log_bytes(story(newest=sl.PER_ML)))
    assert shop(*ISSUE).status == 0
    log_path.write_bytes(sl.log_bytes(story(newest=sl.PER_ML))[:-20])
    shown = shop(*ISSUE)
    assert shown.status == 1 and "1 damaged record at the log's end, after record 22" in shown.out
    rows = story(end(), newest=sl.PER_ML)
    log_path.write_bytes(sl.log_bytes(rows[rows["seq"] != 22]))
    shown = shop(*ISSUE)
    assert shown.status == 1 and "record 22 is damaged or missing" in shown.out
    with log_path.open("ab") as file:  # a few bytes that no board writes, out of step
        file.write(b"rotten" * 700)
    assert "at the log's end" in shop(*ISSUE).out


def test_damage_before_the_oldest_sample_is_no_matter(shop, log_path):
    log_path.write_bytes(sl.log_bytes(story(end(), newest=sl.PER_ML)))
    flip(log_path, 5, 20)
    assert shop(*ISSUE).status == 0  # on 21, 22, 23
    shown = shop(*ISSUE, "--samples", 4)
    assert shown.status == 1 and "record 20 is damaged or missing" in shown.out
    assert shop("verify", "c.html").status == 0


def test_a_segment_that_was_changed_is_damage(shop, log_path):
    """An edit with its CRC made right: the sample may have been another asset's, or worse."""
    later = sl.samples(34, seed=7, first_seq=24, first_uptime_ms=13_320_000)
    log_path.write_bytes(
        sl.log_bytes(story(later, newest=sl.PER_ML))
    )  # up to record 57; segment 2 from 56 on
    raw = bytearray(log_path.read_bytes())
    row = np.frombuffer(bytes(raw[place(40) : place(41)]), sl.layouts.SAMPLE).copy()
    row["asset"] = 2
    raw[place(40) : place(41)] = sl.sealed(row).tobytes()
    log_path.write_bytes(raw)
    shown = shop(*ISSUE)
    assert shown.status == 1
    assert "segment 1 (records 28 to 55) was changed after it was written" in shown.out
    assert shop(*ISSUE, "--samples", 2).status == 0  # on 56 and 57


def test_another_log_counts_while_it_may_hold_newer_samples(shop, log_path):
    """A log that the board began after it is older as a whole; damage at its end says nothing of later."""
    log_path.write_bytes(sl.log_bytes(story()))
    flip(log_path, 22, 23)
    other = log_path.with_name("00000007.skidlog")
    for days, status in ((1, 0), (-1, 1)):
        begun = AT + days * 86_400_000
        rows = sl.merged(
            sl.event(records.BOOT, 0, 1, 10),
            sl.contact(1, 1, 60_000, begun + 60_000),
            sl.samples(5, first_seq=2),
        )
        other.write_bytes(sl.log_bytes(rows, log=7))
        shown = shop(*ISSUE)
        assert shown.status == status, shown
    assert f"log {sl.DEVICE.hex()}/{sl.LOG:08x}: 2 damaged records" in shown.out


def issued_at(path, issued: str) -> None:
    """A paper with another time of issue, remade with its digest."""
    stated, _ = certificate.read(path)
    stated["issued_utc"] = issued
    stated["digest"] = certificate.digest_of(stated)
    path.write_text(certificate.render(stated))


@pytest.fixture
def paper(shop, log_path, tmp_path):
    """A paper on records 19, 20 and 21 (taken by 03:12), issued at 03:30; 22 and 23 were not pulled yet."""
    rows = story(newest=sl.PER_ML)
    log_path.write_bytes(sl.log_bytes(rows[rows["seq"] < 22]))
    assert shop(*ISSUE).status == 0
    path = tmp_path / "here" / "c.html"
    issued_at(path, "2026-01-01T03:30:00Z")
    assert shop("verify", path).status == 0
    return path


@pytest.mark.parametrize("form", [1, 2])
def test_newer_samples_over_the_target_speak_against_a_paper(shop, paper, log_path, form):
    """22 was taken at 03:22, before the issue, 23 at 03:32, after it: by its number and the interval."""
    log_path.write_bytes(sl.log_bytes(story(end())))
    if form == 1:
        as_format_1(paper)
    shown = shop("verify", paper)
    assert shown.status == 1, shown.out
    (line,) = [line for line in shown.out.splitlines() if "AGAINST" in line]
    assert "record 22" in line and "21/19/16" in line and "before the paper was issued" in line
    assert "note:    1 valid sample was taken since it was issued, 1 of them over" in shown.out
    issued_at(paper, "2026-01-01T03:14:00Z")
    shown = shop("verify", paper)
    assert shown.status == 0, shown.out
    assert "note:    2 valid samples were taken since it was issued, 2 of them over" in shown.out
    assert len(shop("verify", paper, "--json").json["notes"]) == 1


def as_format_1(path) -> None:
    stated, _ = certificate.read(path)
    for name in ("coldest_c", "water_constants", "water", "confidence", "confidence_asked", "one_fluid",
                 "confidence_at_or_below_target"):  # fmt: skip
        del stated[name]
    stated |= {"format": 1, "water_when_cold": "", "chance_at_or_below_target": [1.0, 1.0, 1.0]}
    stated["digest"] = certificate.digest_of(stated)
    path.write_text(certificate.render(stated))


def test_newer_samples_on_target_are_no_argument(shop, paper, log_path):
    log_path.write_bytes(sl.log_bytes(story(end(), newest=sl.PER_ML)))
    assert shop("verify", paper).status == 0


@pytest.mark.parametrize("rows", [(end(),), ()], ids=["between", "at the end"])
def test_damage_that_may_hide_newer_samples_speaks_against_a_paper(shop, paper, log_path, rows):
    log_path.write_bytes(sl.log_bytes(story(*rows)))
    flip(log_path, 22, 23)
    shown = shop("verify", paper)
    assert shown.status == 1 and "AGAINST" in shown.out and "which heals the archive" in shown.out
    log_path.write_bytes(sl.log_bytes(story(*rows, newest=sl.PER_ML)))  # healed
    assert shop("verify", paper).status == 0


def test_damage_that_was_written_after_the_issue_does_not(shop, paper, log_path):
    later = sl.samples(2, seed=5, first_seq=24, first_uptime_ms=20_000_000)
    log_path.write_bytes(sl.log_bytes(story(later, end(26, 22_000_000), newest=sl.PER_ML)))
    flip(log_path, 24)
    assert shop("verify", paper).status == 0


def test_a_dirty_sample_with_a_broken_water_loop_is_not_passed_over(shop, log_path, tmp_path):
    """With a water limit a sample needs both to count for the target; to speak against it one is enough."""
    rows = story(newest=DIRTY)
    loops = rows.view(sl.layouts.SAMPLE)
    dirty = loops["seq"] >= 22
    for name in ("water_mean_ua", "water_min_ua", "water_max_ua"):
        loops[name][dirty] = 0
    log_path.write_bytes(sl.log_bytes(rows))
    shown = shop(*ISSUE)
    assert shown.status == 1 and "record 23" in shown.out
    wet = story(newest=sl.PER_ML)
    loops = wet.view(sl.layouts.SAMPLE)
    soaked = loops["seq"] == 23
    for name in ("water_mean_ua", "water_min_ua", "water_max_ua"):
        loops[name][soaked] = 16_000  # 75 % of saturation
    loops["flow_min_ul_s"][soaked], loops["out_of_band_ms"][soaked] = 300, 2000
    log_path.write_bytes(sl.log_bytes(wet))
    shown = shop(*ISSUE)
    assert shown.status == 1 and "record 23" in shown.out and "has water, 75.0 %" in shown.out


def test_the_note_of_the_shop_stands_on_its_papers(shop, log_path, tmp_path):
    toml = tmp_path / "here" / "skid.toml"
    log_path.write_bytes(sl.log_bytes(story(newest=sl.PER_ML)))
    assert shop(*ISSUE).status == 0
    page = tmp_path / "here" / "c.html"
    assert "data_note" not in certificate.read(page)[0]
    toml.write_text('note = "Invented data <of a demonstration>"\n' + toml.read_text())
    assert shop(*ISSUE).status == 0
    text = page.read_text()
    assert "Invented data <of a demonstration>" in html.unescape(text.split("<script")[0])
    assert certificate.read(page)[0]["data_note"] == "Invented data <of a demonstration>"
    assert shop("verify", page).status == 0
    assert shop("slip", "--asset", 1).out.splitlines()[1] == "Invented data <of a demonstration>"
    page.write_text(text.replace("Invented data", "Data", 1))
    assert shop("verify", page).status == 1
