"""The clock chip's dates against a calendar kept day by day, on both interpreters."""

from i2c_bus import Bus, Registers
from skidboard.clock_chip import ClockChip

ADDRESS = 0x68


def chip():
    bus = Bus()
    device = Registers(64)
    device.registers[15] = 0x80
    bus.devices[ADDRESS] = device
    return ClockChip(bus, ADDRESS), device


def test_what_is_set_is_read_to_half_a_second():
    clock, device = chip()
    # 2026-03-02 05:00:00 UTC, a Monday, by the calendar; in seconds since 1970 by `date -u -d ... +%s`.
    for ms in (0, 499, 500, 999):
        clock.set_utc_ms(1772427600000 + ms)
        assert abs(clock.utc_ms() - (1772427600000 + ms)) <= 1000
    clock.set_utc_ms(1772427600000)
    assert bytes(device.registers[:7]) == b"\x00\x00\x05\x01\x02\x03\x26"
    assert clock.utc_ms() == 1772427600500


def test_every_day_of_the_century():
    """A date kept by counting days must agree, leap years and ends of months included."""
    clock, device = chip()
    lengths = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    year, month, day, week = 0, 1, 1, 6  # 2000-01-01 was a Saturday, and 946684800 s after 1970 began
    for number in range(36525):
        ms = (946684800 + number * 86400) * 1000
        clock.set_utc_ms(ms)
        found = [(byte >> 4) * 10 + (byte & 15) for byte in device.registers[3:7]]
        assert found == [week, day, month, year], (number, found)
        assert clock.utc_ms() == ms + 500
        week = week % 7 + 1
        day += 1
        if day > lengths[month - 1] + (1 if month == 2 and year % 4 == 0 else 0):
            day = 1
            month += 1
            if month > 12:
                month = 1
                year += 1


def test_a_clock_that_stood_still_is_not_believed():
    clock, device = chip()
    assert clock.utc_ms() is None
    clock.set_utc_ms(1772427600000)
    assert device.registers[15] == 0 and clock.utc_ms()
    device.registers[15] = 0x88
    assert clock.utc_ms() is None
    clock.set_utc_ms(1772427600000)
    # other bits of the status stay
    assert device.registers[15] == 0x08
    device.registers[0] |= 0x80
    assert clock.utc_ms() is None


def test_nonsense_is_no_time():
    clock, device = chip()
    for register, value in ((0, 0x60), (1, 0x60), (2, 0x24), (2, 0x45), (4, 0), (4, 0x32), (5, 0), (5, 0x13)):
        clock.set_utc_ms(1772427600000)
        device.registers[register] = value
        assert clock.utc_ms() is None, (register, value)


def test_no_chip_no_time_no_fuss():
    clock = ClockChip(Bus(), ADDRESS)
    assert clock.utc_ms() is None
    clock.set_utc_ms(1772427600000)


def test_years_it_cannot_hold_are_left():
    clock, device = chip()
    before = bytes(device.registers)
    clock.set_utc_ms(946684799000)
    clock.set_utc_ms(4102444800000)
    assert bytes(device.registers) == before
