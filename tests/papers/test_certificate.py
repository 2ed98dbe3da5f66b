"""A certificate, and whether the log still supports it."""

import hashlib
import html
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from command_line import assert_one_line
from scipy import stats
from skidboard import records
from skidwright.checks import CheckLimits
from skidwright.papers import certificate, proof
from skidwright.register import Register

ISSUE = ("certificate", "--by", "A. Moe", "-o", "c.html")


def edited(log: Path, seq: int, change: Callable[[np.ndarray], None]) -> None:
    """Edit a sample in the log by a function of its row, and make its CRC right again."""
    raw = bytearray(log.read_bytes())
    for start in range(0, len(raw), records.SEGMENT_BYTES):
        for at in range(start + records.HEADER_BYTES, start + records.SEGMENT_BYTES, records.RECORD_BYTES):
            slot = raw[at : at + records.RECORD_BYTES]
            if len(slot) == records.RECORD_BYTES and int.from_bytes(slot[4:8], "little") == seq:
                row = np.frombuffer(bytes(slot), sl.layouts.SAMPLE).copy()
                change(row)
                raw[at : at + records.RECORD_BYTES] = sl.sealed(row).tobytes()
    log.write_bytes(raw)


def raised(log: Path, seq: int, channel: int, factor: float) -> None:
    """Another count in a sample of the log."""

    def change(row):
        row["counts"][0, channel] = int(row["counts"][0, channel] * factor)

    edited(log, seq, change)


@pytest.fixture
def issued(shop, tmp_path) -> Path:
    """The file of a certificate for asset 1."""
    shown = shop(*ISSUE, "--asset", 1, "--json")
    assert shown.status == 0, shown.err
    return tmp_path / "here" / "c.html"


def test_it_says_what_it_rests_on(issued, log_path, archive):
    stated, text = certificate.read(issued)
    assert stated["target"] == "18/16/13" and stated["water_limit_percent"] == 50
    # Records 2 to 61 are samples of assets 1 and 2 in turn; of asset 1 the last, 60, is out of band.
    assert [line["record"] for line in stated["samples"]] == [54, 56, 58]
    assert stated["not_valid_since"] == 1
    assert "Ramp &lt;hydraulic&gt; &amp; unit" in text and "<hydraulic>" not in text
    # The digest by hand: records 56 to 83 stand in segment 2, which is open; 58 is its third.
    raw = log_path.read_bytes()
    first, second = stated["logs"][0]["segments"]
    assert (first["segment"], second["segment"]) == (1, 2)
    end = records.HEADER_BYTES + 3 * records.RECORD_BYTES
    assert second["bytes"] == end
    assert second["sha256"] == hashlib.sha256(raw[8192 : 8192 + end]).hexdigest()
    with Register.open(archive) as register:
        (paper,) = register.papers(1)
    assert paper.kind == "certificate" and paper.digest == stated["digest"]


def test_verified(shop, issued):
    shown = shop("verify", issued)
    assert shown.status == 0, shown.out
    assert shown.out.splitlines()[-1] == "The log supports it."
    assert "; issued_by A. Moe; " in shown.out, "short words are told whole"
    assert shop("verify", issued, "--json").json["supported"] is True


def test_still_verified_when_the_log_has_grown(shop, issued, log_path):
    more = sl.samples(3, seed=9, first_seq=62, first_uptime_ms=50_000_000)
    with log_path.open("ab") as file:
        file.write(sl.sealed(more).tobytes())
    assert shop("verify", issued).status == 0


@pytest.mark.parametrize("factor", [0.9, 8])
def test_an_edited_log_fails_though_its_crc_fits(shop, issued, log_path, factor):
    raised(log_path, 56, 0, factor)
    shown = shop("verify", issued)
    assert shown.status == 1
    assert "segment 2 of the log is not what it was" in shown.out
    assert shown.out.splitlines()[-1] == "The log does NOT support it."


def test_a_log_that_is_gone_fails(shop, issued, log_path):
    shutil.move(log_path, log_path.with_name("00000001.skidlog"))
    shown = shop("verify", issued)
    assert shown.status == 1 and "is not in this archive" in shown.out


