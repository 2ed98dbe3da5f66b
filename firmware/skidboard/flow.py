"""Flow and volume from the pulses of the flow meter: how many came, and when the latest edge was.

flow_ul_s = meter_pulse_nl * 1000 / period_us, kept in 1/32 uL/s: whole ones are 2 to 5 % of the slowest
flows. A meter that gives many pulses is averaged over the edges of
the newest 150 ms at least. Of one that gives few, the newest two periods count, for a meter's teeth are not
evenly spaced; but where the newest three grow or shrink steadily flow is changing, and the newest alone
counts. While no edge comes, flow can be at most one pulse in the time that has gone by, and the estimate
follows that bound down. (Carrying the newest period on to its end would follow ramps better, but makes the
noise of the meter so much worse that the controller gains nothing.)
"""

from skidboard.ticks import ticks_add, ticks_diff

FINE = 32
_LIMIT = (1 << 30) - 1
# In one update: keeps all products below 2**30, and is far more than any pump gives in a tick.
_PULSES_MAX = 500000
_MARK_MASK = (1 << 29) - 1
_KEPT = 8
# Far beyond any pump, uL/s.
_FLOW_MAX = 1 << 24
# Edges are averaged over at least this long: short for the controller, and exact since edge times are.
_AVERAGE_US = 150000
# Without an edge for this long the time of the last one would soon be ambiguous (ticks wrap at 2**30 us).
_SILENCE_MAX_MS = 200000


