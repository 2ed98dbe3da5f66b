"""The thermistor's table against the formula it stands for (B-parameter equation), on both interpreters."""

import math

from skidboard.current_loop import LOOP_FAILED, LOOP_OK
from skidboard.thermistor import Thermistor


def _ohm(celsius):
    return 10000 * math.exp(3950 * (1 / (celsius + 273.15) - 1 / 298.15))


def test_table_follows_the_formula():
    sensor = Thermistor()
    worst = 0
    for tenth in range(-290, 1490, 7):
        sensor.update(int(_ohm(tenth / 10) + 0.5))
        assert sensor.state == LOOP_OK
        error = abs(sensor.value / 100 - tenth / 10)
        # Above 100 degC an ohm, the input's own step, is already a tenth of a degree.
        worst = max(worst, error if tenth < 1000 else error - 0.15)
    assert worst < 0.3, worst


def test_open_and_shorted_sensors_fail():
    sensor = Thermistor()
    for ohm in (0, 150, 300000):
        sensor.update(ohm)
        assert sensor.state == LOOP_FAILED