def test_any_changed_letter_of_the_paper_fails(shop, issued):
    text = issued.read_text()
    stated, _ = certificate.read(issued)
    for old, new in (
        ("18/16/13", "16/14/11"), ("A. Moe", "B. Moe"), ("until", "til"), (stated["digest"], "0" * 64),
        ("clear fluid proves nothing", "clear fluid is enough"),
    ):  # fmt: skip
        if old not in text:
            continue
        for changed in (text.replace(old, new, 1), text.replace(old, new)):
            issued.write_text(changed)
            shown = shop("verify", issued)
            assert shown.status == 1, (old, shown.out)
            assert "was changed" in shown.out


def test_content_forged_with_its_digest_fails_on_the_log(shop, issued):
    """Whoever knows how can make a paper that fits itself; the log's own figures give it away."""
    stated, _ = certificate.read(issued)
    stated["samples"][1]["iso4406"] = "15/13/10"
    stated["digest"] = certificate.digest_of(stated)
    issued.write_text(certificate.render(stated))
    shown = shop("verify", issued)
    assert shown.status == 1 and "not 15/13/10" in shown.out


def _no_logs(stated):
    stated["logs"] = []


def _more_samples(stated):
    stated["samples"] += [dict(stated["samples"][0], record=999, utc="2026-11-25T10:00:00Z")]


def _no_segments(stated):
    stated["logs"][0]["segments"] = []


def _one_record_three_times(stated):
    stated["logs"][0]["records"] = stated["logs"][0]["records"][:1] * 3


def _drier(stated):
    stated["samples"][0]["water_percent"] = 3.0


def _newer(stated):
    stated["samples"][2]["utc"] = "2026-11-25T10:00:00Z"


def _cleaner(stated):
    stated["samples"][0]["per_ml"][0] = 1.0


def _surer(stated):
    stated["samples"][0]["limits_per_ml"][0] = [0.0, 1.0]


def _certain(stated):
    stated["confidence_at_or_below_target"] = [0.0, 1.0, 1.0]


def _sure_in_words(stated):
    stated["confidence"] = "99.9 %"


def _dry_when_cold(stated):
    stated["water"]["high_percent"] = 1.0


def _warmer_at_its_coldest(stated):
    stated["coldest_c"] = 44.0
    stated["water_constants"] = [7.0895, 1567.0]


@pytest.mark.parametrize(
    "forge",
    [_no_logs, _more_samples, _no_segments, _one_record_three_times, _drier, _newer, _cleaner, _surer,
     _certain, _sure_in_words, _dry_when_cold, _warmer_at_its_coldest],
)  # fmt: skip
def test_no_figure_can_be_forged_with_its_digest(shop, issued, forge):
    stated, _ = certificate.read(issued)
    forge(stated)
    stated["digest"] = certificate.digest_of(stated)
    issued.write_text(certificate.render(stated))
    shown = shop("verify", issued)
    assert shown.status == 1 and "AGAINST" in shown.out, shown.out


def against(shown) -> list[str]:
    """What `verify` said against a paper, a line each."""
    assert shown.status == 1, shown.out
    return [line.split("AGAINST:")[1].strip() for line in shown.out.splitlines() if "AGAINST:" in line]


def test_a_valid_sample_left_out_between_speaks_against_it(shop, log_path, tmp_path):
    """The issuer had the middle one of the samples rejected, by a threshold that nobody else applies."""
    toml = tmp_path / "here" / "skid.toml"
    text = toml.read_text()
    toml.write_text(text + "\n[checks]\ntemperature_span_c = 1\n")
    edited(log_path, 56, lambda row: row["temp_max_cdeg"].fill(4750))
    assert shop(*ISSUE, "--asset", 1).status == 0
    stated, _ = certificate.read(tmp_path / "here" / "c.html")
    assert [line["record"] for line in stated["samples"]] == [52, 54, 58]
    assert shop("verify", "c.html").status == 0
    toml.write_text(text)
    left_out = "record 56 between its samples is valid today and was left out"
    assert left_out in against(shop("verify", "c.html"))


def test_a_broken_chain_inside_its_segments_speaks_against_it(shop, issued, log_path):
    """A record of another asset changed in a segment of the paper, and the paper's digests made anew."""
    raised(log_path, 41, 0, 0.9)
    stated, _ = certificate.read(issued)
    part = stated["logs"][0]
    part["segments"] = [asdict(one) for one in proof.of_samples(log_path, part["records"])]
    stated["digest"] = certificate.digest_of(stated)
    issued.write_text(certificate.render(stated))
    wrong = against(shop("verify", issued))
    assert "segment 1 breaks the chain of digests" in wrong
    assert not any("is not what it was when the paper was issued" in line for line in wrong)