class Flow:
    """Estimates flow.

    Attributes after `update()`: `fine`, in 1/32 uL/s, and `value_ul_s`, rounded; `steady_ul_s`, averaged
    over a second's edges, without most of the meter's scatter, for the record; `known`, True when two edges
    lie close enough together to measure a flow, or silence has shown that there is
    none; `moving`, True while flow is measured from edges; `silent_ms` since the
    latest edge; `pulses` and `tick_ul` of this update; `edge_us` the time of its
    latest edge and `period_us` the mean time from edge to edge.
    """

    def __init__(self):
        self.fine = 0
        self.value_ul_s = 0
        self.steady_ul_s = 0
        self.known = False
        self.moving = False
        self.silent_ms = _SILENCE_MAX_MS
        self.pulses = 0
        self.tick_ul = 0
        self.edge_us = 0
        self.period_us = 0
        self._times_us = [0] * _KEPT
        self._marks = [0] * _KEPT  # pulses counted when that edge had come
        self._kept = 0
        self._at = 0
        self._mark = 0
        self._rest_nl = 0
        self.configure(200000, 667)

    def configure(self, meter_pulse_nl, flow_low_ul_s):
        """Set the meter's pulse volume (to 1e6 nL) and the lowest flow of interest, which defines silence."""
        self.pulse_nl = 0
        self.weigh(meter_pulse_nl)
        # Four periods at the lowest flow.
        stale_ms = 4 * meter_pulse_nl // flow_low_ul_s
        self._stale_ms = (
            1000 if stale_ms < 1000 else (_SILENCE_MAX_MS if stale_ms > _SILENCE_MAX_MS else stale_ms)
        )
        self._rest_nl = 0
        self._kept = 0

    def weigh(self, pulse_nl):
        """Take another volume of a pulse, for the fluid has another viscosity."""
        if pulse_nl != self.pulse_nl:
            self.pulse_nl = pulse_nl
            self._pulse_ul = pulse_nl // 1000
            self._pulse_rest_nl = pulse_nl % 1000

    def update(self, pulses, edge_us, now_us, dt_ms):
        """Take the pulses of the last `dt_ms`, the time of the latest edge and the time now (ticks_us)."""
        if pulses > _PULSES_MAX:
            pulses = _PULSES_MAX
        self.pulses = pulses
        if pulses:
            self._take_volume(pulses)
            if self.silent_ms >= self._stale_ms:
                self._kept = 0
            edge_us = self._edge_time(pulses, edge_us, now_us)
            self.silent_ms = ticks_diff(now_us, edge_us) // 1000
            self.edge_us = edge_us
            self._keep(pulses, edge_us)
            self._measure()
        else:
            self.tick_ul = 0
            if self.silent_ms < _SILENCE_MAX_MS:
                self.silent_ms += dt_ms
            self._bound()

    def _edge_time(self, pulses, edge_us, now_us):
        """The latest edge's time; a guess when it was missed (no interrupts run while flash is written)."""
        if ticks_diff(now_us, edge_us) < 0:
            return now_us
        if self._kept and ticks_diff(edge_us, self.edge_us) <= 0:
            room_us = ticks_diff(now_us, self.edge_us)
            if self.period_us and pulses <= room_us // self.period_us:
                return ticks_add(self.edge_us, pulses * self.period_us)  # type: ignore[type-var]
            return now_us
        return edge_us

    def _take_volume(self, pulses):
        rest_nl = self._rest_nl + pulses * self._pulse_rest_nl
        self.tick_ul = pulses * self._pulse_ul + rest_nl // 1000
        self._rest_nl = rest_nl % 1000

    def _keep(self, pulses, edge_us):
        self._mark = (self._mark + pulses) & _MARK_MASK
        self._at = (self._at + 1) % _KEPT
        self._times_us[self._at] = edge_us
        self._marks[self._at] = self._mark
        if self._kept < _KEPT:
            self._kept += 1

    def _measure(self):
        if self._kept < 2:
            # One edge after a stop: flow has begun, how much is not known yet.
            self.moving = False
            self.known = False
            self.fine = self.value_ul_s = self.steady_ul_s = 0
            return
        back = 1
        span_us = self._span_us(1)
        if span_us < _AVERAGE_US:
            while span_us < _AVERAGE_US and back + 1 < self._kept:
                back += 1
                span_us = self._span_us(back)
        elif self._kept > 3 and not self._one_way():
            back = 2
            span_us = self._span_us(2)
        if span_us < 1:
            span_us = 1
        edges = (self._mark - self._marks[(self._at - back) % _KEPT]) & _MARK_MASK
        period_us = span_us // edges
        self.period_us = period_us if period_us > 0 else 1
        if period_us >= 2000:
            self.fine = self._fine(period_us)
        else:
            # Many edges in one tick: dividing by the whole span keeps the resolution.
            most = _LIMIT // self.pulse_nl
            span_ms = (span_us + 500) // 1000
            if span_ms < 1:
                span_ms = 1
            volume_nl = self.pulse_nl * (edges if edges < most else most)
            whole = volume_nl // span_ms
            if whole > _FLOW_MAX:
                whole = _FLOW_MAX
                volume_nl = 0
            self.fine = whole * FINE + (volume_nl % span_ms) * FINE // span_ms
        self.value_ul_s = (self.fine + FINE // 2) // FINE
        back = 1
        while back + 1 < self._kept and self._span_us(back + 1) <= 1000000:
            back += 1
        span_us = self._span_us(back)
        edges = (self._mark - self._marks[(self._at - back) % _KEPT]) & _MARK_MASK
        period_us = span_us // edges if span_us > edges else 1
        steady = self._fine(period_us) if period_us >= 2000 else self.fine
        self.steady_ul_s = (steady + FINE // 2) // FINE
        self.moving = True
        self.known = True

    def _fine(self, period_us):
        """Flow in 1/32 uL/s from a period of at least 2000 us."""
        whole = self.pulse_nl * 1000 // period_us
        rest = self.pulse_nl * 1000 - whole * period_us
        return whole * FINE + rest // ((period_us >> 5) + 1)

    def _span_us(self, back):
        """Time from the edge kept `back` before the newest to the newest."""
        return ticks_diff(self._times_us[self._at], self._times_us[(self._at - back) % _KEPT])

    def _period_us(self, back):
        """Mean period between the edges kept `back` and `back` + 1 before the newest."""
        to = (self._at - back) % _KEPT
        since = (to - 1) % _KEPT
        edges = (self._marks[to] - self._marks[since]) & _MARK_MASK
        return ticks_diff(self._times_us[to], self._times_us[since]) // edges

    def _one_way(self):
        """Whether the newest three periods grow or shrink steadily."""
        middle_us = self._period_us(1)
        return (self._period_us(0) - middle_us) * (1 if middle_us > self._period_us(2) else -1) > 0

    def _bound(self):
        silent_ms = self.silent_ms
        if silent_ms >= self._stale_ms:
            self.fine = self.value_ul_s = self.steady_ul_s = 0
            self.moving = False
            self.known = True
        elif silent_ms > 0:
            # An eighth more, for a meter's teeth are not evenly spaced.
            most = self.pulse_nl * 36 // silent_ms
            if most < self.fine:
                self.fine = most
                self.value_ul_s = (most + FINE // 2) // FINE
            most = most // FINE
            if most < self.steady_ul_s:
                self.steady_ul_s = most
