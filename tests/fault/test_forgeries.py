"""Forged logs and papers: none is accepted, nothing genuine refused. The whole sweep is `make forgeries`."""

from collections import Counter

import forgeries
import pytest
import synthetic_log as sl
from forgeries import KEY, Bench, keyed, rows, seal
from skidwright.log import dataset
from skidwright.papers import proof


@pytest.fixture
def bench(tmp_path, monkeypatch):
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "NO_COLOR", "SKIDWRIGHT_ARCHIVE"):
        monkeypatch.setenv(name, "x")  # so that they are put back afterwards
    monkeypatch.chdir(tmp_path)
    return Bench(tmp_path / "shop")


def _bad(found):
    return [what for what in found if what.startswith(("accepted", "refused"))]


def test_no_forged_log_is_accepted_and_none_that_is_genuine_refused(bench):
    found: Counter[str] = Counter()
    forgeries.forged_logs(bench, found, full=False)
    assert found["genuine logs"] == 2 and found["forged logs"] >= 20
    assert not _bad(found)


def test_no_field_of_a_paper_can_be_forged_unseen(bench):
    found: Counter[str] = Counter()
    forgeries.forged_papers(bench, found, full=False)
    assert found["forged papers"] > 25 and found["listed as its own word"] >= 3
    assert not _bad(found)


def test_genuine_papers_are_supported(bench):
    found: Counter[str] = Counter()
    forgeries.genuine(bench, found, 8)
    assert found["genuine papers"] >= 7 and not _bad(found)
    # Its confidence lies where the scatter as the page rounds it would give another last digit.
    forgeries.genuine(bench, found, 1, first=1049)
    assert found["genuine papers"] >= 8 and not _bad(found)


@pytest.mark.parametrize(
    ("chain", "seals", "key", "state"),
    [
        (1, True, KEY, proof.PROVEN),
        (1, False, KEY, proof.NOT_COVERED),
        (1, True, None, proof.UNTRIED),
        (1, True, bytes(32), proof.WRONG_KEY),
        (0, False, KEY, proof.UNCHAINED),
        (0, False, None, proof.NO_KEY),
    ],
)
def test_what_is_proven_of_the_newest_record(bench, chain, seals, key, state):
    raw = sl.log_bytes(rows("open"))
    raw = keyed(raw, KEY, 1) if chain else raw
    bench.put(raw, seal(raw, KEY) if seals else b"")
    result = dataset.verify_chain(bench.log, key)
    assert proof.state(result, [59]) == state
    assert proof.words(result, [59])
    if state == proof.NOT_COVERED:
        assert proof.state(result, [50]) == proof.PROVEN, "a link covers the closed segments"


def test_a_wrong_key_is_named_and_no_more_samples_asked_for(bench):
    raw = keyed(sl.log_bytes(rows("closed")), KEY, 1)
    bench.put(raw, seal(raw, KEY))
    said = bench.issue("another")
    assert "another key" in said and "take more samples" not in said


def test_a_paper_dated_before_its_samples_or_ahead_is_not_supported(bench):
    bench.put(sl.log_bytes(rows("closed")))
    assert not bench.issue("none")
    for year, words in (("2001", "was taken after"), ("2091", "yet to come")):
        stated, _ = forgeries.certificate.read(forgeries.Path("paper.html"))
        stated["issued_utc"] = year + stated["issued_utc"][4:]
        stated["digest"] = forgeries.certificate.digest_of(stated)
        forgeries.Path("dated.html").write_text(forgeries.certificate.render(stated), encoding="utf-8")
        status, said = bench.run("none", "verify", "dated.html")
        assert status == 1 and words in said


def test_check_says_that_a_log_is_not_chained_with_the_key_there_is(bench):
    bench.put(sl.log_bytes(rows("closed")))
    status, said = bench.run("own", "check")
    assert status == 1 and "without a key, though this board has one" in said
    assert bench.run("none", "check")[0] == 0
