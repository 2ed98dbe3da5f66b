"""The key of the log's chain, read from beside the settings, on both interpreters."""

from fake_board import fresh_folder
from skidboard import log_key

KEY = bytes(range(32))


def _beside_settings(raw):
    folder = fresh_folder("log_key")
    if raw is not None:
        with open(folder + "/" + log_key.NAME, "wb") as f:
            f.write(raw)
    return folder + "/settings.json"


def test_no_key_is_no_problem():
    assert log_key.load(_beside_settings(None)) == (None, [])


def test_a_key_of_32_bytes_is_taken():
    assert log_key.load(_beside_settings(KEY)) == (KEY, [])


def test_a_key_of_another_length_is_refused_in_one_line():
    for raw in (b"", KEY[:-1], KEY + b"x", KEY * 2):
        key, problems = log_key.load(_beside_settings(raw))
        assert key is None and len(problems) == 1
        assert problems[0].startswith("log.key: not 32 bytes")
