"""Every view says the same of the same moment: random histories through the commands, their output compared.

    python tests/standing/agreement.py --histories 2000

A history is a log that this file writes (goals, water, volumes, ages, channels that are missing, damage, a
clean-up run), judged at a moment that is set. Read back is what the commands print and write: JSON of assess,
report, receive, certificate, check and cleanup; text of assess and slip; the table on the report's page.
"""

import argparse
import contextlib
import datetime
import html
import io
import json
import os
import re
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

import hypothesis
import numpy as np
from hypothesis import strategies as st

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]
import synthetic_log as sl  # noqa: E402
from skidboard import cleanup, records  # noqa: E402
from skidwright.cli import app  # noqa: E402

NAMES = (">=4 um(c)", ">=6 um(c)", ">=14 um(c)", ">=21 um(c)", "water as read", "water at the coldest",
         "free water at the coldest")  # fmt: skip
STATES = "met|not met|open|no goal|no valid sample|not measured"
NEEDS = "act|look soon|watch|in order"
PICTURES = ("code_history", "water_and_temperature", "flow", "size_distribution")


@dataclass
class Case:
    """One history. Levels are in scale numbers above an oil of 18/16/12, water in percent, ages in days."""

    seed: int = 0
    samples: int = 6
    level: float = 0.0
    scatter: float = 0.1
    rise: float = 0.0
    volume: float = 1.0
    water_ua: int = 7200
    target: str | None = "18/16/13"
    target_21um: int | None = None
    water_limit: float | None = 50
    coldest_c: float | None = None
    own_constants: bool = False
    age_days: float = 1.0
    hours: float = 1.0
    no_water: bool = False
    bad_counts: tuple[int, ...] = ()
    bad_water: tuple[int, ...] = ()
    damaged: int | None = None
    lines: list[str] = field(default_factory=list)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """A case by chance: near limits more often than not, since that is where views could differ."""

    def one_of(*values: object) -> object:
        return draw(st.sampled_from(values))

    n = draw(st.integers(1, 24))
    some = st.sets(st.integers(0, n - 1)).map(lambda rows: tuple(sorted(rows)))
    bad = st.one_of(st.just(()), st.just(()), some, st.just(tuple(range(n))))
    return Case(
        seed=draw(st.integers(0, 1 << 32)),
        samples=n,
        level=draw(st.floats(-2, 2, width=32)),
        scatter=one_of(0.02, 0.15, 0.5),
        rise=one_of(0.0, 0.0, 0.5, 1.5, 3.0),
        volume=one_of(0.1, 1.0, 3.0),
        water_ua=draw(st.integers(4500, 19_000)),
        target=one_of("18/16/13", "17/15/12", "20/18/15", None),
        target_21um=one_of(None, None, 7, 9, 12),
        water_limit=one_of(20.0, 40.0, 60.0, 80.0, None),
        coldest_c=one_of(None, None, -10.0, 5.0, 20.0, 40.0, 60.0),
        own_constants=one_of(False, False, True),
        age_days=one_of(0.1, 1.0, 10.0, 40.0, 270.0),
        hours=one_of(0.5, 6.0, 48.0),
        no_water=one_of(*[False] * 9, True),
        bad_counts=draw(bad),
        bad_water=draw(bad),
        damaged=draw(st.one_of(st.none(), st.none(), st.none(), st.integers(3, n + 2))),
    )


