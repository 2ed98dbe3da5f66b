"""`check`, `report` and `export` on an archive whose content the test made and so knows."""

import csv
import io
import os
from pathlib import Path

import pytest
import synthetic_log as sl
from cli.conftest import write_archive
from skidboard import faults, records
from uncertainties import ufloat


def test_check_counts_what_was_put_in(run, archive: Path) -> None:
    answer = run("check", "--archive", archive, "--json")
    assert answer.status == 1
    found = answer.json
    sums = {"valid": 57, "suspect": 0, "rejected": 3, "not measured": 0, "cannot be checked": 0}
    assert found["totals"]["counts"] == sums
    assert found["totals"]["water"]["rejected"] == 2
    assert found["totals"]["temperature"]["valid"] == 60
    assert found["totals"]["metal"]["not measured"] == 60
    assert {r["check"]: r["samples"] for r in found["reasons"]}["flow-band"] == 3
    (log,) = found["logs"]
    assert (log["device"], log["log"]) == (sl.DEVICE.hex(), f"{sl.LOG:08x}")
    assert (log["records"], log["samples"], log["damaged_records"], log["chain_ok"]) == (62, 60, 0, True)


def test_check_is_satisfied_with_a_good_log(run, good_archive: Path) -> None:
    answer = run("check", "--archive", good_archive)
    assert answer.status == 0
    assert "38 samples" in answer.out


@pytest.mark.parametrize("moment", ["2026-01-01T05:00Z", "2026-01-01T05:00:00Z", "2026-01-01T05:00"])
def test_assess_takes_a_moment_as_other_commands_do(run, archive: Path, moment: str) -> None:
    answer = run("assess", "--archive", archive, "--at", moment, "--json")
    assert answer.status in (0, 1) and answer.json["at"] == "2026-01-01T05:00:00Z"


def test_check_all_gives_each_sample_once(run, archive: Path) -> None:
    rows = run("check", "--archive", archive, "--all", "--json").json["samples"]
    assert [row["sequence_number"] for row in rows] == list(range(2, 62))
    wrong = [row["sequence_number"] for row in rows if row["verdict"]["counts"] != "valid"]
    assert wrong == [12, 14, 16]
    assert all("flow-band" in row["reasons"] for row in rows if row["sequence_number"] in wrong)
    # the first sample: uptime 120 s, and the contact said that uptime 60 s was 2026-01-01T00:01:00Z
    assert rows[0]["utc"] == "2026-01-01T00:02:00Z"
    assert all(low < per_ml < high for row in rows if row["verdict"]["counts"] == "valid"
               for (low, high), per_ml in zip(row["limits_per_ml"], row["per_ml"], strict=True))  # fmt: skip
    for row in rows:
        for number, chances in zip(row["iso4406_code"].split("/"), row["scale_number_chances"], strict=True):
            assert f"{number.strip('>=')} (" in chances
    text = run("check", "--archive", archive, "--all", "--asset", 1).out.splitlines()
    listed = [line.split() for line in text if line[:1].isdigit()]
    assert len(listed) == 30
    assert {line[2] for line in listed} == {"1"}
    end = next(i for i, line in enumerate(text) if "records (" in line)
    assert max(map(len, text[:end])) <= 100


def test_check_all_says_what_a_count_leaves_open(run, archive: Path) -> None:
    rows = run("check", "--archive", archive, "--all", "--json").json["samples"]
    text = run("check", "--archive", archive, "--all").out.splitlines()
    first = next(i for i, line in enumerate(text) if line.startswith("2 "))
    row, below = rows[0], text[first + 1]
    for (low, high), chances in zip(row["limits_per_ml"][:3], row["scale_number_chances"], strict=True):
        assert f"{low:g}-{high:g}: {chances}" in below
    assert "because of flow-band" in "\n".join(text)
    # three with flow out of band and two with a broken water loop; the notes are the same for all
    assert sum("because of" in line for line in text) == 5
    assert sum("noted from here on" in line for line in text) == 1
    assert len(rows) == 60


def test_check_carries_the_converters_error_into_water(run, archive: Path) -> None:
    rows = run("check", "--archive", archive, "--all", "--json").json["samples"]
    good = [row for row in rows if row["water_percent"] is not None]
    assert len(good) == 58 and all(
        row["water_uncertainty_percent"] is None for row in rows if row not in good
    )
    # 0 to 100 % over 16 mA: by the package uncertainties, an error within 760 uA, 12 bits over 22 mA, and the
    # spread of sl.samples, 7000 to 7400 uA
    sample = sl.samples(1)[0]
    spread = float(sample["water_max_ua"]) - float(sample["water_min_ua"])
    ua = ufloat(0, 760 / 3**0.5) + ufloat(0, 22_000 / 4096 / 12**0.5) + ufloat(0, spread / 12**0.5)
    assert good[0]["water_uncertainty_percent"] == pytest.approx((ua / 160).std_dev, abs=0.006)
    Path("skid.toml").write_text("[checks]\nloop_error_ua = 50\n")
    less = run("check", "--archive", archive, "--all", "--json").json["samples"][0]
    assert less["water_uncertainty_percent"] < 0.4 * good[0]["water_uncertainty_percent"]