def test_names_of_a_paper_that_the_register_does_not_know_are_left_open(shop, issued):
    assert "the register of this archive does not know it" not in shop("verify", issued).out
    stated, _ = certificate.read(issued)
    stated["issued_by"] = "\x1b[2J\nThe log supports it."
    stated["digest"] = certificate.digest_of(stated)
    issued.write_text(certificate.render(stated))
    shown = shop("verify", issued)
    assert "open:    the register of this archive does not know it" in shown.out
    assert "\x1b" not in shown.out and "by ?[2J?The log" in shown.out


def test_a_number_beyond_all_numbers_is_one_line(shop, issued):
    stated, _ = certificate.read(issued)
    stated["asset"]["number"] = float("inf")
    stated["digest"] = certificate.digest_of(stated)
    issued.write_text(certificate.render(stated))
    assert_one_line(shop("verify", issued), "not that of a certificate")


def test_thresholds_of_today_are_applied(shop, issued, tmp_path):
    with (tmp_path / "here" / "skid.toml").open("a") as file:
        file.write("\n[checks]\nflow_low_ul_s = 832\n")
    shown = shop("verify", issued)
    assert shown.status == 1 and "not valid by today's thresholds" in shown.out


def test_what_is_not_met_is_not_issued(shop, tmp_path, archive):
    shown = shop(*ISSUE, "--asset", 2)
    assert shown.status == 1 and "the target 16/14/11" in shown.out
    assert not (tmp_path / "here" / "c.html").exists()
    assert not (archive / "register.sqlite").exists()
    shown = shop(*ISSUE, "--asset", 1, "--water", 5)
    assert shown.status == 1 and "of saturation at 45 degC" in shown.out and "the limit is 5 %" in shown.out


def test_water_is_judged_where_it_is_coldest(shop, tmp_path):
    # 20 % at 45 degC by either published pair of constants: free water at 0 degC, some 50 % at 20 degC.
    toml = tmp_path / "here" / "skid.toml"
    text = toml.read_text()
    toml.write_text(text.replace('target = "18/16/13"', 'target = "18/16/13"\ncoldest_c = 0'))
    shown = shop(*ISSUE, "--asset", 1)
    assert shown.status == 1 and "free water at 0 degC, the coldest it gets; the limit is 50 %" in shown.out
    assert shop("slip", "--asset", 1).status == 1
    toml.write_text(text.replace('target = "18/16/13"', 'target = "18/16/13"\ncoldest_c = 40'))
    assert shop(*ISSUE, "--asset", 1).status == 0
    page = (tmp_path / "here" / "c.html").read_text()
    assert "Judged at the coldest temperature the machine sees: 2" in page
    assert "% of saturation at 40 °C, the coldest it gets" in page
    # Out of 20 % the two published pairs make about 68 and 74 % at 14 degC: a limit between is not proven.
    toml.write_text(text.replace('target = "18/16/13"', 'target = "18/16/13"\ncoldest_c = 14'))
    shown = shop(*ISSUE, "--asset", 1, "--water", 71)
    assert shown.status == 1 and "constants do not agree" in shown.out
    slip = shop("slip", "--asset", 1, "--water", 71)
    assert slip.status == 1 and "do not agree" in " ".join(slip.out.split())


def test_where_no_coldest_is_known_the_page_says_so(issued):
    assert "the sample's own temperature, since no coldest is known" in html.unescape(issued.read_text())


