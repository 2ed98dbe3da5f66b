"""The meter's table against ASTM D341 calculated in floating point: log10 log10 (v + 0.7) = a - b log10 T."""

import math

from skidboard.meter_table import MeterTable, log2, temperature_cdeg


def chart(viscosity):
    return math.log10(math.log10(viscosity + 0.7))


def where(viscosity, v40, v100):
    """Temperature in degC at which the oil has a viscosity."""
    t40, t100 = math.log10(313.15), math.log10(373.15)
    b = (chart(v40) - chart(v100)) / (t100 - t40)
    return 10 ** (t40 + (chart(v40) - chart(viscosity)) / b) - 273.15


def test_log2():
    for number in (1, 2, 3, 7, 100, 13607, 16383, 16384, 32767, 32768, 50007, 500007, (1 << 29) - 1):
        assert abs(log2(number) / 4096 - math.log(number) / math.log(2)) < 0.0006, number


def test_temperatures_of_viscosities():
    # ISO VG 10 to 680 by round figures of common mineral oils.
    for v40, v100 in ((10, 2.6), (32, 5.4), (46, 6.8), (220, 19), (680, 39)):
        for viscosity in (2, 5, 20, 100, 1000, 5000):
            wanted = where(viscosity, v40, v100)
            if -60 < wanted < 250:
                got = temperature_cdeg(viscosity * 10, int(v40 * 10), int(v100 * 10)) / 100
                assert abs(got - wanted) < 0.5, (v40, viscosity, got, wanted)


def test_volume_between_and_beyond_the_points():
    table = MeterTable()
    table.configure(200000, [[5, 206000], [20, 202000], [100, 200000], [1000, 199000]], 460, 68)
    cold, mild, warm, hot = [where(v, 46, 6.8) for v in (1000, 100, 20, 5)]
    assert table.at(-9999) == table.at(int(100 * cold) - 60) == 199000
    assert table.at(29999) == table.at(int(100 * hot) + 60) == 206000
    assert abs(table.at(int(100 * mild)) - 200000) < 40
    assert abs(table.at(int(100 * warm)) - 202000) < 60
    assert abs(table.at(int(50 * (warm + hot))) - 204000) < 60
    before = 0
    for cdeg in range(-3000, 15000, 50):
        assert table.at(cdeg) >= before
        before = table.at(cdeg)


def test_no_table_no_change():
    table = MeterTable()
    table.configure(123456, [], 0, 0)
    assert table.at(-5000) == table.at(9000) == 123456
    table.configure(200000, [[50, 201000]], 460, 68)
    assert table.at(-5000) == table.at(9000) == 201000
