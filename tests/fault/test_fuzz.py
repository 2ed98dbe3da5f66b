"""Hostile bytes for each target of `fuzz_targets.py`: inputs that once broke something, and random ones.

`make fuzz MINUTES=2` goes on with a fuzzer that follows the code's branches.
"""

import os
import time

import pytest
from fuzz_targets import KEPT, TARGETS, clean_up, seeds
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

EXAMPLES = int(os.environ.get("SKIDWRIGHT_FUZZ_EXAMPLES", "60"))
TOKENS = [
    b"[[", b"]]", b"{", b"}", b'"', b"=", b"\n", b"\0", b"\xff", b"-1", b"1e999", b"nan", b"inf", b"true",
    b"9" * 30, b"9" * 5000, b"[" * 2000, b'{"a":' * 600, b"\xed\xa0\x80", "\u202e\u2028".encode(), b"../../",
    b"<script>", b"\r\x03", b"''", b"[]", b"{}", b"1979-05-27T07:32:00Z", b"\\u0000", b"4096", b"\x1b[2J",
]  # fmt: skip
KEPT_FILES = sorted(p for p in KEPT.glob("*/*") if p.is_file())


@pytest.fixture(scope="module", autouse=True)
def _tidy():
    yield
    clean_up()


@st.composite
def spoiled(draw, name):
    """A good input with a few cuts, tokens and bytes of something else; sometimes nothing but noise."""
    data = draw(st.sampled_from(seeds(name)) | st.binary(max_size=300))
    for _ in range(draw(st.integers(0, 5))):
        at = draw(st.integers(0, len(data)))
        cut = draw(st.sampled_from([0, 0, 1, 1, 4, 40, 144]))
        put = draw(st.sampled_from(TOKENS) | st.binary(max_size=4))
        data = data[:at] + put + data[at + cut :]
    return data


@pytest.mark.parametrize("path", KEPT_FILES, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_what_once_broke_something(path):
    started = time.monotonic()
    TARGETS[path.parent.name](path.read_bytes())
    assert time.monotonic() - started < 30


@pytest.mark.parametrize("name", list(TARGETS))
def test_what_the_fuzzer_starts_from_holds(name):
    # A target raises where something does not hold; that good inputs are accepted is for their own tests.
    started, tried = time.monotonic(), 0
    for data in seeds(name):
        TARGETS[name](data)
        tried += 1
    assert tried > 0 and time.monotonic() - started < 30 * tried


@pytest.mark.parametrize("name", list(TARGETS))
def test_any_bytes(name):
    @settings(
        max_examples=EXAMPLES, deadline=None, database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )  # fmt: skip
    @given(spoiled(name))
    def tried(data):
        TARGETS[name](data)

    tried()


def test_every_kept_file_has_a_target():
    assert {p.parent.name for p in KEPT_FILES} <= set(TARGETS)
