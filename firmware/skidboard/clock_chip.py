"""A battery-backed clock chip on the I2C bus, optional.

Such chips have the date in seven registers from 0 on, each two decimal digits in BCD: second, minute, hour,
day of the week, day, month, year of the century. Bit 7 of the seconds says on some, and bit 7 of register
15 on others, that the clock stood still since it was set; where register 15 is memory, setting clears it.
"""

_STATUS = 15
_STOPPED = 0x80
_TWELVE_HOURS = 0x40
_DAYS_TO_2000 = 10957
_DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)


class ClockChip:
    """The chip at `address` on `bus`, which may as well not be there. Not for the control tick."""

    def __init__(self, bus, address):
        self._bus = bus
        self._address = address
        self._status = bytearray(1)

    def utc_ms(self):
        """UTC in ms since 1970, right to half a second as far as the chip was set right.

        None when there is no chip, or it stood still, or holds no date from 2000 to 2099.
        """
        date = bytearray(7)
        try:
            self._bus.readfrom_mem_into(self._address, 0, date)
            self._bus.readfrom_mem_into(self._address, _STATUS, self._status)
        except OSError:
            return None
        if (date[0] | self._status[0]) & _STOPPED or date[2] & _TWELVE_HOURS:
            return None
        second, minute, hour, _, day, month, year = [(byte >> 4) * 10 + (byte & 15) for byte in date]
        month = (date[5] >> 4 & 1) * 10 + (date[5] & 15)
        if second > 59 or minute > 59 or hour > 23 or not 1 <= month <= 12 or not 1 <= day <= 31 or year > 99:
            return None
        days = _days(year, month) + day - 1
        return (((days * 24 + hour) * 60 + minute) * 60 + second) * 1000 + 500

    def set_utc_ms(self, utc_ms):
        """Set the chip to the nearest second; nothing when there is none, or for a year it cannot hold."""
        seconds = (utc_ms + 500) // 1000
        days, seconds = divmod(seconds, 86400)
        days -= _DAYS_TO_2000
        if not 0 <= days < 36525:
            return
        # 1461 days are four years, the first of them a leap year.
        year = days // 1461 * 4 + max(days % 1461 - 1, 0) // 365
        month = 12
        while _days(year, month) > days + _DAYS_TO_2000:
            month -= 1
        day = days + _DAYS_TO_2000 - _days(year, month) + 1
        fields = (seconds % 60, seconds // 60 % 60, seconds // 3600, (days + 5) % 7 + 1, day, month, year)
        try:
            self._bus.writeto_mem(self._address, 0, bytes([n // 10 << 4 | n % 10 for n in fields]))
            self._bus.readfrom_mem_into(self._address, _STATUS, self._status)
            self._status[0] &= ~_STOPPED & 0xFF
            self._bus.writeto_mem(self._address, _STATUS, self._status)
        except OSError:
            pass


def _days(year, month):
    """Days from 1970-01-01 to the first of a month, for a year of this century."""
    leap_days = (year + 3) // 4 + (1 if month > 2 and year % 4 == 0 else 0)
    return _DAYS_TO_2000 + year * 365 + leap_days + _DAYS_BEFORE[month - 1]
