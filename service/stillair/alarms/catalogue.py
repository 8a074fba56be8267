"""What is done about each kind of event: delays, latching, repeating, shelving.

Delays are an alarm's, on top of what the detector itself needed to be sure.
A danger has no on-delay, can't be shelved and is never suppressed.

References
----------
ANSI/ISA-18.2-2016, clause 10 (rationalization, on- and off-delay, re-alarm);
the delays themselves are our choice, well under the customary 60 s for a
temperature, because a cold gust spoils a part within minutes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from stillair.errors import CommandRefused, Refusal
from stillair.model import KIND_CLASS, JobPhase, Kind, Phase, Priority, Shelve, SignalClass

SHELVE_MINUTES = (1.0, 480.0)
REASON_LENGTH = 200
URGENT = (Priority.CRITICAL, Priority.HIGH)


@dataclass(frozen=True, slots=True)
class AlarmContext:
    """What the chamber is doing, for suppression by design, and who is near it, if anybody is."""

    phase: Phase = Phase.UNKNOWN
    job: JobPhase | None = None
    near: str = ""  # the person, by name


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """How an alarm of one kind behaves.

    `repeat_s` is the time after which it is said again while it stands; each
    further time waits as long as it has stood so far, at most `longest_repeat_s`.
    None: said once. `repeats_when_seen`: also after somebody has seen it.
    `messages`: people are told on their routes, not by the page alone; for `page_alone_s` they
    are not yet, unless it is urgent: what passes or is seen by then is no message at all.
    `says_over`: also when it has ended. `realarm_s`: seen and still standing
    for so long, it asks again.
    `idle_jobs` and `idle_phases` are when the kind is expected and so
    suppressed by design; both have to fit, and an empty one always does.
    `idle_in_pause`: a paused job is reason enough. `urgent_on_delay_s` is the on-delay
    where its priority is high.
    """

    on_delay_s: float = 0.0
    urgent_on_delay_s: float | None = None
    off_delay_s: float = 0.0
    latches: bool = False
    messages: bool = True
    page_alone_s: float = 0.0
    says_over: bool = True
    repeat_s: float | None = None
    longest_repeat_s: float = 1800.0
    repeats_when_seen: bool = False
    realarm_s: float | None = None
    may_hide: bool = True
    suppressible: bool = False
    idle_jobs: frozenset[JobPhase | None] = frozenset()
    idle_phases: frozenset[Phase] = frozenset()
    idle_in_pause: bool = False

    def delay_s(self, priority: Priority) -> float:
        """For how long it has to hold before it is an alarm."""
        if self.urgent_on_delay_s is None or priority not in URGENT:
            return self.on_delay_s
        return self.urgent_on_delay_s

    def expected(self, context: AlarmContext) -> bool:
        """True while this kind is no news: suppressed by design."""
        if not (self.may_hide and self.suppressible):
            return False
        if self.idle_in_pause and context.job is JobPhase.PAUSED:
            return True
        return (not self.idle_jobs or context.job in self.idle_jobs) and (
            not self.idle_phases or context.phase in self.idle_phases
        )


_NOT_BUILDING: frozenset[JobPhase | None] = frozenset({None, JobPhase.FINISHED})
_PARTED: frozenset[JobPhase | None] = frozenset({JobPhase.COOLING, JobPhase.FINISHED})
_AT_REST = frozenset({Phase.UNKNOWN, Phase.COLD, Phase.COOL_ENOUGH})
# While it warms up its detector tells it only of a box that has stopped warming.
_GOING_COLD = frozenset({Phase.COLD, Phase.COOLING, Phase.COOL_ENOUGH})
# What a door does is known to whoever opens it; quiet for anything else needs its reason.
_THE_DOOR = frozenset({Kind.DOOR_OPEN, Kind.DRAFT})


def _danger(*, off_delay_s: float, latches: bool, critical: bool = False) -> AlarmRule:
    # Ten minutes: long enough to deal with the thing, short enough that a fire
    # that was silenced and left burning calls again.
    return AlarmRule(
        off_delay_s=off_delay_s,
        latches=latches,
        repeat_s=120.0 if critical else 300.0,
        longest_repeat_s=600.0 if critical else 1800.0,
        realarm_s=600.0 if critical else None,
        may_hide=False,
    )


CATALOGUE: Mapping[Kind, AlarmRule] = {
    Kind.FIRE: _danger(off_delay_s=60.0, latches=True, critical=True),
    Kind.DETECTOR_CONTACT: _danger(off_delay_s=60.0, latches=True, critical=True),
    Kind.FLAME: _danger(off_delay_s=60.0, latches=True),
    Kind.SMOKE: _danger(off_delay_s=60.0, latches=True),
    Kind.RAPID_RISE: _danger(off_delay_s=60.0, latches=False),
    Kind.OVER_TEMPERATURE: _danger(off_delay_s=30.0, latches=False),
    Kind.HEAT_LOST: AlarmRule(
        on_delay_s=10.0,
        off_delay_s=30.0,
        repeat_s=600.0,
        suppressible=True,
        idle_jobs=_PARTED,  # after the end of a job the heat is meant to go
    ),
    Kind.NO_MOTION: AlarmRule(
        on_delay_s=10.0, off_delay_s=10.0, repeat_s=600.0, suppressible=True, idle_jobs=_PARTED
    ),
    # Who has seen it need not be there: as long as nobody is, it asks again.
    Kind.ATTENDANCE_OVERDUE: AlarmRule(repeat_s=180.0, realarm_s=600.0, may_hide=False),
    Kind.DOOR_OPEN: AlarmRule(
        on_delay_s=10.0,
        off_delay_s=15.0,
        repeat_s=180.0,
        repeats_when_seen=True,
        suppressible=True,
        idle_jobs=_NOT_BUILDING,
        idle_phases=_AT_REST,
    ),
    # A gust is over before anybody comes; what can be mended is a window left open. Who has seen
    # that is on the way to it: half an hour later it is forgotten, or another one.
    Kind.DRAFT: AlarmRule(
        on_delay_s=20.0,
        page_alone_s=60.0,
        off_delay_s=30.0,
        repeat_s=600.0,
        realarm_s=1800.0,
        suppressible=True,
        idle_jobs=_NOT_BUILDING,
        idle_phases=_AT_REST,
    ),
    Kind.BELOW_TARGET: AlarmRule(
        on_delay_s=60.0,
        page_alone_s=900.0,
        off_delay_s=60.0,
        repeat_s=1800.0,
        longest_repeat_s=7200.0,
        suppressible=True,
        idle_phases=_GOING_COLD,
        idle_in_pause=True,
    ),
    Kind.TOO_WARM: AlarmRule(
        on_delay_s=60.0,
        page_alone_s=900.0,
        off_delay_s=60.0,
        repeat_s=1800.0,
        longest_repeat_s=7200.0,
    ),
    Kind.STORE_FAULT: AlarmRule(off_delay_s=10.0, repeat_s=3600.0, longest_repeat_s=86400.0),
    Kind.DELIVERY_FAULT: AlarmRule(off_delay_s=10.0, repeat_s=3600.0, longest_repeat_s=86400.0),
    Kind.WATCH_GAP: AlarmRule(says_over=False),
    # A wire that wavers for some seconds needs nobody; the last good sensor gone does.
    Kind.SENSOR_FAULT: AlarmRule(
        on_delay_s=40.0,
        urgent_on_delay_s=10.0,
        page_alone_s=300.0,
        off_delay_s=20.0,
        repeat_s=3600.0,
        longest_repeat_s=86400.0,
    ),
    Kind.CAMERA_FAULT: AlarmRule(
        on_delay_s=30.0,
        page_alone_s=300.0,
        off_delay_s=20.0,
        repeat_s=3600.0,
        longest_repeat_s=86400.0,
    ),
    Kind.POWER_FAULT: AlarmRule(
        on_delay_s=5.0,
        page_alone_s=300.0,
        off_delay_s=60.0,
        repeat_s=3600.0,
        longest_repeat_s=86400.0,
    ),
    Kind.BOARD_FAULT: AlarmRule(
        on_delay_s=30.0,
        page_alone_s=300.0,
        off_delay_s=60.0,
        repeat_s=3600.0,
        longest_repeat_s=86400.0,
    ),
    Kind.CLOCK_FAULT: AlarmRule(on_delay_s=60.0, off_delay_s=60.0, messages=False),
    Kind.SOAK_READY: AlarmRule(),
    Kind.COOL_ENOUGH: AlarmRule(),
}


def is_danger(kind: Kind) -> bool:
    """True for danger to people or property: never shelved, suppressed or delayed."""
    return KIND_CLASS[kind][0] is SignalClass.ALARM


def is_notice(kind: Kind) -> bool:
    """True for what a person waited for: said once, no answer needed."""
    return KIND_CLASS[kind][0] is SignalClass.NOTICE


def shelving_reason(command: Shelve, kind: Kind) -> str:
    """The reason, trimmed, for which an alarm of this kind is to be quiet.

    Raises `CommandRefused` where it can't be, or not for so long.
    """
    if not CATALOGUE[kind].may_hide:
        raise CommandRefused(Refusal.FORBIDDEN, "a danger can't be made quiet, only seen")
    shortest, longest = SHELVE_MINUTES
    if not (math.isfinite(command.minutes) and shortest <= command.minutes <= longest):
        raise CommandRefused(
            Refusal.FORBIDDEN, f"it can be quiet for {shortest:.0f} to {longest:.0f} minutes"
        )
    reason = one_line(command.reason)
    if not reason and kind not in _THE_DOOR:
        raise CommandRefused(Refusal.FORBIDDEN, "say why it is to be quiet")
    return reason


def one_line(reason: str) -> str:
    """A person's reason, trimmed. Raises `CommandRefused` for more than a line."""
    reason = reason.strip()
    if len(reason) > REASON_LENGTH or not all(c.isprintable() for c in reason):
        raise CommandRefused(
            Refusal.FORBIDDEN, f"the reason is one line of at most {REASON_LENGTH} characters"
        )
    return reason
