"""What each pin of the RP2040 and RP2350 can do, and its electrical limits.

Sources: RP2040 datasheet, section 1.4.3 (function table), 2.3.1.7 and 5.2.3 (pin levels, pulls, currents),
4.5.2 (PWM: slice = (gpio / 2) mod 8), 4.9 (ADC on GPIO 26-29); RP2350 datasheet, sections 9.4 and 14.9, and
erratum RP2350-E9 (an input without a pull of 8.2 kilohm or less may latch near 2.2 V); Pico and Pico 2
datasheets for the pins that reach the board's edge.
"""

from __future__ import annotations

from dataclasses import dataclass

# Levels at a supply of 3.3 V, millivolts (RP2040 datasheet, table "Digital IO characteristics").
INPUT_LOW_MAX_MV = 800
INPUT_HIGH_MIN_MV = 2000
OUTPUT_LOW_MAX_MV = 500
OUTPUT_HIGH_MIN_MV = 2620
PIN_MIN_MV = -300
PIN_MAX_MV = 3600  # supply + 0.3 V
ADC_MAX_MV = 3300
INTERNAL_PULL_MIN_OHM = 50_000
INTERNAL_PULL_MAX_OHM = 80_000
PIN_LEAKAGE_UA = 1.0
OUTPUT_CURRENT_MAX_MA = 12.0  # the strongest of the four drive settings
ALL_OUTPUTS_MAX_MA = 50.0
LATCH_PULL_MAX_OHM = 8200  # RP2350-E9
LATCH_CURRENT_UA = 120.0  # RP2350-E9, the most a latched pad sources

# A soft reset of MicroPython stops only these PWM slices (measured, see docs/design.md).
SLICES_STOPPED_BY_SOFT_RESET = (0, 1, 2, 3)


@dataclass(frozen=True)
class Chip:
    """A microcontroller: how much of each function it has, and whether its inputs may latch."""

    name: str
    gpios: int
    adc_gpios: tuple[int, ...]
    state_machines: int
    inputs_latch: bool


CHIPS = {
    "RP2040": Chip("RP2040", 30, (26, 27, 28, 29), 8, False),
    "RP2350": Chip("RP2350", 30, (26, 27, 28, 29), 12, True),
}

# Board edge: pin number by GPIO. Power and ground have numbers too, so that a drawing can show all 40.
EDGE_PINS = {
    0: 1, 1: 2, 2: 4, 3: 5, 4: 6, 5: 7, 6: 9, 7: 10, 8: 11, 9: 12, 10: 14, 11: 15, 12: 16, 13: 17, 14: 19,
    15: 20, 16: 21, 17: 22, 18: 24, 19: 25, 20: 26, 21: 27, 22: 29, 26: 31, 27: 32, 28: 34,
}  # fmt: skip
POWER_PINS = {
    3: "GND", 8: "GND", 13: "GND", 18: "GND", 23: "GND", 28: "GND", 38: "GND", 33: "AGND", 30: "RUN",
    35: "ADC_VREF", 36: "3V3", 37: "3V3_EN", 39: "VSYS", 40: "VBUS",
}  # fmt: skip


def pwm_slice(gpio: int) -> tuple[int, str]:
    """PWM slice and channel of a GPIO, e.g. (0, "A") for GPIO 16."""
    return (gpio // 2) % 8, "AB"[gpio % 2]


def i2c_role(gpio: int) -> tuple[int, str]:
    """I2C controller and line of a GPIO: even pins are SDA, odd pins SCL, controllers alternate by pairs."""
    return (gpio // 2) % 2, "sda" if gpio % 2 == 0 else "scl"


def uart_role(gpio: int) -> tuple[int, str]:
    """UART and line of a GPIO by function 2 of the table; UART 1 has GPIO 4-11 and 20-27."""
    return ((gpio + 4) // 8) % 2, ("tx", "rx", "cts", "rts")[gpio % 4]


def spi_role(gpio: int) -> tuple[int, str]:
    """SPI controller and line of a GPIO; controller 1 has GPIO 8-15 and 24-31."""
    return (gpio // 8) % 2, ("rx", "cs", "sck", "tx")[gpio % 4]
