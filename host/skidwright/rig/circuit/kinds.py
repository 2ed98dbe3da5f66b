"""Kinds of parts: their pins, in the order in which hardware/circuit.toml gives the nets, and what they look
like.

`prefix` is the letter of their references (IEC 81346-2 in spirit, KiCad's habit in practice); `footprint` is one
of KiCad's own libraries that fits the part of the bill of materials. Footprints and pads are from memory and common
practice: the data sheet of the part that you have bought decides.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """A kind of part: title, prefix, the pins' marks in order, footprint, and where "passive" is not the
    type.
    """

    title: str
    prefix: str
    pins: tuple[str, ...]
    footprint: str
    pads: tuple[
        str, ...
    ] = ()  # of the footprint, in the order of the pins; () where marks and pads are the same

    def pad(self, pin: str) -> str:
        """The footprint's pad of a pin."""
        return self.pads[self.pins.index(pin)] if self.pads else pin


_BOARD_PINS = tuple(str(n) for n in range(1, 41))
_ARRAY_PINS = (
    *(f"IN{n}" for n in range(1, 9)), *(f"OUT{n}" for n in range(1, 9)), "COM", "V", "G",
)  # fmt: skip

KINDS: dict[str, Kind] = {
    "resistor": Kind("resistor", "R", ("1", "2"), "Resistor_THT:R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
    "capacitor": Kind("capacitor", "C", ("1", "2"), "Capacitor_THT:C_Disc_D5.0mm_W2.5mm_P5.00mm"),
    "electrolytic": Kind("electrolytic capacitor", "C", ("P", "N"), "Capacitor_THT:CP_Radial_D10.0mm_P5.00mm", pads=("1", "2")),
    "diode": Kind("diode", "D", ("A", "K"), "Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal", pads=("2", "1")),
    "schottky": Kind("Schottky diode", "D", ("A", "K"), "Diode_THT:D_DO-41_SOD81_P10.16mm_Horizontal", pads=("2", "1")),
    "zener": Kind("Zener diode", "D", ("A", "K"), "Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal", pads=("2", "1")),
    "suppressor": Kind("suppressor diode", "D", ("A", "K"), "Diode_THT:D_DO-15_P12.70mm_Horizontal", pads=("2", "1")),
    "suppressor_both": Kind(
        "suppressor diode, both ways", "D", ("1", "2"), "Diode_THT:D_P600_R-6_P12.70mm_Horizontal"
    ),
    "clamp": Kind("dual Schottky diode", "D", ("A", "K", "M"), "Package_TO_SOT_SMD:SOT-23", pads=("1", "2", "3")),
    "fuse": Kind("fuse", "F", ("1", "2"), "Fuse:Fuseholder_Cylinder-5x20mm_Schurter_0031_8201_Horizontal_Open"),
    "resettable_fuse": Kind("resettable fuse", "F", ("1", "2"), "Resistor_THT:R_Radial_Power_L9.0mm_W10.0mm_Px2.70mm_Py2.30mm"),
    "relay": Kind(
        "relay, two make contacts", "K", ("A1", "A2", "13", "14", "23", "24"), "TerminalBlock:TerminalBlock_bornier-6_P5.08mm", pads=("1", "2", "3", "4", "5", "6")),
    "nmos": Kind("N-channel transistor", "Q", ("G", "D", "S"), "Package_TO_SOT_THT:TO-220-3_Vertical", pads=("1", "2", "3")),
    "nmos_small": Kind("N-channel transistor", "Q", ("G", "D", "S"), "Package_TO_SOT_SMD:SOT-223-3_TabPin2", pads=("1", "2", "3")),
    "pmos": Kind("P-channel transistor", "Q", ("G", "D", "S"), "Package_TO_SOT_THT:TO-220-3_Vertical", pads=("1", "2", "3")),
    "gate_driver": Kind(
        "dual gate driver", "U", ("INA", "OUTA", "INB", "OUTB", "V", "G"), "Package_DIP:DIP-8_W7.62mm_Socket", pads=("2", "7", "4", "5", "6", "3")),
    "driver_array": Kind("driver array, 8 channels", "U", _ARRAY_PINS, "Package_DIP:DIP-20_W7.62mm_Socket", pads=("1", "2", "3", "4", "5", "6", "7", "8", "18", "17", "16", "15", "14", "13", "12", "11", "10", "20", "9")),
    "comparator": Kind("comparator, open drain", "U", ("P", "N", "OUT", "V", "G"), "Package_TO_SOT_SMD:SOT-23-5", pads=("3", "4", "1", "5", "2")),
    "optocoupler": Kind("optocoupler", "U", ("A", "K", "E", "C"), "Package_DIP:DIP-4_W7.62mm", pads=("1", "2", "3", "4")),
    "converter": Kind("converter 24 V to 5 V", "A", ("IN", "G", "OUT"), "Connector_PinHeader_2.54mm:PinHeader_1x03_P2.54mm_Vertical", pads=("1", "2", "3")),
    "board": Kind("microcontroller board", "A", _BOARD_PINS, "Module:RaspberryPi_Pico_Common_THT"),
    "transceiver": Kind(
        "RS-485 transceiver, auto-direction", "A", ("V", "G", "TXD", "RXD", "A", "B"),
        "Connector_PinHeader_2.54mm:PinHeader_1x06_P2.54mm_Vertical", pads=("1", "2", "3", "4", "5", "6")),
}  # fmt: skip