def test_check_counts_cycles_without_a_sample(run, tmp_path: Path) -> None:
    skipped = [
        sl.event(records.SKIPPED, seq, 1, seq * 600_000, code=code, asset=asset)
        for seq, code, asset in (
            (2, faults.BAND_NOT_REACHED, 1),
            (3, faults.BAND_NOT_REACHED, 1),
            (4, 0xFFFF, 2),
        )
    ]
    body = sl.samples(5, first_seq=5, first_uptime_ms=3_000_000, assets=(1, 2))
    first = sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0")
    tied = sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000)
    write_archive(tmp_path / "skips", sl.merged(first, tied, *skipped, body))
    found = run("check", "--archive", tmp_path / "skips", "--json").json["not_taken"]
    assert [(row["asset"], row["why"], row["cycles"]) for row in found] == [
        (1, "band not reached", 2),
        (2, "given up by command", 1),
    ]
    # 20 and 30 minutes after the board came up, at midnight
    assert (found[0]["first_utc"], found[0]["last_utc"]) == ("2026-01-01T00:20:00Z", "2026-01-01T00:30:00Z")
    text = run("check", "--archive", tmp_path / "skips").out
    assert "no sample taken" in text and "band not reached" in text
    only = run("check", "--archive", tmp_path / "skips", "--json", "--asset", 2).json["not_taken"]
    assert [row["asset"] for row in only] == [2]


def test_free_water_by_the_assets_own_constants(run, archive: Path) -> None:
    from skidwright.formulas import water

    Path("skid.toml").write_text("[[asset]]\nnumber = 1\nwater_a = 7.3\nwater_b = 1500\n")
    rows = run("check", "--archive", archive, "--all", "--json").json["samples"]
    found = {row["asset"]: row for row in rows if row["free_water_below_c"] is not None}
    assert {number: row["water_constants"] for number, row in found.items()} == {1: "own", 2: water.DEFAULT}
    # log10 S = A - B/T holds the same water at both temperatures: the reading's part of S(warm) is S(cold)
    row = found[1]
    warm, cold = row["temperature_c"] + 273.15, row["free_water_below_c"] + 273.15
    assert 10 ** (1500 / warm - 1500 / cold) * 100 == pytest.approx(row["water_percent"], rel=0.005)


def test_check_sees_a_changed_byte(run, archive: Path, one_line) -> None:
    path = next(archive.rglob("*.skidlog"))
    raw = bytearray(path.read_bytes())
    raw[64 + 5 * 144 + 60] ^= 1
    path.write_bytes(raw)
    answer = run("check", "--archive", archive, "--json")
    assert answer.status == 1
    (log,) = answer.json["logs"]
    assert log["damaged_records"] == 1
    assert not log["chain_ok"]
    assert any("slot 5" in finding for finding in log["findings"])


def test_report_writes_a_page_for_each_asset(run, archive: Path) -> None:
    Path("skid.toml").write_text(
        '[[asset]]\nnumber = 1\nname = "Press 1"\ntarget = "18/16/13"\nwater_limit_percent = 50\n'
        '[[asset]]\nnumber = 2\nname = "Mill <2>"\ntarget = "16/14/11"\nwater_limit_percent = 50\n'
    )
    answer = run("report", "--archive", archive, "--json")
    assert answer.status == 1
    first, second = answer.json["reports"]
    assert (first["name"], first["needs"]) == ("Press 1", "in order")
    assert (second["name"], second["needs"]) == ("Mill <2>", "act")
    page = Path(second["report"]).read_text("utf-8")
    assert second["report"] == "reports/asset_2_mill_2.html"
    assert "Mill &lt;2&gt;" in page
    assert "log 5eed0001" in page
    assert "dirtier than target" in page
    alone = run("report", "--archive", archive, "--asset", 1, "-o", "elsewhere")
    assert alone.status == 0
    assert [path.name for path in Path("elsewhere").iterdir()] == ["asset_1_press_1.html"]


