"""The flow controller: PI with feedforward and a reference to follow, in integers.

    duty = feedforward + gain * error + integral of gain * error / integral time    (ppm of full duty)
    feedforward = slip + flow / full flow * strength

The gains are taken for SIMC's (S. Skogestad, J. Process Control 13 (2003) 291-309), so they tell the lag and
the dead time of pump and meter. A new set-point becomes a reference that rises as SIMC's closed loop would;
the feedforward is what a pump with that lag needs for it, and the error is taken from the reference one dead
time later: a set-point step then leaves nothing for the integral to learn and to give back as overshoot.

`strength` is how much more duty this line and fluid need than the pump's displacement alone: measured in the
run from duty and flow, it scales the gain as it goes, and the feedforward at the next change of set-point.

The integral stops where it could only wind up: at the duty limits, while the slew limit holds the output
back, and while flow is not measured.
"""

from skidboard.flow import FINE

_FULL_PPM = 1000000
_DT_MAX_MS = 1000
# Flows are in 1/32 uL/s: 20000 uL/s times 32 times a tick of 1000 ms is below 2**30.
_FLOW_MAX = 20000
_ONE = 1024
_STRENGTH_MIN = _ONE // 4
_STRENGTH_MAX = 4 * _ONE
_GAIN_MIN = _ONE // 2
_GAIN_MAX = 3 * _ONE
_KICK_MS = 300