def test_the_page_names_its_rules_and_the_confidence_reached(shop, issued, log_path):
    """By SciPy: P(more than n) of the counts of all three together at the limit, averaged over Student's t of
    what 1 % of volume uncertainty and the stated scatter of three samples make together (JCGM 100, G.4)."""
    stated, text = certificate.read(issued)
    shown = shop("check", "--all", "--json", "--asset", 1)
    assert shown.out, shown.err
    lines = shown.json["samples"]
    used = [line for line in lines if line["sequence_number"] in (54, 56, 58)]
    assert len(used) == 3
    volume = sum(line["volume_ml"] for line in used)
    reached = []
    for place, limit in enumerate((2500, 640, 80)):  # ISO 4406:2021, table 1: 18/16/13
        count = sum(line["counts"][place] for line in used)
        by_volume = CheckLimits().volume_uncertainty_percent / 100 / np.log(2)
        sd, freedom, alike = (stated["scatter"][name][place] for name in ("sd", "freedom", "alike"))
        own = sd**2 * (1 + 4 / 3 * alike + 2 / 3 * alike**2) / 3
        whole = by_volume**2 + own
        t = stats.t(freedom * (whole / own) ** 2)
        places = t.ppf((np.arange(20_000) + 0.5) / 20_000)
        seen = limit * volume * 2 ** (-np.sqrt(whole) * places)
        reached.append(stats.gamma.cdf(seen, count + 1).mean())
    assert stated["confidence_at_or_below_target"] == pytest.approx(reached, abs=3e-3)
    assert stated["confidence_asked"] == 0.95
    page = " ".join(html.unescape(text).split())
    assert "as counted, are at or below the target" in page and "the rule of <code>skidwright receive" in page
    assert f"Confidence that every channel is at or below the target: <b>{stated['confidence']}</b>" in page


@pytest.mark.parametrize(("per_ml", "enough"), [(2300.0, True), (2475.0, False)])
def test_a_delivery_needs_what_receive_needs(shop, tmp_path, log_path, per_ml: float, enough: bool):
    """Just below the 2500 per mL of its target each sample is at its number; all of them are no proof yet."""
    rows = sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        sl.samples(6, seed=10, first_seq=2, per_ml=(per_ml, 300.0, 30.0, 5.0), assets=(1,)),
    )
    log_path.write_bytes(sl.log_bytes(rows))
    asked = ("--asset", 1, "--target", "18/16/13")
    received = shop("receive", *asked, "--dry-run", "--water-limit", 100, "--json").json
    assert received["outcome"] == ("accepted" if enough else "not proven"), received["reasons"]
    shown = shop(*ISSUE, *asked, "--purpose", "delivery")
    assert shown.status == (0 if enough else 1), shown.out
    assert shop(*ISSUE, *asked, "--confidence", 95).status == shown.status
    if not enough:
        assert ">=4 um(c) is at or below its target with" in shown.out and "95 % are asked" in shown.out
    # whoever asks for less is told on the paper what is left open
    less = () if enough else ("--confidence", 50)
    stated = shop(*ISSUE, *asked, *less, "--json").json
    assert (min(stated["confidence_at_or_below_target"]) >= 0.95) == enough
    page = " ".join((tmp_path / "here" / "c.html").read_text().split())
    assert ("on which side of the target the fluid is, is left open" in page) != enough
    assert shop("verify", "c.html").status == 0


def test_a_target_for_21um_counts(shop):
    assert shop("asset", "edit", 1, "--target-21um", 3).status == 0
    shown = shop(*ISSUE, "--asset", 1)
    assert shown.status == 1 and "at >=21 um(c), the target 3" in shown.out


def test_refusals_are_one_line(shop, tmp_path):
    assert_one_line(shop(*ISSUE, "--asset", 1, "--samples", 99), "samples with valid counts", "99 are needed")
    assert_one_line(shop(*ISSUE, "--asset", 3), "no samples of asset 3")
    assert_one_line(shop(*ISSUE, "--asset", 1, "--target", "18/16"), "--target")
    assert_one_line(shop("certificate", "--by", " ", "--asset", 1), "--by")
    page = tmp_path / "here" / "page.html"
    for text in (
        "",
        "<html>",
        '<script type="application/json" id="content">[1]</script>',
        '<script type="application/json" id="content">{"kind": "skidwright certificate"}</script>',
    ):
        page.write_text(text)
        answer = shop("verify", page)
        assert_one_line(answer, "page.html")
    bare = '{"kind": "skidwright certificate", "format": 1}'
    page.write_text(f'<script type="application/json" id="content">{bare}</script>')
    assert_one_line(shop("verify", page), "not that of a certificate")
    assert_one_line(shop("verify", tmp_path / "none.html"), "none.html")


