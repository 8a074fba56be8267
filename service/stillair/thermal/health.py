"""Is a sensor's word good just now, and if not, why?

Readings go in one by one; once a second each sensor gives its good sample or
none, and the reason for which it can't be trusted. What is refused:

- what the driver decoded as a fault; and the three readings after it (in a
  badly earthed thermocouple recording nearly all false values lay within three
  samples of a flagged one). A sensor that had a fault within the last ten
  minutes has its readings held back until three more came without one;
- exactly 85.0 (DS18B20 power-on value), 127.94 (failed conversion) and 0.0 (what
  a line held low answers, checksum and all), unless the sensor was within 3 K of
  it just before;
- below -55 degrees (DS18B20 datasheet, range) or above 1,370 (type K, IEC 60584-1);
- a spike: a jump that isn't confirmed by three readings in a row;
- a jump after which the readings are all the same: what a sensor shows of air
  that has changed goes on changing, through its lag;
- silence of more than 29 s, so that it is told within 30, and three usual intervals;
- a value that stays exactly the same while the air moves: at the others; or, of
  a sensor that was moving, though air can't stand still so soon. Cut off from
  all heat the air's rate dies down within a minute at the fastest (`LULL_S`),
  so from a rate v it goes on by v times that. Where the others of the same air
  stand still as well, it is the air.

The fire path (`heat`) doesn't ask here; it has its own, shorter confirmation.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from stillair.errors import ReadingFault
from stillair.model import Place, Reading
from stillair.thermal.plan import SensorPlan

POWER_ON_C = 85.0
FAILED_C = 127.94
LOWEST_C = -55.0
HIGHEST_C = 1370.0
QUARANTINE = 3  # readings
NERVOUS_S = 600.0
SILENT_S = 29.0
USUAL_INTERVALS = 3
JUMP_K = 4.0
JUMP_K_PER_S = 1.0
JUMP_MOVES = 4.0
JUMP_S = 2.0  # a jump is believed after three readings, and no sooner than this
SPIKES = 3  # within NERVOUS_S are a fault
GOOD_FOR_S = 30.0  # a fault is over after this long without one
INTERMITTENT = "intermittent"
JUMPS = "jumps"
ZEROS = "its answers are all zeros, as of a line held low"
STANDS = "has jumped, and stands still since then as no air does"
STUCK_S = 120.0
STUCK_MOVED_K = 0.8
STUCK_STEPS = 4  # the others must have moved by so many of its own steps
LULL_S = 45.0
LULL_K, LULL_STEPS = 0.45, 6  # what it must have gone on by, itself
TREND_S = 60.0
OTHERS_S = 60.0  # one of the others must have moved within this

WORDS = {
    ReadingFault.NOT_CONVERTED: "shows its power-on value, not a temperature",
    ReadingFault.BAD_CHECKSUM: "its answers arrive garbled",
    ReadingFault.OPEN_CIRCUIT: "its circuit is open",
    ReadingFault.SHORT_TO_GROUND: "it is shorted to ground",
    ReadingFault.SHORT_TO_SUPPLY: "it is shorted to the supply",
    ReadingFault.OUT_OF_RANGE: "shows what no chamber can have",
    ReadingFault.VANISHED: "has vanished from the bus",
    ReadingFault.UNREADABLE: "can't be read",
    ReadingFault.SILENT: "gives no readings",
}


@dataclass(frozen=True, slots=True)
class SensorTrouble:
    """Why a sensor can't be trusted: a word for programs, a clause for people, since when.

    `sensors` names all concerned, where that isn't the sensor alone.
    """

    word: str
    reason: str
    since_s: float
    sensors: tuple[str, ...] = ()


def is_placeholder(temperature_c: float, correction_k: float, last_c: float | None) -> bool:
    """Whether this is no temperature (0.0, 85.0, 127.94) and not near what was just before."""
    raw_c = temperature_c - correction_k
    if min(abs(raw_c), abs(raw_c - POWER_ON_C)) > 1e-4 and (
        abs(raw_c - FAILED_C) > 3e-3  # 127.9375 as well
    ):
        return False
    return last_c is None or abs(temperature_c - last_c) > 3.0


class SensorHealth:
    """Sort one sensor's readings into good ones and reasons."""

    def __init__(self, plan: SensorPlan) -> None:
        self.plan = plan
        self.trouble: SensorTrouble | None = None
        self.last_c: float | None = None  # latest good
        self.last_s: float | None = None
        self.usual_s = plan.usual_s
        self.step_k = 1.0  # its resolution, the smallest change seen
        self._heard_s: float | None = None
        self._intervals: deque[float] = deque(maxlen=9)
        self._started_s: float | None = None
        self._sum = 0.0
        self._count = 0
        self._skip = 0  # readings still to be refused after a fault
        self._held: list[tuple[float, float]] = []
        self._jump: deque[float] = deque(maxlen=3)
        self._jump_s = 0.0
        self._stands_c: float | None = None  # where it has stood since a jump
        self._bad: ReadingFault | None = None  # the last reading was bad in this way
        self._bad_reason = ""
        self._bad_since_s = 0.0
        self._bad_s: deque[float] = deque(maxlen=4)
        self._spikes_s: deque[float] = deque(maxlen=SPIKES)
        self._good_since_s: float | None = None
        self._same_since_s = 0.0
        self._others_low_c = 0.0
        self._others_high_c = 0.0
        self._others_count = 0
        self._others_moved_s: float | None = None  # when one of them last did
        self._stuck = False
        self._lull = False
        self._trend: deque[tuple[float, float]] = deque(maxlen=16)  # time, value, every 5 s
        self._raw_c = 0.0
        self._move_k = 0.0  # how far its readings usually move

    @property
    def good(self) -> bool:
        """Whether it has been heard and nothing is the matter."""
        return self.trouble is None and self.last_c is not None

    @property
    def refused(self) -> str:
        """Why its newest reading was no good; empty if it was, or if there is none yet."""
        return "" if self._bad is None else self._bad_reason

    @property
    def tells(self) -> bool:
        """Whether its newest reading is a temperature, be it one that isn't trusted."""
        if self.trouble is not None and self.trouble.word == ReadingFault.SILENT.value:
            return False
        return self._heard_s is not None and self._bad in (None, ReadingFault.OUT_OF_RANGE)

    @property
    def ended_s(self) -> float | None:
        """Since when it has been good again; only while `trouble` stands or has just ended."""
        return self._good_since_s

    def take(self, reading: Reading) -> None:
        """Take one reading, which may be a fault."""
        t_s = reading.t_s
        if self._heard_s is not None:
            dt_s = t_s - self._heard_s
            if dt_s <= 0.0:
                return
            if abs(dt_s - self.usual_s) > 0.2 * self.usual_s:
                self._intervals.append(dt_s)
                if len(self._intervals) >= 3:
                    self.usual_s = sorted(self._intervals)[len(self._intervals) // 2]
            elif self._intervals:
                self._intervals.append(dt_s)
        self._heard_s = t_s
        value_c = reading.temperature_c
        if reading.fault is not None or value_c is None:
            self._refuse(t_s, reading.fault or ReadingFault.UNREADABLE, reading.reason)
        elif not LOWEST_C <= value_c <= HIGHEST_C:
            self._refuse(t_s, ReadingFault.OUT_OF_RANGE, "")
        elif is_placeholder(value_c, self.plan.correction_k, self._near_c(t_s)):
            zero = abs(value_c - self.plan.correction_k) < 1e-4
            fault = ReadingFault.UNREADABLE if zero else ReadingFault.NOT_CONVERTED
            self._refuse(t_s, fault, ZEROS if zero else "")
        elif value_c == self._stands_c:
            self._refuse(t_s, ReadingFault.OUT_OF_RANGE, STANDS)
        else:
            self._stands_c = None
            self._admit(t_s, value_c)

    def tick(self, t_s: float) -> float | None:
        """Judge at a whole second; return the mean of the good readings since the last one."""
        if self._started_s is None:
            self._started_s = t_s
        sample_c = self._sum / self._count if self._count else None
        self._sum, self._count = 0.0, 0
        self._look_for_lull(t_s)
        found = self._trouble_now(t_s)
        if found is not None:
            if self.trouble is None or found.word not in (self.trouble.word, INTERMITTENT):
                since_s = self.trouble.since_s if self.trouble else found.since_s
                self.trouble = SensorTrouble(found.word, found.reason, since_s)
        elif (
            self.trouble is not None
            and self._good_since_s is not None
            and t_s - self._good_since_s >= GOOD_FOR_S
        ):
            self.trouble = None
        return None if self._stuck or self._lull else sample_c

    def has_been_silent(self, t_s: float, for_s: float) -> bool:
        """Whether it has been silent for so long after that was to be told."""
        heard_s = self._heard_s if self._heard_s is not None else self._started_s
        told_s = max(SILENT_S, USUAL_INTERVALS * self.usual_s)
        return heard_s is not None and t_s - heard_s > told_s + for_s

    @property
    def moved_s(self) -> float:
        """When its readings last changed."""
        return self._same_since_s

    def compare(
        self, t_s: float, others_c: float | None, count: int, moved_s: float | None = None
    ) -> None:
        """Look at the other good sensors of the same air, to find a stuck one.

        At their mean and number, and at when one of them last moved.
        """
        self._others_moved_s = moved_s
        if others_c is None or count != self._others_count or self.last_s is None:
            self._others_count = count
            self._restart_stuck(others_c)
            return
        self._others_low_c = min(self._others_low_c, others_c)
        self._others_high_c = max(self._others_high_c, others_c)
        moved_k = self._others_high_c - self._others_low_c
        least_k = max(STUCK_MOVED_K, STUCK_STEPS * min(self.step_k, 0.5))
        still = t_s - self._same_since_s >= STUCK_S and not self._others_rest(t_s)
        self._stuck = self._stuck or (still and moved_k >= least_k)

    # --- one reading -------------------------------------------------------

    def _near_c(self, t_s: float) -> float | None:
        if self.last_s is None or t_s - self.last_s > max(SILENT_S, USUAL_INTERVALS * self.usual_s):
            return None
        return self.last_c

    def _refuse(self, t_s: float, fault: ReadingFault, reason: str) -> None:
        if self._bad is None:
            self._bad_since_s = t_s
        self._bad = fault
        self._bad_reason = reason or WORDS[fault]
        self._bad_s.append(t_s)
        self._good_since_s = None
        self._skip = QUARANTINE
        self._held.clear()
        self._jump.clear()

    def _admit(self, t_s: float, value_c: float) -> None:
        self._bad = None
        if self._good_since_s is None:
            self._good_since_s = t_s
        if self._skip:
            self._skip -= 1
            return
        if self._bad_s and t_s - self._bad_s[-1] <= NERVOUS_S:
            self._held.append((t_s, value_c))
            if len(self._held) <= QUARANTINE:
                return
            t_s, value_c = self._held.pop(0)
        if self.last_c is not None and self.last_s is not None:
            step_k = abs(value_c - self.last_c)
            self._move_k += 0.05 * (min(abs(value_c - self._raw_c), 10.0) - self._move_k)
            self._raw_c = value_c
            allowed_k = JUMP_K + JUMP_K_PER_S * (t_s - self.last_s) + JUMP_MOVES * self._move_k
            if step_k > allowed_k and not self._confirmed(t_s, value_c):
                if len(self._jump) >= 3 and t_s - self._jump_s >= JUMP_S:
                    self._stands_c = value_c
                    self._refuse(t_s, ReadingFault.OUT_OF_RANGE, STANDS)
                return
            if self._jump:
                if len(self._jump) < 3 or t_s - self._jump_s < JUMP_S:
                    self._spikes_s.append(t_s)
                self._jump.clear()
            if step_k > 1e-3:
                self.step_k = min(self.step_k, step_k)
                self._same_since_s = t_s
                self._others_count = -1
                self._stuck = self._lull = False
                if not self._trend or t_s - self._trend[-1][0] >= TREND_S / 12.0:
                    self._trend.append((t_s, value_c))
        else:
            self._same_since_s = t_s
            self._raw_c = value_c
        self.last_c, self.last_s = value_c, t_s
        self._sum += value_c
        self._count += 1

    def _confirmed(self, t_s: float, value_c: float) -> bool:
        """Whether three readings in a row lie beyond the jump, on one side, and still move."""
        assert self.last_c is not None
        if self._jump and (self._jump[-1] > self.last_c) != (value_c > self.last_c):
            self._spikes_s.append(t_s)
            self._jump.clear()
        if not self._jump:
            self._jump_s = t_s
        self._jump.append(value_c)
        moves = max(self._jump) - min(self._jump) > 1e-3
        return len(self._jump) >= 3 and t_s - self._jump_s >= JUMP_S and moves

    # --- the state ---------------------------------------------------------

    def _trouble_now(self, t_s: float) -> SensorTrouble | None:
        heard_s = self._heard_s if self._heard_s is not None else self._started_s
        assert heard_s is not None
        if t_s - heard_s > max(SILENT_S, USUAL_INTERVALS * self.usual_s):
            self._good_since_s = None
            return SensorTrouble(ReadingFault.SILENT.value, WORDS[ReadingFault.SILENT], heard_s)
        if self._bad is not None and t_s - self._bad_since_s >= 1.0:
            return SensorTrouble(self._bad.value, self._bad_reason, self._bad_since_s)
        if (
            len(self._bad_s) == 4
            and self._bad_s[-1] - self._bad_s[0] <= 60.0
            and t_s - self._bad_s[-1] < GOOD_FOR_S
        ):
            return SensorTrouble(INTERMITTENT, self._bad_reason, self._bad_s[0])
        if len(self._spikes_s) == SPIKES and t_s - self._spikes_s[0] <= NERVOUS_S:
            self._good_since_s = self._spikes_s[-1]
            return SensorTrouble(JUMPS, "its readings jump about", self._spikes_s[0])
        if self._stuck or self._lull:
            self._good_since_s = None
            return SensorTrouble(
                "stuck", "always shows the same while the air moves", self._same_since_s
            )
        if self._good_since_s is None and self.trouble is not None and self._bad is None:
            self._good_since_s = t_s
        return None

    def _look_for_lull(self, t_s: float) -> None:
        """Whether it stands still so suddenly as air never does."""
        lull_s = t_s - self._same_since_s
        if lull_s < STUCK_S or self._lull or self.last_c is None:
            return
        if self._heard_s is None or t_s - self._heard_s > USUAL_INTERVALS * self.usual_s:
            return  # it says nothing; that is another fault
        if self._others_rest(t_s):
            return
        if lull_s > STUCK_S + 10.0 or self.plan.place is not Place.CHAMBER:
            return
        past = [(s, c) for s, c in self._trend if s <= self._same_since_s - 0.6 * TREND_S]
        if not past or past[-1][0] < self._same_since_s - 2.0 * TREND_S:
            return
        then_s, then_c = past[-1]
        rate_k_per_s = abs(self.last_c - then_c) / (self._same_since_s - then_s)
        self._lull = rate_k_per_s * LULL_S >= max(LULL_K, LULL_STEPS * min(self.step_k, 1.0))

    def _others_rest(self, t_s: float) -> bool:
        """Whether there are others, and none of them moves."""
        return self._others_moved_s is not None and t_s - self._others_moved_s > OTHERS_S

    def _restart_stuck(self, others_c: float | None) -> None:
        if others_c is not None:
            self._others_low_c = self._others_high_c = others_c
        self._stuck = False
