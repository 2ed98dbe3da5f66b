"""Settings are refused by name, on both interpreters."""

import json

from fake_board import fresh_folder
from skidboard import settings


def _file(text):
    path = fresh_folder("settings") + "/settings.json"
    with open(path, "w") as f:
        f.write(text)
    return path


def test_defaults_are_in_order():
    assert settings.check_all(settings.defaults()) == []
    for name in settings.TABLE:
        _, low, high, default = settings.TABLE[name]
        assert low <= default <= high, name


def test_limits_are_inside_and_what_lies_beyond_is_named():
    for name in settings.TABLE:
        _, low, high, _ = settings.TABLE[name]
        assert settings.check(name, low) is None
        assert settings.check(name, high) is None
        for wrong in (low - 1, high + 1, True, None, 1.5, "1"):
            problem = settings.check(name, wrong)
            assert problem and problem.startswith(name + ":"), (name, wrong)


def test_unknown_names_and_bad_assets_are_refused():
    assert settings.check("flow_sett", 1).startswith("flow_sett:")
    for wrong in ([], [0], [65536], [1, 1], [1.0], 5, list(range(1, 10))):
        assert settings.check("assets", wrong).startswith("assets:"), wrong
    assert settings.check("assets", [1, 65535]) is None


def test_settings_that_belong_together():
    problems = settings.check_all({"flow_set_ul_s": 2000})
    assert len(problems) == 1 and problems[0].startswith("flow_set_ul_s:")


def test_the_tachometer_takes_output_8():
    eight = [1, 2, 3, 4, 5, 6, 7, 8]
    assert settings.check_all({"tachometer_pulses_rev": 2, "assets": eight[:7]}) == []
    for clash in ({"assets": eight}, {"cleanup_output": 8}):
        clash["tachometer_pulses_rev"] = 2
        problems = settings.check_all(clash)
        assert len(problems) == 1 and "tachometer" in problems[0], clash
        clash["tachometer_pulses_rev"] = 0
        assert settings.check_all(clash) == []


def test_digest_follows_values_not_order():
    values = settings.defaults()
    other = {}
    for name in sorted(values, reverse=True):
        other[name] = values[name]
    assert settings.digest(values) == settings.digest(other)
    other["run"] = 1
    assert settings.digest(values) != settings.digest(other)


def test_a_good_file_is_taken_and_a_missing_one_is_no_problem():
    values, problems = settings.load(_file(json.dumps({"run": 12, "assets": [4, 9]})))
    assert problems == [] and values["run"] == 12 and values["assets"] == [4, 9]
    values, problems = settings.load("/nowhere/settings.json")
    assert problems == [] and values == settings.defaults()


def test_one_thing_wrong_puts_everything_at_default():
    for text in ('{"run": 12, "no_such": 1}', '{"run": 70000}', "[1]", '{"run": 12', ""):
        values, problems = settings.load(_file(text))
        assert problems and values == settings.defaults(), text
