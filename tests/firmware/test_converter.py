"""The 16-bit converter on a stand-in bus, on both interpreters; currents by Ohm's law."""

from i2c_bus import Bus, ConverterOnBus
from skidboard.converter import Converter

ADDRESS = 0x48


def converter(volts):
    bus = Bus()
    device = ConverterOnBus(volts)
    bus.devices[ADDRESS] = device
    return Converter(bus, ADDRESS, 150), device, bus


def test_inputs_take_turns():
    made, device, _ = converter([0.6, 3.0])
    made.step()
    device.finish()
    made.step()
    assert made.loop_ua == [4000, 0]
    device.finish()
    made.step()
    assert made.loop_ua == [4000, 20000]
    device.volts[0] = 0.57
    device.finish()
    made.step()
    assert made.loop_ua == [3800, 20000]


def test_every_tenth_of_a_milliampere_within_a_step():
    made, device, _ = converter([0.0, 0.0])
    for tenth in range(0, 220):
        device.volts[:] = [tenth * 0.015, tenth * 0.015]
        for _ in range(3):
            made.step()
            device.finish()
        # One step of 125 uV over 150 ohm is 0.83 uA; halves are rounded once, and the microamp cut.
        assert abs(made.loop_ua[0] - tenth * 100) <= 1 and made.loop_ua[0] == made.loop_ua[1]


def test_an_unfinished_conversion_is_left_alone():
    """Another step too soon must not take one input's reading for the other's."""
    made, device, _ = converter([0.6, 3.0])
    made.step()
    device.finish()
    made.step()
    made.step()
    made.step()
    assert made.loop_ua == [4000, 0]
    device.finish()
    made.step()
    assert made.loop_ua == [4000, 20000]


def test_below_zero_is_zero():
    made, device, _ = converter([-0.01, 0.0])
    made.step()
    device.finish()
    made.step()
    assert made.loop_ua == [0, 0]


def test_without_a_converter_both_loops_have_no_current():
    made, device, bus = converter([1.0, 1.0])
    for _ in range(4):
        made.step()
        device.finish()
    assert min(made.loop_ua) > 6000
    del bus.devices[ADDRESS]
    made.step()
    assert made.loop_ua == [0, 0]
    bus.devices[ADDRESS] = device
    for _ in range(4):
        made.step()
        device.finish()
    assert min(made.loop_ua) > 6000
