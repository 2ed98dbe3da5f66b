"""The flow controller on a pump with a first-order lag, against the same PI law in floating point."""

from skidboard.controller import FlowController


def controller(**changes):
    """One with the defaults, or with `changes`."""
    values = {"full_ul_s": 4000, "min_permille": 60, "max_permille": 950, "slew_permille_s": 400,
              "gain_ppm": 100, "integral_ms": 700}  # fmt: skip
    values.update(changes)
    regulator = FlowController()
    regulator.configure(**values)
    return regulator


class Pump:
    """Flow follows duty with a lag of 400 ms; `strength` of 1 is what the feedforward believes."""

    def __init__(self, strength=1.0, slip_ul_s=0.0):
        self.strength = strength
        self.slip_ul_s = slip_ul_s
        self.flow = 0.0

    def run(self, regulator, ticks, seen=None):
        for _ in range(ticks):
            regulator.update(int(self.flow), self.flow > 20, 100)
            target = max(0.0, 4.0 * regulator.duty_permille * self.strength - self.slip_ul_s)
            self.flow += (target - self.flow) * 0.22
            if seen is not None:
                seen.append((regulator.duty_permille, self.flow))


def test_reaches_the_set_point_whatever_the_pump():
    for strength, slip in ((1.0, 0.0), (0.5, 50.0), (1.6, 0.0), (0.7, 300.0)):
        regulator = controller()
        pump = Pump(strength, slip)
        regulator.aim(833)
        pump.run(regulator, 200)
        assert abs(pump.flow - 833) < 9, (strength, slip, pump.flow)


def test_does_not_overshoot_much():
    for strength in (0.6, 1.0, 1.5):
        regulator = controller()
        pump = Pump(strength)
        seen = []
        regulator.aim(833)
        pump.run(regulator, 300, seen)
        assert max(flow for _, flow in seen) < 833 * 1.6 * max(strength, 1.0)
        assert all(abs(flow - 833) < 20 for _, flow in seen[100:])


def test_slew_is_never_exceeded():
    regulator = controller(slew_permille_s=100)
    pump = Pump()
    seen = [(0, 0.0)]
    regulator.aim(2000)
    pump.run(regulator, 100, seen)
    regulator.aim(600)
    pump.run(regulator, 100, seen)
    for before, after in zip(seen, seen[1:]):
        assert abs(after[0] - before[0]) <= 11


def test_start_and_set_point_change_are_bumpless():
    regulator = controller()
    pump = Pump()
    regulator.aim(2000)
    assert regulator.duty_permille == 0
    pump.run(regulator, 200)
    duty = regulator.duty_permille
    regulator.aim(1990)
    regulator.update(int(pump.flow), True, 100)
    # 10 uL/s less is 2.5 permille of feedforward and 1 of gain.
    assert abs(regulator.duty_permille - duty) <= 5


def test_does_not_wind_up_at_the_limit():
    regulator = controller()
    blocked = Pump(0.05)
    regulator.aim(2000)
    blocked.run(regulator, 1200)
    assert regulator.duty_permille == 950 and regulator.at_limit
    # The line comes free: two minutes at the limit must not have stored up a long overshoot.
    pump = Pump()
    pump.flow = blocked.flow
    seen = []
    pump.run(regulator, 120, seen)
    above = [i for i, (_, flow) in enumerate(seen) if flow > 2100]
    assert not above or above[-1] < 60, above[-1]
    assert not regulator.at_limit


def test_without_a_measurement_it_goes_to_the_feedforward_and_not_beyond():
    regulator = controller()
    regulator.aim(1000)
    for _ in range(600):
        regulator.update(0, False, 100)
        assert regulator.duty_permille <= 250
    assert regulator.duty_permille == 250
    # A pump that needs less than the feedforward is not driven up when the meter falls silent.
    pump = Pump(2.0)
    regulator = controller()
    regulator.aim(1000)
    pump.run(regulator, 200)
    low = regulator.duty_permille
    assert low < 150
    for _ in range(100):
        regulator.update(0, False, 100)
        assert regulator.duty_permille <= low + 15


def test_duty_floor_and_stop():
    regulator = controller(full_ul_s=60000, min_permille=80)
    regulator.aim(100)
    for _ in range(50):
        regulator.update(500, True, 100)
    assert regulator.duty_permille == 80
    regulator.aim(0)
    regulator.update(500, True, 100)
    assert regulator.duty_permille == 0 and not regulator.at_limit


def test_a_new_run_does_not_remember_the_last():
    regulator = controller()
    regulator.aim(2000)
    Pump(0.4).run(regulator, 300)
    regulator.aim(0)
    regulator.update(0, False, 100)
    fresh = controller()
    for one in (regulator, fresh):
        one.aim(833)
        for _ in range(30):
            one.update(700, True, 100)
    assert regulator.duty_permille == fresh.duty_permille


def test_agrees_with_the_pi_law_in_floating_point():
    # u = ff + Kp*e + Kp/Ti * integral(e), discretised by the rectangle rule; no limit is reached here.
    regulator = controller(slew_permille_s=10000)
    regulator.aim(1000)
    integral = 0.0
    for step in range(400):
        flow = 1000 + (step * 37 % 201 - 100)
        regulator.update(flow, True, 100)
        error = 1000 - flow
        duty = 250000 + 100 * error + integral
        integral += 100 * error * 100 / 700
        assert abs(regulator.duty_permille - duty / 1000) <= 1.0, step
