"""A hall's chambers as its pages get them: one line each, and all of one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from stillair.hall.matters import matter_id
from stillair.hall.messages import Alarm
from stillair.hall.mirror import Heard, Held, Reach, Standing
from stillair.hall.names import in_hall
from stillair.model import JsonValue
from stillair.storage.items import Item

_TEXT = 400  # characters of a board's sentence that a line shows


def row(of: Heard, live_at: str | None = None) -> Item:
    """One line of the list of all chambers; `live_at` is when its board was last heard here."""
    now, standing = of.now, of.standing
    job: Item | None = None
    if now is not None and now.job is not None:
        job = {
            "id": in_hall(of.board, now.job.id),
            "name": now.job.name[:120],
            "material": now.job.material[:80],
            "state": now.job.state,
            "height_mm": now.job.height_mm,
        }
    return {
        "chamber": of.key,
        "board": of.board,
        "name": of.name or of.key,
        "place": of.place,
        "simulated": of.simulated,
        "standing": standing.value,
        "reach": of.reach.value,
        "awaited": of.is_awaited,
        # A simulated board's time may run fast: beside the hall's own it would mislead.
        "since_at": None if of.simulated else _since(of, standing),
        "last_at": live_at if of.simulated else of.last_at,
        "stopped_at": of.watch_at if of.reach is Reach.ENDED else None,
        "stopped_while": of.stopped_while,
        "sentence": now.sentence[:_TEXT] if now is not None else "",
        "needs": _needs(of),
        "tone": now.tone if now is not None else "",
        "air_c": now.air_c if now is not None else None,
        "job": job,
        "alarms": len(of.alarms) + len(of.lacking),
        "misread": of.misread,
    }


def whole(of: Heard, orders: list[Item], live_at: str | None = None) -> Item:
    """All that is known of one chamber just now."""
    now = of.now
    told: Item = {
        **row(of, live_at),
        "watch": of.watch,
        "misread_why": of.misread_why if of.misread else "",
        "lacking": len(of.lacking),
        "orders": [*orders],
        "alarm_items": [alarm_item(of, held.alarm) for held in urgent_first(of)],
    }
    if now is not None:
        told["now"] = now.model_dump(mode="json", exclude={"v", "board", "chamber", "standing"})
    else:
        told["now"] = None
    return told


def counts(chambers: Iterable[Heard]) -> Item:
    """How many chambers stand how."""
    found = Counter(of.standing for of in chambers)
    return {standing.value: found.get(standing, 0) for standing in Standing}


def awaited(chambers: Iterable[Heard]) -> int:
    """How many are not calm for nothing but that their boards have yet to speak themselves."""
    return sum(of.is_awaited and of.standing is Standing.HEED for of in chambers)


def is_unseen(alarm: Alarm) -> bool:
    """Whether somebody still has to say that they have seen it."""
    return alarm.suppression == "none" and alarm.annunciation.endswith("unacknowledged")


def sounding(chambers: Iterable[Heard]) -> str:
    """What a page ought to let be heard: as at a board, but for tests."""
    attention = False
    for of in chambers:
        attention = attention or of.is_feared
        for held in of.alarms.values():
            alarm = held.alarm
            if not is_unseen(alarm):
                continue
            if alarm.signal_class == "alarm" and alarm.priority == "critical" and alarm.condition:
                return "fire"
            danger = alarm.signal_class == "alarm"
            attention = attention or danger or alarm.priority in ("critical", "high")
    return "attention" if attention else "silent"


def dangers(chambers: Iterable[Heard], *, over: bool) -> tuple[str, ...]:
    """What danger stands that is no test, in words; of simulated chambers last, which say so.

    With `over` also what has ended and nobody has seen.
    """
    found: list[str] = []
    for of in sorted(chambers, key=lambda of: of.simulated):
        name = f"Simulated: {of.name or of.key}" if of.simulated else of.name or of.key
        if of.is_feared:
            found.append(f"{name}: a danger stood there, and its board was not heard since")
        found += [
            f"{name}: {held.alarm.text[:_TEXT]}"
            for held in of.alarms.values()
            if held.alarm.signal_class == "alarm" and (held.alarm.condition or over)
        ]
    return tuple(found)


def alarm_items(chambers: Iterable[Heard]) -> list[Item]:
    """All alarms that stand, as the list of alarms has them."""
    return [alarm_item(of, held.alarm) for of in chambers for held in of.alarms.values()]


def alarm_item(of: Heard, alarm: Alarm) -> Item:
    """One alarm, as the list of alarms has it."""
    told: Item = alarm.model_dump(mode="json", by_alias=True)
    cause = told.get("cause_alarm")
    return {
        **told,
        "seq": None,
        "id": matter_id(of, alarm.id),
        "chamber": of.key,
        "job": None if alarm.job is None else in_hall(of.board, alarm.job),
        "text": alarm.text[:2000],
        "cause_alarm": in_hall(of.board, str(cause)) if cause else None,
    }


def urgent_first(of: Heard) -> list[Held]:
    """Danger, then what is urgent, then all else; of each what nobody has seen comes first."""
    order = ("critical", "high", "medium", "low")
    rank = {word: place for place, word in enumerate(order)}

    def place(held: Held) -> tuple[bool, bool, bool, bool, int, str]:
        alarm = held.alarm
        urgency = rank.get(alarm.priority, 0)
        quiet = alarm.suppression != "none"
        seen = not alarm.annunciation.endswith("unacknowledged")
        danger = alarm.signal_class == "alarm"
        return not danger, quiet, urgency > 1, seen, urgency, alarm.raised_at

    return sorted(of.alarms.values(), key=place)


def _needs(of: Heard) -> str:
    """Why it needs a hand, where the board's own sentence speaks of something else."""
    if of.standing not in (Standing.DANGER, Standing.ALARM):
        return ""
    if of.now is not None and of.now.tone == "danger":
        return ""  # it speaks of nothing else then
    first = next((h.alarm for h in urgent_first(of) if h.alarm.suppression == "none"), None)
    words = "" if first is None else first.text.partition(". ")[0].rstrip(".")[:_TEXT]
    said = of.now.sentence if of.now is not None else ""
    return "" if said.casefold().startswith(words.casefold()) else words


def _since(of: Heard, standing: Standing) -> JsonValue:
    """Since when a chamber is as its line says, as far as that is known."""
    if standing in (Standing.DANGER, Standing.ALARM) and of.alarms:
        danger = standing is Standing.DANGER
        of_class = [
            held.alarm.began_at
            for held in of.alarms.values()
            if not danger or held.alarm.signal_class == "alarm"
        ]
        return min(of_class, default=None)
    if standing is Standing.OUT_OF_REACH:
        return of.last_at
    if standing is Standing.BUILDING and of.now is not None and of.now.job is not None:
        return of.now.job.started_at
    return of.watch_at
