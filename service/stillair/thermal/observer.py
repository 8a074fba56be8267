"""What each sensor should show next, how sure that is, and by how much the last reading missed it.

With x the excess of the air at a sensor over the room, q the heat input over
the air's heat capacity and lambda the losses (see `balance`), dx/dt = q - lambda x.
The heat input wanders slowly and nobody measures it: dq/dt is white noise. With
the slope v = dx/dt the unknown q drops out, and so do room and offset, which
are in a (air as this sensor would show it) and change far slower:

    da/dt = v + noise      dv/dt = -lambda v + noise      ds/dt = (a - s) / tau

s is what the sensor itself has, through its lag tau; a reading is s with noise
and rounding, R = noise^2 + step^2 / 12 where that isn't in the noise already.
Over one second, noise put in at its end, that is exactly

    a' = a + g v,   v' = d v,   s' = alpha s + (1 - alpha) a + c v
    d = exp(-lambda),  g = (1 - d) / lambda,  alpha = exp(-1 / tau)

and the best linear estimate is Kalman's filter (Kalman, R. E. (1960) Trans. ASME
J. Basic Eng. 82). Neither model nor noise depends on the readings, so the gains
are worked out beforehand: one for each of the first readings, as the filter
settles, then the settled one; and for a reading that comes late one by how late
it is (exact for the first late one after a settled stretch). A second without a
reading only predicts.

How restless air is differs from box to box. Therefore the uncertainty that
follows from the equations is multiplied by what the innovations, normalised
with it, have been while nothing happened (innovation matching: Mehra, R. K.
(1970) IEEE Trans. Autom. Control 15). After the same paper, innovations that
hang together mean that the air is more restless than the filter holds likely:
its noise is doubled until they don't, and halved where they alternate.

Whether readings leave the expectation is told by the sum of normalised
innovations that forgets in `SUM_READINGS` (exponentially weighted: Roberts, S. W.
(1959) Technometrics 1), one standard deviation being 1 again. An open door or a
fault shows there; then the filter follows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance

# Restlessness of air and of its slope, standard deviations of what a second adds.
AIR_K, SLOPE_K_PER_S = 0.02, 0.002
LEAST_RESTLESS, MOST_RESTLESS = 0.25, 64.0  # times as much
TOGETHER, APART = 0.2, -0.1  # correlation of an innovation with the next
START_AIR_K, START_SLOPE_K_PER_S = 0.5, 0.02  # how far off the first reading may be
LEAST_NOISE_K, UNKNOWN_STEP_K = 0.01, 0.25
STEP_TO_SIGMA = 0.886  # mean difference of two readings to standard deviation: sqrt(pi) / 2
FASTEST_LOSS_PER_MIN = 0.2
LONGEST_PERIOD_S = 60
LEAST_TAU_S, MOST_TAU_S = 0.5, 120.0
MOST_READINGS = 400  # until the filter has settled
SETTLED = 1e-4  # a gain that changes by a smaller share has
TUNE_S = 64
FORGET = 1.0 / 300.0  # of the spread, per reading
LEAST_SPREAD, MOST_SPREAD = 0.1, 16.0
ODD = 4.0  # standard deviations; what is more counts as this
SUM_READINGS = 8.0
OFF_SUM, OFF_U, OFF_K, OFF_HELD_S = 6.0, 3.0, 0.5, 60

_KEEP = 1.0 - 1.0 / SUM_READINGS
_TO_UNIT = math.sqrt(1.0 - _KEEP * _KEEP)

Covariance = tuple[float, float, float, float, float, float]  # aa, av, as, vv, vs, ss


@dataclass(frozen=True, slots=True)
class Gain:
    """How one reading moves air, slope and sensor per kelvin of innovation, and its spread."""

    air: float
    slope_per_s: float
    sensor: float
    u_k: float


@dataclass(frozen=True, slots=True)
class Design:
    """One second of the model, and the gains for one lag, noise, loss and reading period.

    `starting` are those of the readings after the very first until it has
    `settled`; `gain` the settled one; `by_gap` those of readings so many seconds
    after the one before.
    """

    pull: float
    lead_s: float
    reach_s: float
    keep: float
    settled: int
    gain: Gain
    starting: tuple[Gain, ...]
    by_gap: tuple[Gain, ...]


@lru_cache(maxsize=256)
def design(
    tau_s: float, noise_k: float, loss_per_s: float, period_s: int, restless: float = 1.0
) -> Design:
    """Work out the filter; takes some milliseconds. `restless` multiplies the air's noise."""
    alpha = math.exp(-1.0 / tau_s)
    pull = 1.0 - alpha
    keep = math.exp(-loss_per_s)
    if loss_per_s < 1e-6:
        reach_s, lead_s = 1.0, 1.0 - tau_s * pull
    else:
        reach_s = (1.0 - keep) / loss_per_s
        lead_s = (pull - (keep - alpha) / (1.0 - loss_per_s * tau_s)) / loss_per_s
    variance = noise_k * noise_k
    air_k2, slope_k2_per_s2 = (restless * AIR_K) ** 2, (restless * SLOPE_K_PER_S) ** 2

    def later(p: Covariance) -> Covariance:
        """The covariance one second on."""
        aa, av, as_, vv, vs, ss = p
        to_a, to_v, to_s = aa + reach_s * av, av + reach_s * vv, as_ + reach_s * vs
        of_a = pull * aa + lead_s * av + alpha * as_
        of_v = pull * av + lead_s * vv + alpha * vs
        of_s = pull * as_ + lead_s * vs + alpha * ss
        return (
            to_a + reach_s * to_v + air_k2,
            keep * to_v,
            pull * to_a + lead_s * to_v + alpha * to_s,
            keep * keep * vv + slope_k2_per_s2,
            keep * of_v,
            pull * of_a + lead_s * of_v + alpha * of_s,
        )

    def gain(p: Covariance) -> Gain:
        total = p[5] + variance
        return Gain(p[2] / total, p[4] / total, p[5] / total, math.sqrt(total))

    def known(p: Covariance, k: Gain) -> Covariance:
        """The covariance after a reading."""
        aa, av, as_, vv, vs, ss = p
        return (
            aa - k.air * as_,
            av - k.air * vs,
            as_ - k.air * ss,
            vv - k.slope_per_s * vs,
            vs - k.slope_per_s * ss,
            ss - k.sensor * ss,
        )

    p: Covariance = (
        START_AIR_K**2 + variance,
        0.0,
        variance,
        START_SLOPE_K_PER_S**2,
        0.0,
        variance,
    )
    starting: list[Gain] = []
    for _ in range(MOST_READINGS):
        for _ in range(period_s):
            p = later(p)
        starting.append(k := gain(p))
        p = known(p, k)
        if len(starting) > 8 and abs(k.slope_per_s - starting[-2].slope_per_s) < SETTLED * abs(
            k.slope_per_s
        ):
            break
    by_gap = []
    for _ in range(max(10, 3 * period_s) + 2):
        p = later(p)
        by_gap.append(gain(p))
    return Design(
        pull, lead_s, reach_s, keep, len(starting), starting[-1], tuple(starting), tuple(by_gap)
    )


