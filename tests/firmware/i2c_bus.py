"""Stand-ins for an I2C bus and what may be on it, for CPython and MicroPython alike.

The bus has the calls of `machine.I2C` that the firmware uses and raises OSError(EIO) where nothing answers.
"""

EIO = 5


class Bus:
    """`devices` by address; each takes `write(bytes)` and gives `read(n)`."""

    def __init__(self):
        self.devices = {}
        self.transfers = 0

    def _at(self, address):
        self.transfers += 1
        if address not in self.devices:
            raise OSError(EIO)
        return self.devices[address]

    def writeto(self, address, data):
        """As machine.I2C."""
        self._at(address).write(bytes(data))

    def readfrom_into(self, address, buf):
        """As machine.I2C."""
        buf[:] = self._at(address).read(len(buf))

    def writeto_mem(self, address, register, data):
        """As machine.I2C."""
        self._at(address).write(bytes([register]) + bytes(data))

    def readfrom_mem_into(self, address, register, buf):
        """As machine.I2C."""
        self._at(address).write(bytes([register]))
        self.readfrom_into(address, buf)


class Registers:
    """A device of `size` byte registers with a pointer that goes on by itself."""

    def __init__(self, size):
        self.registers = bytearray(size)
        self._pointer = 0

    def write(self, data):
        """The first byte sets the pointer."""
        self._pointer = data[0]
        for byte in data[1:]:
            self.registers[self._pointer % len(self.registers)] = byte
            self._pointer += 1

    def read(self, n):
        """From the pointer on."""
        found = bytes([self.registers[(self._pointer + i) % len(self.registers)] for i in range(n)])
        self._pointer += n
        return found


class ConverterOnBus:
    """A 16-bit converter: pointer, configuration, result; a conversion ends at `finish()`."""

    def __init__(self, volts):
        self.volts = volts
        self.config = 0x8583
        self.result = 0
        self._pointer = 0

    def write(self, data):
        """Pointer, then perhaps a word."""
        self._pointer = data[0]
        if len(data) == 3 and self._pointer == 1:
            # Bit 15 begins a conversion and reads as 0 until it is done.
            self.config = (data[1] << 8 | data[2]) & 0x7FFF

    def finish(self):
        """The conversion under way is over."""
        if self.config & 0x8000:
            return
        self.config |= 0x8000
        assert self.config >> 9 & 7 == 1, "range is not 4.096 V"
        assert self.config >> 14 & 1, "input is not against 0 V"
        code = int(self.volts[self.config >> 12 & 3] / 4.096 * 32768 + 0.5)
        self.result = max(-32768, min(32767, code)) & 0xFFFF

    def read(self, n):
        """The word under the pointer."""
        word = self.config if self._pointer == 1 else self.result
        return bytes([word >> 8, word & 0xFF])[:n]
