"""docs/skid.toml is accepted as it stands, and with its commented lines in force; our writer reads back."""

import datetime
import re
from pathlib import Path

import pytest
from skidboard import settings
from skidwright import config
from skidwright.demo import to_toml
from skidwright.formulas.iso4406 import format_code, parse_code

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "skid.toml"


def test_example_is_accepted() -> None:
    read = config.load(EXAMPLE)
    assert [asset.name for asset in read.assets.values()] == ["Press 1", "Gearbox conveyor"]
    assert read.board["assets"] == [1, 2]
    assert settings.check_all(read.board) == []


def test_commented_lines_work_when_uncommented(tmp_path: Path) -> None:
    text = re.sub(r"^# (\w+ = )", r"\1", EXAMPLE.read_text("utf-8"), flags=re.M)
    path = tmp_path / "skid.toml"
    path.write_text(text)
    read = config.load(path)
    assert read.counter.calibration_due == datetime.date(2027, 3, 31)
    # 2000-01-01 plus 9951 days, by the calendar of any other program: date -d "2000-01-01 +9951 days"
    assert read.board["calibration_due_day"] == 9951
    assert read.limits().sensing_volume_ml == 2.5e-6


def test_band_in_ml_per_minute_becomes_ul_per_second(tmp_path: Path) -> None:
    path = tmp_path / "skid.toml"
    path.write_text("[counter]\nband_ml_min = [30, 60]\n")
    read = config.load(path)
    # 30 mL/min is 500 uL/s, 60 mL/min is 1000 uL/s
    assert (read.board["flow_low_ul_s"], read.board["flow_high_ul_s"], read.board["flow_set_ul_s"]) == (
        500,
        1000,
        750,
    )
    assert read.limits().flow_low_ul_s == pytest.approx(500)


@pytest.mark.parametrize("text", [
    '[[asset]]\nnumber = 3\nname = "a \\"b\\" \\\\ c"\ntarget = "20/18/15"\ncoldest_c = -5.5\n',
    "[counter]\nband_ml_min = [40, 60.5]\ncalibrated = 2026-01-01\n[board]\nrest_s = 7\nassets = [5, 3]\n",
    "[checks]\nflow_spread_percent = 11.5\n",
    "",
])  # fmt: skip
def test_what_is_written_reads_back(tmp_path: Path, text: str) -> None:
    path = tmp_path / "skid.toml"
    path.write_text(text)
    read = config.load(path)
    path.write_text(to_toml(read, "a comment"))
    assert config.load(path) == read


@pytest.mark.parametrize(
    ("text", "code"), [("18/16/13", (18, 16, 13)), ("0/0/0", (0, 0, 0)), ("28/28/28", (28, 28, 28))]
)
def test_codes_are_read(text: str, code: tuple[int, int, int]) -> None:
    assert parse_code(text) == code
    assert format_code(code) == text


@pytest.mark.parametrize("text", ["18/16", "18/16/13/10", "18/16/x", "29/16/13", "13/16/18", "-1/0/0", ""])
def test_what_is_no_code_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="number"):
        parse_code(text)