def write(case: Case, folder: Path) -> datetime.datetime:
    """Write archive and skid.toml; the moment at which to judge."""
    rng = np.random.default_rng(case.seed)
    n = case.samples
    up = case.level + np.linspace(0, case.rise, n) + case.scatter * rng.standard_normal(n)
    interval_ms = int(case.hours * 3_600_000)
    body = np.concatenate([
        sl.samples(1, case.seed + i, tuple(2 ** up[i] * np.array(sl.PER_ML)), first_seq=3 + i,
                   first_uptime_ms=120_000 + i * interval_ms)
        for i in range(n)
    ])  # fmt: skip
    if case.volume != 1.0:
        pulses = np.maximum((body["meter_pulses"] * case.volume).astype(int), 1)
        body["counts"] = (body["counts"] * (pulses / body["meter_pulses"])[:, None]).astype(np.uint32)
        body["meter_pulses"], body["volume_ul"] = pulses, pulses * 200
        body["count_ms"] = body["volume_ul"] * 1000 // body["flow_mean_ul_s"]
        body["codes"] = sl.codes_of(body["counts"], body["volume_ul"])
    body["water_mean_ua"] = case.water_ua + rng.integers(-60, 61, n)
    body["water_min_ua"], body["water_max_ua"] = body["water_mean_ua"] - 6, body["water_mean_ua"] + 6
    for row in case.bad_counts:
        body["flow_min_ul_s"][row], body["out_of_band_ms"][row] = 300, 2000
    for row in range(n) if case.no_water else case.bad_water:
        body["water_state"][row] = 3
    end_ms = int(body["uptime_ms"][-1]) + 1000
    rows = sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        sl.event(records.CLEANUP, 2, 1, 70_000, asset=1, code=0, a=3 << 24 | 13 << 16 | 16 << 8 | 18, b=5000),
        body,
        sl.event(records.CLEANUP, n + 3, 1, end_ms, asset=1, code=cleanup.ON_TARGET, a=3600),
    )
    path = folder / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    (folder / "archive" / "archive.json").write_text('{"format": 1}\n')
    raw = bytearray(sl.log_bytes(rows))
    if case.damaged is not None:
        segment, slot = divmod(case.damaged, records.SLOTS)
        at = segment * records.SEGMENT_BYTES + records.HEADER_BYTES + slot * records.RECORD_BYTES + 60
        raw[at] ^= 0x55
    path.write_bytes(raw)
    lines = ["[[asset]]", "number = 1", 'name = "Unit"']
    lines += [f'target = "{case.target}"'] if case.target else []
    lines += [f"water_limit_percent = {case.water_limit}"] if case.water_limit is not None else []
    lines += [f"coldest_c = {case.coldest_c}"] if case.coldest_c is not None else []
    lines += ["water_a = 7.3", "water_b = 1600"] if case.own_constants else []
    (folder / "skid.toml").write_text("\n".join(lines) + "\n")
    moment = (sl.START_UTC_MS + end_ms) / 1000 + case.age_days * 86_400
    return datetime.datetime.fromtimestamp(moment, datetime.UTC)


def contradictions(case: Case, folder: Path) -> tuple[list[str], int]:
    """What any view says otherwise than assess, a line each, and how many views spoke."""
    moment = write(case, folder)
    with contextlib.ExitStack() as stack:
        stack.enter_context(mock.patch("skidwright.cli.options.utc", lambda: moment))
        for name in PICTURES:  # drawing takes most of the time and decides nothing
            stack.enter_context(mock.patch(f"skidwright.report.pictures.{name}", lambda _: "<svg/>"))
        return _compared(case, folder)


def _compared(case: Case, folder: Path) -> tuple[list[str], int]:
    def run(*words: object) -> tuple[int, str]:
        out, err = io.StringIO(), io.StringIO()
        there = ("--archive", folder / "archive", "--config", folder / "skid.toml")
        arguments = [str(word) for word in (*words, *there)]
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = app.run(arguments)
        if "unexpected" in err.getvalue():
            raise AssertionError(err.getvalue())
        return status, out.getvalue()

    if case.target_21um is not None:
        with contextlib.redirect_stdout(io.StringIO()):
            app.run(["asset", "add", "1", "--archive", str(folder / "archive"), "--target-21um",
                     str(case.target_21um)])  # fmt: skip
    (one,) = json.loads(run("assess", "--json")[1])["assets"]
    truth = {q["quantity"]: (q["state"], q["limit"], q["needs"]) for q in one["quantities"]}
    found: list[str] = []
    spoke = 0

    def same(view: str, standing: dict) -> None:
        nonlocal spoke
        spoke += 1
        said = {q["quantity"]: (q["state"], q["limit"], q["needs"]) for q in standing["quantities"]}
        if standing["needs"] != one["needs"] or said != truth:
            found.append(f"{view}: {standing['needs']} {said}, assess: {one['needs']} {truth}")

    def same_words(view: str, text: str) -> None:
        nonlocal spoke
        spoke += 1
        for name, (state, limit, needs) in truth.items():
            line = re.search(
                rf"(?<!free ){re.escape(name)}: (?:(?!; ).)*?({STATES})(?: \([^)]*\))?; ({NEEDS})", text
            )
            if line is None:
                if state != "no goal":
                    found.append(f"{view}: nothing of {name}, assess: {state}")
            elif line.groups() != (state, needs):
                found.append(f"{view}: {name} {line.groups()}, assess: {(state, needs)}")
            elif limit is not None and state not in ("no valid sample", "not measured"):
                asked = re.search(r"at most ([\d,.]+)", line.group())
                if asked is None or abs(float(asked[1].replace(",", "")) - limit) > 1e-4 * limit:
                    found.append(f"{view}: {name} asks {asked and asked[1]}, assess: {limit}")

    _, text = run("assess", "--asset", 1)
    if not text:  # damage took its only sample: every command that needs one refuses in a line
        return ([] if case.damaged is not None and case.samples == 1 else ["assess is silent"]), 1
    word = text.split(": ")[1].lower()
    if word != one["needs"]:
        found.append(f"assess in words: {word}, in JSON: {one['needs']}")
    same_words("assess in words", text)
    status, text = run("report", "-o", folder / "reports", "--json")
    (made,) = json.loads(text)["reports"]
    same("report JSON", made)
    # a log that is damaged, or says what cannot be, gives 1 as well
    if status == 0 and (made["needs"] == "act" or made["sureness"] == "none" or case.damaged is not None):
        found.append(f"report: exit status {status}, {made['needs']}, sure {made['sureness']}")
    same_page(Path(made["report"]).read_text("utf-8"), one["needs"], truth, found)
    spoke += 1
    _, text = run("check", "--json")
    same("check JSON", json.loads(text)["standing"][0])
    _, text = run("cleanup", "--asset", 1, "--json")
    if text:
        same("cleanup JSON", json.loads(text)["standing"])
    if case.target:
        asked = [state for state, limit, _ in list(truth.values())[:6] if limit is not None]
        _, text = run("receive", "--asset", 1, "--fluid", "drum", "--dry-run", "--json")
        if text:
            received = json.loads(text)
            same("receive", received["standing"])
            if received["outcome"] == "accepted" and set(asked) != {"met"}:
                found.append(f"receive: accepted, assess: {asked}")
        status, text = run("certificate", "--asset", 1, "--by", "A. Moe", "-o", folder / "c.html", "--json")
        if text:
            same("certificate", json.loads(text)["standing"])
            if status == 0 and set(asked) != {"met"}:
                found.append(f"certificate: issued, assess: {asked}")
        _, text = run("slip", "--asset", 1)
        if text:
            same_words("slip", " ".join(text.split()))
    return found, spoke