class FlowController:
    """Holds flow at a set-point. After `update()`: `duty_permille`, `at_limit` (duty at its highest), `stale`
    (the measurement has been lost for too long: the pump is off)."""

    def __init__(self):
        self.duty_permille = 0
        self.at_limit = False
        self.stale = False
        self.set_ul_s = 0
        self._duty_ppm = 0
        self._rest = 0
        self._forget()
        self.configure(4000, 60, 950, 400, 100, 700)

    def configure(
        self,
        full_ul_s,
        min_permille,
        max_permille,
        slew_permille_s,
        gain_ppm,
        integral_ms,
        slip_permille=0,
        kick_permille=0,
        stale_ms=4000,
    ):
        """Take the settings (gain in ppm of duty per uL/s); the output goes on from where it is."""
        self._full_ul_s = full_ul_s
        self._slip_permille = slip_permille
        self._min_ppm = min_permille * 1000
        self._max_ppm = max_permille * 1000
        self._kick_ppm = min(kick_permille, max_permille) * 1000
        self._slew_permille_s = slew_permille_s
        self._gain = gain_ppm
        self._integral_ms = integral_ms
        self._stale_limit_ms = stale_ms
        self._rest = 0
        # SIMC backwards: gain * process gain = lag / (2 dead times), integral time = lag or 8 dead times.
        loop = min(max(gain_ppm * full_ul_s // 3906, 13), 1600)  # in 1/256
        if loop <= _ONE:
            lag_ms = integral_ms
            dead_ms = integral_ms * 128 // loop
        else:
            lag_ms = integral_ms * loop // _ONE
            dead_ms = integral_ms // 8
        self._dead_ms = min(max(dead_ms, 100), 20000)
        self._answer_ms = min(lag_ms, 60000) + self._dead_ms
        # Lag over closed-loop time, less 1, in 1/16.
        self._lead = min(lag_ms, 60000) * 16 // self._dead_ms - 16
        if self._lead > 48:
            self._lead = 48
        # The lead needs a part of what the slew limit allows.
        ramp = slew_permille_s * full_ul_s // 125 * (FINE // 8)
        if self._lead > 0:
            ramp = ramp * 16 // (16 + self._lead)
        self._ramp_s = min(ramp, 31250 * FINE)

    def _forget(self):
        """Begin as if nothing were known of line and fluid."""
        self._integral_ppm = 0
        self._rest = 0
        self._part = 0
        self._strength = _ONE
        self._strength_sum = 16 * _ONE
        self._feed_strength = _ONE
        self._ramp = 0
        self._reference = 0
        self._seen = 0
        self._slow_ppm = 0
        self._measured_ms = 0
        self._lost_ms = 0
        self._kick_ms = 0
        self._by_hand = False
        self.stale = False

    def aim(self, set_ul_s):
        """Set the flow to hold (uL/s); 0 stops the pump at once."""
        if set_ul_s == self.set_ul_s:
            return
        if set_ul_s == 0 or self.set_ul_s == 0:
            # A new run begins with no memory of the last one: the fluid may be another's.
            self._duty_ppm = 0
            self._forget()
            self._kick_ms = _KICK_MS
        elif self._known():
            # What the integral has learnt at the old flow, as the share by which the feedforward was short.
            self._feed_strength = self._strength
            self._integral_ppm = 0
            self._rest = 0
        self.set_ul_s = set_ul_s

    def update(self, flow, measured, dt_ms):
        """One step of `dt_ms`, `flow` in 1/32 uL/s. While it is not `measured` the output goes to the
        feedforward, or lower; off when it was measured in this run and then lost for long."""
        if self.set_ul_s == 0:
            self.duty_permille = 0
            self.at_limit = False
            return
        if dt_ms > _DT_MAX_MS:
            dt_ms = _DT_MAX_MS
        if measured:
            if flow > 60000 * FINE:
                flow = 60000 * FINE
            self._begin(flow)
            self._refer(dt_ms)
            self._regulate(flow, dt_ms)
            self._learn(flow // FINE, dt_ms)
        else:
            self._refer(dt_ms)
            self._without(dt_ms)
        self._show()

    def fix(self, duty_permille, dt_ms):
        """One step of `dt_ms` towards a duty chosen by hand; the controller would go on from there."""
        self._approach(duty_permille * 1000, dt_ms if dt_ms < _DT_MAX_MS else _DT_MAX_MS)
        self._by_hand = True
        self._show()

    def _show(self):
        self.duty_permille = (self._duty_ppm + 500) // 1000
        self.at_limit = self._duty_ppm >= self._max_ppm

    def _known(self):
        """Whether flow has been measured for long enough to tell what duty it needs."""
        return self._measured_ms >= 2 * self._answer_ms

    def _begin(self, fine):
        """Without a bump from what was before: a start, a gap in the measurement, a duty by hand."""
        if fine > _FLOW_MAX * FINE:
            fine = _FLOW_MAX * FINE
        if self._by_hand:
            self._by_hand = False
            self._ramp = self._reference = self._seen = fine
            self._integral_ppm = self._duty_ppm - self._feed(fine)
        elif self._measured_ms == 0 and self._seen > fine:
            self._seen = fine
        self._lost_ms = 0
        self.stale = False

    def _refer(self, dt_ms):
        """Move the reference on: the ramp that the slew limit allows, the loop's lag, the dead time."""
        aim = self.set_ul_s * FINE
        most = self._ramp_s * dt_ms // 1000
        if self._feed_strength > _ONE:
            most = most * _ONE // self._feed_strength
        most = most if most > 0 else 1
        ramp = self._ramp
        self._ramp = ramp = ramp + most if aim > ramp + most else (ramp - most if aim < ramp - most else aim)
        # Backward Euler: as late on the whole as the lag in continuous time, however long the tick.
        whole_ms = self._dead_ms + dt_ms
        gap = ramp - self._reference
        step = gap * dt_ms // whole_ms
        self._reference += step if step or gap <= 0 else 1
        gap = self._reference - self._seen
        step = gap * dt_ms // whole_ms
        self._seen += step if step or gap <= 0 else 1

    def _nominal_ppm(self, flow_ul_s):
        """The duty that displacement alone needs for a flow, without slip."""
        if flow_ul_s > _FLOW_MAX:
            flow_ul_s = _FLOW_MAX
        # 20000 uL/s * 50000 is just below 2**30, so full duty is calculated in steps of 20 ppm.
        share = flow_ul_s * 50000 // self._full_ul_s
        return (share if share < 50000 else 50000) * (1000 - self._slip_permille) // 50

    def _feed(self, fine):
        """The duty that a flow needs with the strength learnt."""
        ppm = (self._nominal_ppm(fine // FINE) >> 4) * self._feed_strength >> 6
        return self._slip_permille * 1000 + (ppm if ppm < _FULL_PPM else _FULL_PPM)

    def _regulate(self, flow, dt_ms):
        strength = self._strength
        strength = _GAIN_MIN if strength < _GAIN_MIN else (_GAIN_MAX if strength > _GAIN_MAX else strength)
        # In 1/1024 ppm for 1/32 uL/s; what is below a ppm goes on to the next step, so no gain vanishes.
        gain = self._gain * strength // FINE
        most = _FULL_PPM * _ONE // gain
        error = self._seen - flow
        error = most if error > most else (-most if error < -most else error)
        part = gain * error + self._part
        proportional = part // _ONE
        self._part = part - proportional * _ONE
        lead = (self._ramp - self._reference) * self._lead // 16
        feed = self._ramp + lead
        wanted = self._feed(feed if feed > 0 else 0) + proportional + self._integral_ppm
        reached = self._approach(wanted, dt_ms)
        # Integrate only if that does not push further into whatever holds the output back.
        if reached == 0 or (reached > 0) != (proportional > 0):
            change = self._rest + proportional * dt_ms
            step = change // self._integral_ms
            self._rest = change - step * self._integral_ms
            integral = self._integral_ppm + step
            self._integral_ppm = (
                _FULL_PPM if integral > _FULL_PPM else (-_FULL_PPM if integral < -_FULL_PPM else integral)
            )

    def _learn(self, flow_ul_s, dt_ms):
        """Take duty, as late as flow shows it, over the duty that displacement alone would need."""
        if self._measured_ms == 0:
            self._slow_ppm = self._duty_ppm
        elif dt_ms < self._answer_ms:
            self._slow_ppm += (self._duty_ppm - self._slow_ppm) * dt_ms // self._answer_ms
        else:
            self._slow_ppm = self._duty_ppm
        if self._measured_ms < 1000000:
            self._measured_ms += dt_ms
        needs = self._nominal_ppm(flow_ul_s)
        drives = self._slow_ppm - self._slip_permille * 1000
        if needs > 0 and drives > 0 and self._known():
            strength = drives * _ONE // needs
            if strength > _STRENGTH_MAX:
                strength = _STRENGTH_MAX
            elif strength < _STRENGTH_MIN:
                strength = _STRENGTH_MIN
            # Kept in sixteenths, or the last steps would be lost.
            self._strength_sum += strength - self._strength
            self._strength = self._strength_sum >> 4

    def _without(self, dt_ms):
        """No measurement: never above the feedforward, and off when it has been lost for long."""
        if self._measured_ms > 0 or self._lost_ms > 0:
            self._measured_ms = 0
            if self._lost_ms < self._stale_limit_ms:
                self._lost_ms += dt_ms
        if self._lost_ms >= self._stale_limit_ms:
            self._duty_ppm = 0
            self.stale = True
            return
        held = self._feed(self._ramp)
        if self._integral_ppm < 0:
            # Lower by what the strength tells, which is learnt slowly, and no more: a surge that has taught
            # the integral must not keep the pump where its flow is too little to be measured.
            strength, feed = self._strength, self._feed_strength
            drives = (held - self._slip_permille * 1000) >> 4
            least = drives * (strength - feed) // feed * 16 if strength < feed else 0
            if self._integral_ppm < least:
                self._integral_ppm = least
            held += self._integral_ppm
        self._approach(held, dt_ms)

    def _approach(self, wanted, dt_ms):
        """Move the duty towards `wanted` within limits; 1 or -1 when held below or above, 0 when there."""
        target = wanted
        if target > self._max_ppm:
            target = self._max_ppm
        elif target < self._min_ppm:
            target = self._min_ppm
        duty = self._duty_ppm
        if self._kick_ms > 0:
            # A pump at rest needs more to break loose than to turn.
            self._kick_ms -= dt_ms
            if duty < self._kick_ppm:
                duty = self._kick_ppm
            if target < self._kick_ppm:
                target = self._kick_ppm
        most = self._slew_permille_s * dt_ms
        if target > duty + most:
            target = duty + most
        elif target < duty - most:
            target = duty - most
        self._duty_ppm = target
        return 1 if target < wanted else (-1 if target > wanted else 0)