def test_export_is_csv_with_units(run, archive: Path) -> None:
    answer = run("export", "samples.csv", "--archive", archive)
    assert answer.status == 0
    with Path("samples.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 60
    assert "counted_volume_ml" in rows[0]
    assert sum(row["counts_verdict"] == "rejected" for row in rows) == 3
    piped = run("export", "-", "--archive", archive, "--asset", 2)
    assert len(list(csv.reader(io.StringIO(piped.out)))) == 31
    assert [path.name for path in Path().iterdir()] == ["samples.csv"]


def test_export_into_a_pipe_or_through_a_link_takes_neither_away(run, archive: Path) -> None:
    os.mkfifo("pipe")
    reader = os.open("pipe", os.O_RDONLY | os.O_NONBLOCK)
    try:
        assert run("export", "pipe", "--archive", archive, "--asset", 2).status == 0
        assert os.read(reader, 4).startswith(b"utc,")
    finally:
        os.close(reader)
    assert Path("pipe").is_fifo()
    Path("real.csv").write_text("old")
    Path("link.csv").symlink_to("real.csv")
    assert run("export", "link.csv", "--archive", archive).status == 0
    assert Path("link.csv").is_symlink()
    assert Path("real.csv").read_text().startswith("utc,")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_export_onto_a_full_device_is_said_and_leaves_the_device(run, one_line, archive: Path) -> None:
    # Through a link, so that a fault of ours cannot take the system's own device away.
    Path("full").symlink_to("/dev/full")
    one_line(run("export", "full", "--archive", archive), "full: No space left", "free some space")
    assert Path("full").is_char_device()


@pytest.mark.parametrize("command", [["check"], ["report"], ["export", "x.csv"]])
def test_what_is_not_there_is_said_in_one_line(run, one_line, archive: Path, tmp_path: Path, command) -> None:
    one_line(run(*command), "no archive", "pull")
    one_line(run(*command, "--archive", tmp_path / "nowhere"), "nowhere", "pull")
    one_line(run(*command, "--archive", archive, "--device", "ffff"), "ffff")
    (archive / "archive.json").write_text('{"format": 99}')
    one_line(run(*command, "--archive", archive), "99", "format 1")
    (archive / "archive.json").write_text("nonsense")
    one_line(run(*command, "--archive", archive), "archive.json")
    (archive / "archive.json").write_text('{"format": 1}')
    path = next(archive.rglob("*.skidlog"))
    path.unlink()
    path.mkdir()
    one_line(run(*command, "--archive", archive), str(path))


@pytest.mark.parametrize("command", [["check"], ["report"], ["export", "x.csv"]])
def test_an_asset_without_samples_is_said(run, one_line, archive: Path, command: list[str]) -> None:
    one_line(run(*command, "--archive", archive, "--asset", 7), "asset 7", "1, 2")


@pytest.mark.parametrize("content", [b"", b"\xff" * 5000, bytes(4096), b"SKL1" + bytes(9000)])
def test_an_archive_of_nonsense_is_read_without_stumbling(run, archive: Path, content: bytes) -> None:
    next(archive.rglob("*.skidlog")).write_bytes(content)
    for command in (["check"], ["check", "--all", "--json"], ["report"], ["export", "-"]):
        answer = run(*command, "--archive", archive)
        assert answer.status in (0, 1), answer
        notes = answer.err.splitlines() if command[0] == "export" else []
        assert answer.err == "" or (len(notes) == 1 and notes[0].startswith("note: ")), answer.err


@pytest.mark.parametrize("command", ["check", "report"])
@pytest.mark.parametrize("cut", [70, 143])
def test_archive_cut_off_in_mid_record(run, good_archive: Path, command: str, cut: int) -> None:
    (path,) = good_archive.glob("*/*.skidlog")
    path.write_bytes(path.read_bytes()[:-cut])
    done = run(command, "--archive", good_archive)
    assert done.status == 1 and "1 x unfinished record" in done.out


def test_a_host_clock_that_jumped_is_noticed(run, tmp_path: Path) -> None:
    """Three contacts agree, one was made with the host's clock an hour ahead."""
    hour_ms = 3_600_000
    contacts = [
        sl.contact(seq, 1, seq * hour_ms, sl.START_UTC_MS + seq * hour_ms + (hour_ms if seq == 2 else 0))
        for seq in range(4)
    ]
    write_archive(tmp_path / "archive", sl.merged(*contacts, sl.samples(10, first_seq=4)))
    done = run("check", "--archive", tmp_path / "archive")
    assert "clock was wrong or jumped: 1 clock contacts contradict the others" in done.out
    (log,) = run("check", "--json", "--archive", tmp_path / "archive").json["logs"]
    assert (log["clock_contacts"], log["clock_contacts_rejected"]) == (3, 1)
