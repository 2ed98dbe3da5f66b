"""Current loops and thermistor."""

import math

from skidboard.current_loop import LOOP_FAILED, LOOP_OK, LOOP_UNCERTAIN, CurrentLoop, loop_state
from skidboard.thermistor import Thermistor


def test_states_by_namur_ne_43():
    # NAMUR NE 43: 3.8 to 20.5 mA a measurement, to 3.6 and from 21.0 mA a failure (from memory).
    for loop_ua, state in (
        (0, LOOP_FAILED), (3599, LOOP_FAILED), (3600, LOOP_FAILED), (3601, LOOP_UNCERTAIN),
        (3799, LOOP_UNCERTAIN),
        (3800, LOOP_OK), (4000, LOOP_OK), (20000, LOOP_OK), (20500, LOOP_OK),
        (20501, LOOP_UNCERTAIN), (20999, LOOP_UNCERTAIN), (21000, LOOP_FAILED),
        (21001, LOOP_FAILED), (22000, LOOP_FAILED),
    ):  # fmt: skip
        assert loop_state(loop_ua) == state, loop_ua


def test_worst_state_has_the_highest_number():
    assert LOOP_OK < LOOP_UNCERTAIN < LOOP_FAILED


def test_scaling_hits_both_ends_and_the_middle():
    loop = CurrentLoop(-4000, 12500)
    for loop_ua, value in ((4000, -4000), (20000, 12500), (12000, 4250), (3800, -4206), (20500, 13016)):
        loop.update(loop_ua)
        assert loop.value == value, (loop_ua, loop.value)
        assert loop.loop_ua == loop_ua


def test_extreme_currents_are_held():
    loop = CurrentLoop(-10000, 30000)
    loop.update(-50)
    assert loop.loop_ua == 0 and loop.value == -20000
    loop.update(1 << 29)
    assert loop.loop_ua == 65535 and loop.value == 40000


def test_a_calibrated_input_reads_what_the_reference_said():
    # An input that reads 1.2 % low and 25 uA too high, corrected: r = (raw - 25) / 0.988.
    loop = CurrentLoop(0, 10000)
    loop.configure(0, 10000, -25, 12146)
    for true_ua in (0, 3600, 4000, 12000, 20000, 21000):
        loop.update(true_ua * 988 // 1000 + 25)
        assert abs(loop.loop_ua - true_ua) <= 2, (true_ua, loop.loop_ua)


def test_a_correction_is_rounded_not_cut():
    for gain_ppm, loop_ua, wanted in (
        (50, 16000, 16001),
        (50, 12000, 12001),
        (-50, 12000, 11999),
        (-50, 4000, 4000),
    ):
        loop = CurrentLoop(0, 10000)
        loop.configure(0, 10000, 0, gain_ppm)
        loop.update(loop_ua)
        assert loop.loop_ua == wanted, (gain_ppm, loop_ua)


def test_the_largest_corrections():
    # That each step of it stays small is tested in test_small_integers.py.
    for gain_ppm, loop_ua in ((-40000, 65535 + 500 - 960), (40000, 65535)):
        loop = CurrentLoop(0, 10000)
        loop.configure(0, 10000, 500, gain_ppm)
        loop.update(1 << 20)
        assert loop.loop_ua == loop_ua


def test_thermistor_against_the_beta_formula():
    # R = R25 * exp(B * (1/T - 1/T25)), the usual two-point model of an NTC; 10 kohm, B = 3950 K.
    sensor = Thermistor()
    for cdeg in range(-2900, 14900, 73):
        ohm = 10000 * math.exp(3950 * (1 / (cdeg / 100 + 273.15) - 1 / 298.15))
        sensor.update(int(ohm + 0.5))
        assert sensor.state == LOOP_OK
        # The resistance is a whole number of ohms; at 150 degC one ohm is a quarter of a degree.
        assert abs(sensor.value - cdeg) < (30 if cdeg < 10000 else 50), (cdeg, sensor.value)


def test_thermistor_open_and_shorted():
    sensor = Thermistor()
    for ohm in (0, 5, 199, 200205, 1 << 29):
        sensor.update(10000)
        sensor.update(ohm)
        assert sensor.state == LOOP_FAILED, ohm