@pytest.mark.parametrize(
    "path", sorted((Path(__file__).parent / "issued").glob("*.html")), ids=lambda p: p.name
)
def test_papers_issued_before_still_render_as_they_were(path):
    """A page that was issued once must verify for ever: change the template, and this says so."""
    stated, text = certificate.read(path)
    assert certificate.render(stated) == text
    assert certificate.digest_of(stated) == stated["digest"]


def test_a_paper_of_format_1_is_still_verified_on_its_log(shop, issued):
    """What format 1 held: a chance for each channel by counting, and words on the coldest temperature."""
    stated, _ = certificate.read(issued)
    for name in ("coldest_c", "water_constants", "water", "confidence", "confidence_asked", "one_fluid",
                 "confidence_at_or_below_target"):  # fmt: skip
        del stated[name]
    old = stated | {"format": 1, "water_when_cold": "", "chance_at_or_below_target": [1.0, 1.0, 1.0]}
    for chances, status in (([1.0, 1.0, 1.0], 0), ([0.0, 1.0, 1.0], 1)):
        old["chance_at_or_below_target"] = chances
        old["digest"] = certificate.digest_of(old)
        issued.write_text(certificate.render(old))
        shown = shop("verify", issued)
        assert shown.status == status, shown.out
        assert ("chances to be at or below the target" in shown.out) == bool(status)


def test_there_is_such_a_paper():
    assert list((Path(__file__).parent / "issued").glob("*.html"))


def test_segments_that_a_paper_may_rest_on(log_path):
    whole = proof.of_samples(log_path, [2, 61])
    assert [d.segment for d in whole] == [0, 2]
    assert proof.check(log_path, whole) == []
    with pytest.raises(ValueError, match="record 999"):
        proof.of_samples(log_path, [999])


def test_content_cannot_break_out_of_the_page(shop, tmp_path):
    shop(*ISSUE, "--asset", 1, "--note", "</script><script>alert(1)</script>")
    text = (tmp_path / "here" / "c.html").read_text()
    assert len(re.findall("<script", text)) == 1
    assert json.loads(text.split('id="content">')[1].split("</script>")[0])["note"].startswith("</script>")


def test_where_the_register_cannot_be_written_no_paper_is_left_behind(shop, archive, tmp_path, monkeypatch):
    from skidwright.register import Register

    def full(*_):
        raise OSError(28, "No space left on device", "register.sqlite")

    monkeypatch.setattr(Register, "add_paper", full)
    answer = shop("certificate", "--asset", 1, "--by", "A. Moe", "-o", "paper.html")
    assert answer.status == 2 and not (tmp_path / "here" / "paper.html").exists()


def test_where_the_paper_cannot_be_written_the_register_knows_of_none(shop, archive, tmp_path):
    from skidwright.register import Register

    answer = shop("certificate", "--asset", 1, "--by", "A. Moe", "-o", tmp_path / "not there" / "paper.html")
    assert answer.status == 2
    with Register.open(archive) as register:
        assert not list(register.papers())


def test_the_page_says_how_soon_and_how_old_as_other_views_do(shop, issued):
    one = shop("assess", "--asset", 1, "--json").json["assets"][0]
    stated, text = certificate.read(issued)
    assert stated["stands"]["needs"] == one["needs"] and stated["stands"]["title"] == one["title"]
    assert (
        one["title"] in html.unescape(text.split("<script")[0])
        and f"was {stated['stands']['age']} old" in text
    )
    assert "as it says" in shop("verify", issued).out


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"asked": {"target": [14, 12, 9]}}, "it says of the machine 'in order'; by the log it was 'act'"),
        ({"age_days": 0.0, "age": "1 min"}, "newest valid sample was"),
        ({"age": "1 min"}, "one in words, another in figures"),
        ({"needs": "soon"}, "not that of a certificate"),
    ],
)
def test_a_milder_word_or_a_younger_age_speaks_against_it(shop, issued, changed, told):
    """A forger who makes digest and page fit again is found out by the log."""
    stated, _ = certificate.read(issued)
    asked = stated["stands"]["asked"] | changed.get("asked", {})
    stated["stands"] |= changed | {"asked": asked}
    stated["digest"] = certificate.digest_of(stated)
    issued.write_text(certificate.render(stated), "utf-8")
    shown = shop("verify", issued)
    assert shown.status in (1, 2) and told in shown.out + shown.err, shown.out
