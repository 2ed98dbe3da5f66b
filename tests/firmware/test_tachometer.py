"""Pump speed from tachometer pulses, on both interpreters."""

from skidboard.tachometer import Tachometer

MASK = (1 << 30) - 1


def run(pulses_per_s, dt_ms, seconds, per_rev, start=0):
    tachometer = Tachometer()
    tachometer.configure(per_rev)
    for tick in range(seconds * 1000 // dt_ms + 1):
        tachometer.update((start + pulses_per_s * tick * dt_ms // 1000) & MASK, dt_ms if tick else 0)
    return tachometer.speed_rpm


def test_speed():
    # 100 pulses a second, 2 a revolution: 50 revolutions a second
    assert run(100, 100, 3, 2) == 3000
    assert run(1, 1000, 5, 1) == 60
    assert run(5000, 100, 2, 100) == 3000
    # 1000 a revolution: 25 and 50 revolutions a second
    assert run(25000, 100, 2, 1000) == 1500 and run(50000, 100, 2, 1000) == 3000
    assert run(200000, 100, 2, 1000) == 12000
    assert run(0, 100, 3, 2) == 0


def test_across_the_wrap():
    assert run(100, 100, 3, 2, start=MASK - 120) == 3000


def test_no_tachometer_no_speed():
    assert run(100, 100, 3, 0) == 0


def test_noise_stays_a_small_integer():
    assert 0 < run(1 << 20, 100, 2, 1) < 1 << 30
