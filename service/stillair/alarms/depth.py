"""How deep an event went: its figures, as sentences for people."""

from __future__ import annotations

from stillair.alarms import figures, seen
from stillair.model import EventChange, Kind, SignalClass

# What is told of a moment, and lasts no time.
INSTANTS = frozenset({Kind.SOAK_READY, Kind.COOL_ENOUGH, Kind.WATCH_GAP})
# Of what the figure of such a moment is.
_AT_THAT_MOMENT = {
    Kind.SOAK_READY: "the air's mean was",
    Kind.COOL_ENOUGH: "the warmest sensor was at",
}
# Whose figure is the furthest that it has been from where it should be.
_FURTHEST = {
    Kind.BELOW_TARGET: "lowest mean of the air",
    Kind.TOO_WARM: "highest mean of the air",
    Kind.OVER_TEMPERATURE: "highest",
}


def depth(change: EventChange, *, over: bool) -> str:
    """The figures of an event that say how deep it went, as sentences; `over`: how deep it was."""
    has = "" if over else "has "
    is_ = "was" if over else "is"
    said: list[str] = []
    drop_k = seen.figure(change, "drop_k")
    if drop_k is not None and drop_k > 0:
        # Doors and drafts reach one sensor more than another; lost heat is told of them all.
        fell = " on average" if change.kind is Kind.HEAT_LOST else " where it fell most"
        said.append(f"The air {has}{'fell' if over else 'fallen'} {figures.degrees(drop_k)}{fell}")
    rise_k = seen.figure(change, "rise_k")
    if rise_k is not None and rise_k > 0:
        told = f"The air {has}{'rose' if over else 'risen'} {figures.degrees(rise_k)}"
        window_s = seen.figure(change, "window_s")
        said.append(f"{told} in {figures.duration(window_s)}" if window_s else told)
    temperature_c = seen.figure(change, "temperature_c")
    limit_c = seen.figure(change, "limit_c")
    target_c = seen.figure(change, "target_c")
    ceiling_c = seen.figure(change, "ceiling_c")
    if temperature_c is not None:
        # Of a danger the advice stands before it: "it" would be anything.
        danger = change.signal_class is SignalClass.ALARM
        where = f"{'The temperature' if danger else 'It'} {is_}"
        # What was kept before the furthest was told may lie on the other side.
        beyond = (
            (target_c is not None and temperature_c < target_c)
            or (ceiling_c is not None and temperature_c > ceiling_c)
            or (limit_c is not None and temperature_c > limit_c)
        )
        if change.detail.get("blind"):
            where = "When last measured the temperature was"
        elif change.kind in _FURTHEST and beyond:
            where = f"The {_FURTHEST[change.kind]} {is_ if over else 'so far is'}"
        elif change.kind in INSTANTS:
            where = f"At that moment {_AT_THAT_MOMENT.get(change.kind, 'it was')}"
        elif over and limit_c is not None:
            where = "The highest was"
        told = f"{where} {figures.temperature(temperature_c)}"
        if limit_c is not None:
            told += f", the limit is {figures.temperature(limit_c)}"
        elif target_c is not None:
            told += f", the target is {figures.temperature(target_c)}"
        elif ceiling_c is not None:
            told += f", the part likes {figures.temperature(ceiling_c)} at most"
        said.append(told)
    gap_s = seen.figure(change, "gap_s")
    if gap_s is not None and gap_s > 0:
        said.append(f"It lasted {figures.duration(gap_s)}")
    reason = change.detail.get("reason")
    if isinstance(reason, str) and reason.strip():
        told = figures.clause(reason)
        said.append(f"{told[:1].upper()}{told[1:]}")
    return ". ".join(said)