def same_page(page: str, needs: str, truth: dict, found: list[str]) -> None:
    """The report's page: its first line, and the table of how each quantity stands."""
    title = re.search(r'<section class="verdict.*?<h2>.*?</span> (.*?)</h2>', page, re.S)
    first = html.unescape(title[1]).split(":")[0].lower() if title else ""
    if first != needs:
        found.append(f"report page: first word {first}, assess: {needs}")
    table = page.split("How each quantity stands")[1].split("</table>")[0]
    seen = {}
    for row in re.findall(r"<tr>(.*?)</tr>", table.split("<tbody>")[1], re.S):
        cells = [html.unescape(re.sub(r"<[^>]+>", "", cell)).replace("\u00a0", " ").strip()
                 for cell in re.findall(r"<td.*?>(.*?)</td>", row, re.S)]  # fmt: skip
        name = cells[0].replace("≥ ", ">=").replace("≥", ">=").replace("µm", "um")
        seen[name] = (cells[3], cells[6], cells[2])
    for name, (state, limit, level) in truth.items():
        if name not in seen:
            if state != "no goal":
                found.append(f"report page: nothing of {name}")
            continue
        if seen[name][:2] != (state, level):
            found.append(f"report page: {name} {seen[name]}, assess: {(state, level)}")
        asked = re.search(r"at most ([\d,.]+)", seen[name][2])
        if (asked is None) != (limit is None):
            found.append(f"report page: {name} asks {seen[name][2]}, assess: {limit}")
        elif asked and abs(float(asked[1].replace(",", "")) - limit) > 1e-4 * limit:
            found.append(f"report page: {name} asks {asked[1]}, assess: {limit}")


def main() -> int:
    """Try so many histories; print every contradiction."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--histories", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=20_000)
    given = parser.parse_args()
    os.environ["NO_COLOR"] = "1"
    tried = wrong = spoke = 0

    @hypothesis.seed(given.seed)
    @hypothesis.settings(
        max_examples=given.histories, deadline=None, database=None, phases=[hypothesis.Phase.generate],
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    @hypothesis.given(cases())
    def each(case: Case) -> None:
        nonlocal tried, wrong, spoke
        with tempfile.TemporaryDirectory() as folder:
            lines, views = contradictions(case, Path(folder))
        tried, spoke = tried + 1, spoke + views
        if lines:
            wrong += 1
            print(f"{case}\n  " + "\n  ".join(lines), flush=True)

    each()
    print(f"{tried} histories, {spoke} answers of views compared, {wrong} with a contradiction")
    return 1 if wrong or not spoke or tried < given.histories else 0


if __name__ == "__main__":
    sys.exit(main())