class Observer:
    """Foretell the readings of one sensor in the chamber's air.

    Call `tick` once a second after the sensor's track has taken what the second
    brought. While the track is broken off nothing is expected.

    `innovation_k` is by how much the last reading was above its expectation,
    `last_u_k` one standard deviation of that expectation; `off_sum` the
    normalised sum of innovations; `off_k` the largest miss of the last minute,
    0 K unless several readings have clearly left their expectation the same way.
    """

    def __init__(self, track: AirTrack, balance: Balance) -> None:
        self._track = track
        self._balance = balance
        self._spread = self._scale = self._restless = 1.0
        self._product = 0.0  # of an innovation with the one before, on average
        self._ticks = 0
        self._period_s = 1
        self._design = self._worked_out()
        self._air_c = self._sensor_c = self._slope = 0.0
        self._sum = self._unit = 0.0  # of normalised innovations, and the last of them
        self._count, self._gap_s, self._off_left_s = -1, 0, 0
        self.innovation_k, self.last_u_k, self.off_k = 0.0, 1.0, 0.0

    @property
    def expected_c(self) -> float | None:
        """What the next reading should be, °C; None while there is no past."""
        if self._count < 0:
            return None
        plan = self._design
        air_c, slope, sensor_c = self._air_c, self._slope, self._sensor_c
        for _ in range(max(1, self._period_s - self._gap_s)):
            sensor_c += plan.pull * (air_c - sensor_c) + plan.lead_s * slope
            air_c += plan.reach_s * slope
            slope *= plan.keep
        return sensor_c

    @property
    def u_k(self) -> float | None:
        """One standard deviation of the next reading about `expected_c`, K."""
        if self._count < 0:
            return None
        return self._gain(max(self._period_s, self._gap_s + 1)).u_k * self._scale

    @property
    def readings(self) -> int:
        """How many have been held against an expectation since the first."""
        return max(self._count, 0)

    @property
    def air_c(self) -> float:
        """The air behind the sensor's lag, °C; only while `expected_c` is known."""
        return self._air_c

    @property
    def slope_k_per_s(self) -> float:
        """How fast that air changes, K/s."""
        return self._slope

    @property
    def off_sum(self) -> float:
        """The sum of the last normalised innovations; its standard deviation is 1 in calm."""
        return self._sum * _TO_UNIT

    def tick(self, *, calm: bool = True) -> None:
        """Go on by one second; not `calm`: what comes now says nothing of what is usual."""
        track = self._track
        if self._count < 0 or track.seconds < 2:
            self._begin()
            return
        self._ticks += 1
        if self._ticks >= TUNE_S:
            self._tune()
        if self._off_left_s:
            self._off_left_s -= 1
            if not self._off_left_s:
                self.off_k = 0.0
        plan = self._design
        gap_s = self._gap_s + 1
        air_c, slope, sensor_c = self._air_c, self._slope, self._sensor_c
        sensor_c += plan.pull * (air_c - sensor_c) + plan.lead_s * slope
        air_c += plan.reach_s * slope
        slope *= plan.keep
        if not track.fresh:
            self._gap_s = gap_s
            self._air_c, self._slope, self._sensor_c = air_c, slope, sensor_c
            return
        count = self._count
        settled = gap_s == self._period_s and count >= plan.settled
        gain = plan.gain if settled else self._gain(gap_s)
        self._count = count + 1
        self._gap_s = 0
        miss_k = track.now_c - sensor_c
        self._air_c = air_c + gain.air * miss_k
        self._slope = slope + gain.slope_per_s * miss_k
        self._sensor_c = sensor_c + gain.sensor * miss_k
        self.innovation_k = miss_k
        self.last_u_k = u_k = gain.u_k * self._scale
        unit = min(max(miss_k / u_k, -ODD), ODD)
        self._sum = _KEEP * self._sum + unit
        if abs(miss_k) >= max(OFF_K, OFF_U * u_k):
            self._look_off(miss_k)
        if calm:
            share = unit * self._scale
            self._spread += FORGET * (share * share - self._spread)
            self._product += FORGET * (unit * self._unit - self._product)
        self._unit = unit

    def _look_off(self, miss_k: float) -> None:
        """Note a large miss where those before it went the same way: one alone is a spike."""
        if self.off_sum * math.copysign(1.0, miss_k) < OFF_SUM:
            return
        if miss_k * self.off_k < 0.0:
            return  # the filter, going along, has gone too far
        if abs(miss_k) > abs(self.off_k):
            self.off_k = miss_k
        self._off_left_s = OFF_HELD_S

    def _gain(self, gap_s: int) -> Gain:
        plan = self._design
        if gap_s == self._period_s and self._count < plan.settled:
            return plan.starting[self._count]
        return plan.by_gap[min(gap_s, len(plan.by_gap)) - 1]

    def _begin(self) -> None:
        """Start anew, with this second's sample if there is one."""
        track = self._track
        self._air_c = self._sensor_c = track.now_c
        self._slope = self._sum = self._unit = 0.0
        self._count = 0 if track.seconds and track.fresh else -1  # readings since the first
        self._gap_s = self._off_left_s = 0
        self.innovation_k, self.last_u_k, self.off_k = 0.0, 1.0, 0.0

    def _tune(self) -> None:
        self._ticks = 0
        self._spread = min(max(self._spread, LEAST_SPREAD), MOST_SPREAD)
        self._scale = math.sqrt(self._spread)
        if self._product > TOGETHER and self._restless < MOST_RESTLESS:
            self._change(2.0)
        elif self._product < APART and self._restless > LEAST_RESTLESS:
            self._change(0.5)
        self._design = self._worked_out()

    def _change(self, times: float) -> None:
        """Hold the air more or less restless; what that explains is no spread any more."""
        self._restless *= times
        self._product = 0.0

    def _worked_out(self) -> Design:
        """The filter for what is known now; figures are rounded so that most are there already."""
        track = self._track
        self._period_s = min(max(round(track.usual_s), 1), LONGEST_PERIOD_S)
        step_k = track.step_k if track.step_k < 1.0 else UNKNOWN_STEP_K
        noise_k = max(STEP_TO_SIGMA * track.noise_k, step_k / math.sqrt(12.0), LEAST_NOISE_K)
        tau_s = min(max(self._balance.sensor(track.name).tau_s, LEAST_TAU_S), MOST_TAU_S)
        loss_per_min = min(max(self._balance.cooling_per_min or 0.0, 0.0), FASTEST_LOSS_PER_MIN)
        return design(
            coarse(tau_s, 8.0),
            coarse(noise_k, 8.0),
            round(loss_per_min, 2) / 60.0,
            self._period_s,
            self._restless,
        )


def coarse(value: float, steps: float) -> float:
    """The value rounded to one of `steps` a doubling."""
    return float(2.0 ** (round(steps * math.log2(value)) / steps))
