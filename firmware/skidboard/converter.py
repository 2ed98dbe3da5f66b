"""A 16-bit converter on the I2C bus for the two 4-20 mA inputs, in place of the chip's own.

Register 1 is the configuration, register 0 the result, both of 16 bits, high byte first. A conversion is
begun by writing the configuration (bit 15, the input in bits 14-12, range 4.096 V, 16 readings a second)
and takes 70 ms at most; bit 15 reads 1 once it is done. The two inputs take turns, one each step.
"""

_RESULT = b"\x00"
_BEGIN = (b"\x01\xc3\x23", b"\x01\xd3\x23")
_DONE = 0x80
# One step of the result is 125 uV.
_STEP_UV = 125


class Converter:
    """The converter at `address` on `bus`, over shunts of `shunt_ohm`. `loop_ua` has input 0 and input 1."""

    def __init__(self, bus, address, shunt_ohm):
        self._bus = bus
        self._address = address
        self._shunt_ohm = shunt_ohm
        self._word = bytearray(2)
        self._input = -1
        self.loop_ua = [0, 0]

    def step(self):
        """Take in a finished conversion and begin the other input's. Waits for nothing, allocates nothing.

        A converter that does not answer gives 0 microamps, which is a failed loop.
        """
        bus = self._bus
        address = self._address
        word = self._word
        now = self._input
        try:
            if now >= 0:
                # The register pointer still stands on the configuration.
                bus.readfrom_into(address, word)
                if not word[0] & _DONE:
                    return
                bus.writeto(address, _RESULT)
                bus.readfrom_into(address, word)
                raw = word[0] << 8 | word[1]
                # Negative: a little below 0 V.
                self.loop_ua[now] = 0 if raw & 0x8000 else raw * _STEP_UV // self._shunt_ohm
            now = 0 if now else 1
            bus.writeto(address, _BEGIN[now])
            self._input = now
        except OSError:
            self._input = -1
            self.loop_ua[0] = 0
            self.loop_ua[1] = 0
