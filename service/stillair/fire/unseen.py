"""What is held for true only because it once was: before a restart, or before its rule broke.

Detectors begin cold. What is not told again by them within some minutes has ended
meanwhile, but a heat only where that could be seen: while those that felt it are
silent it stands, and says so, until one of them has been heard for a minute without
it or a person says that it is over.

A sensor that gave nothing is disproved as soon as it has been heard well for a minute;
one that stuck or went astray may look well for longer. Why a sensor failed before the
restart, its old broker perhaps, is no reason any more, and isn't said again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from stillair.errors import ReadingFault
from stillair.fire.inputs import is_blind, sighted
from stillair.model import BLIND, Change, Detail, EventChange, Finding, Kind

HEARD_S = 60.0  # heard for so long, a sensor would have shown a heat that still is
GAVE_NOTHING = frozenset(
    fault.value
    for fault in ReadingFault
    if fault not in (ReadingFault.OUT_OF_RANGE, ReadingFault.BAD_CHECKSUM)
)
SOON = "it failed before the restart, and is trusted once it has read well for a minute"
LATER = "it failed before the restart, and is trusted once it has read well for ten minutes"
HEAT = frozenset({Kind.RAPID_RISE, Kind.OVER_TEMPERATURE})
AFTER_RESTART = "not seen again after a restart"
TAKEN_OUT = "the sensor is watched no more"
AFTER_FAILURE = "not seen again after its rule had failed"

Key = tuple[Kind, str]


@dataclass(slots=True)
class _Lost:
    """One event: why nobody sees it, since when, and from when on its sensors were heard."""

    why: str
    since_s: float | None
    heard_s: dict[str, float] = field(default_factory=dict)
    failed: Detail = field(default_factory=dict)  # why a sensor did, for the story


def is_seen(finding: Finding) -> bool:
    """Whether somebody has seen what is told, rather than that nobody sees it."""
    return not is_blind(finding.detail) and finding.detail.get("reason") not in (SOON, LATER)


class Unseen:
    """Keep what nobody sees any more, and end it when it may be ended.

    Parameters
    ----------
    events : iterable of EventChange
        What stood at the last stop and no rule remembers.
    wait_s : float
        The time in which it has to be seen again.
    sensors : collection of str
        The temperature sensors that are watched by.
    """

    def __init__(
        self, events: Iterable[EventChange], *, wait_s: float, sensors: Collection[str]
    ) -> None:
        self._wait_s = wait_s
        self._sensors = sensors
        self._lost = {(e.kind, e.subject): _Lost(AFTER_RESTART, None) for e in events}

    def __bool__(self) -> bool:
        return bool(self._lost)

    def lose(self, key: Key, t_s: float) -> None:
        """The rule that told this event has been begun anew and knows nothing of it."""
        self._lost.setdefault(key, _Lost(AFTER_FAILURE, t_s))

    def seen(self, key: Key) -> None:
        """Somebody tells this event again, or its end."""
        self._lost.pop(key, None)

    def tick(
        self,
        t_s: float,
        events: Mapping[Key, EventChange],
        heard_s: Callable[[], Mapping[str, float]],
        told: Callable[[EventChange], bool],
    ) -> Iterable[Finding]:
        """What ends at `t_s`, and what nobody can show the end of.

        `events` are those that stand; `heard_s` gives when each sensor was heard last
        that can be trusted now; `told` is whether its source still tells an event.
        """
        for key, lost in sorted(self._lost.items(), key=lambda item: item[0]):
            lost.since_s = t_s if lost.since_s is None else lost.since_s
            event = events.get(key)
            if event is None:
                self.seen(key)
                continue
            if _is_sensors(event) and event.subject not in self._sensors:
                self.seen(key)
                yield event.ended(t_s, TAKEN_OUT)
                continue
            soon = _is_sensors(event) and event.detail["fault"] in GAVE_NOTHING
            heard = (soon or event.kind in HEAT) and _shown(lost, event, heard_s())
            shown = heard or event.kind not in HEAT
            if (soon and heard) or (shown and t_s - lost.since_s >= self._wait_s):
                self.seen(key)
                if not told(event):
                    detail = {**sighted(event.detail), **lost.failed}
                    yield replace(event, detail=detail).ended(t_s, lost.why)
            elif _is_sensors(event):
                if lost.why is AFTER_RESTART and event.detail.get("reason") not in (SOON, LATER):
                    lost.failed = {"reason": event.detail.get("reason", "")}
                    yield _revised(event, t_s, {"reason": SOON if soon else LATER})
            elif (
                not (shown or lost.heard_s or is_blind(event.detail))
                and t_s - lost.since_s >= HEARD_S
            ):
                yield _revised(event, t_s, BLIND)

    def said_over(self, event: EventChange, t_s: float, why: str) -> Iterable[Finding]:
        """Take a person's word for the end of a heat that nobody can show the end of."""
        if (event.kind, event.subject) in self._lost and is_blind(event.detail):
            self.seen((event.kind, event.subject))
            yield replace(event, detail=sighted(event.detail)).ended(t_s, why)


def _shown(lost: _Lost, event: EventChange, heard_s: Mapping[str, float]) -> bool:
    """Whether one of those that felt the heat has been heard for long enough without it."""
    lost.heard_s = {
        name: lost.heard_s.get(name, heard_s[name]) for name in event.sensors if name in heard_s
    }
    return any(heard_s[name] - since_s >= HEARD_S for name, since_s in lost.heard_s.items())


def _is_sensors(event: EventChange) -> bool:
    """Whether it is the fault of a temperature sensor; others say themselves how they are."""
    return event.kind is Kind.SENSOR_FAULT and "fault" in event.detail


def _revised(event: EventChange, t_s: float, detail: Detail) -> Finding:
    return Finding(
        event.kind,
        Change.REVISED,
        t_s,
        event.onset_s,
        event.sensors,
        {**event.detail, **detail},
        subject=event.subject,
        priority=event.priority,
    )
