"""What is said to people about an event, in plain words with figures and units.

The words stand in `words`; everything here puts a row, an event's figures and
its times together: the line on the page, the story afterwards, the message.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from stillair.alarms import figures, seen
from stillair.alarms.depth import INSTANTS, depth
from stillair.alarms.figures import joined, lower
from stillair.alarms.stop_words import stop_words
from stillair.alarms.words import (
    APART,
    APART_FAULTS,
    BOARD,
    BROKEN,
    CERTIFICATE,
    CERTIFICATE_WORDS,
    FORGED,
    FORGED_WORDS,
    FROM_AFAR,
    HOT_PLACES,
    MACHINE,
    MACHINE_WORDS,
    NEIGHBOUR,
    PAGE,
    PAGE_WORDS,
    PUSHED,
    RULES,
    SILENT,
    SMOKE_IN_AIR,
    SOUNDER,
    THAT_WAITS,
    WORDS,
    Words,
)
from stillair.model import BURNING, AlarmState, Change, EventChange, Kind, SignalClass


class Stage(StrEnum):
    """Which part of an alarm's story a message tells."""

    RAISED = "raised"
    CHANGED = "changed"  # another kind, or more urgent than it was
    STILL = "still"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class Message:
    """The two parts of a message: a short title and the full text."""

    title: str
    text: str


def line(change: EventChange, *, burning: bool = False) -> str:
    """The alarm's text on the page, without times: what, how deep, what to do.

    Of a danger what to do comes before any figure. `burning`: smoke or fire is told of the
    chamber, so nobody is sent to the box.
    """
    over = change.change is Change.CLEARED
    return _told(change, _what(change, over=over), over=over, burning=burning)


def advised(text: str, change: EventChange, *, burning: bool) -> str:
    """`text` of an alarm whose figures aren't known any more, with the advice that fits now."""
    over = change.change is Change.CLEARED
    for place in ("", *HOT_PLACES):  # of heat it isn't known where
        placed = replace(change, detail={**change.detail, "place": place})
        old = _todo(placed, over=over, burning=not burning)
        if old and old in text:
            return text.replace(old, _todo(placed, over=over, burning=burning))
    return text


def story(change: EventChange, *, t_s: float) -> str:
    """One line about an event.

    "Door open for 1 min 30 s at 19 mm. The air fell 6.1 degrees where it fell most."

    `t_s` is now; a story that goes on ends with "so far".
    """
    over = change.change is Change.CLEARED
    words = _words(change)
    lasted_s = (change.end_s if change.end_s is not None else t_s) - seen.began_s(change)
    who = _who(change)
    head = f"{words.title} ({who})" if who and "{" in words.now else words.title
    if not _is_instant(change):
        lasting = "a moment" if lasted_s < 1.0 else figures.duration(lasted_s)
        head += f" for {lasting}" + ("" if over else " so far")
    if change.height_mm is not None:
        head += f" at {figures.height(change.height_mm)}"
    shown = seen.evidence(change.detail, several=change.kind is Kind.FIRE, over=over)
    unheard = seen.missing(change.detail)
    return joined(head, depth(change, over=over), shown, unheard, _doubt(change))


def message(
    stage: Stage,
    change: EventChange,
    *,
    t_s: float,
    chamber_name: str,
    mark: str,
    burning: bool = False,
    closing: str = "",
) -> Message:
    """What goes out on a route about `change` at the time `t_s`.

    `mark` is what the readings are if they aren't a real chamber's
    ("Simulated", "Recorded"), else empty; `burning` as for `line`; `closing` stands last.
    """
    words = _words(change)
    over = stage is Stage.OVER
    head = {
        Stage.RAISED: words.title,
        Stage.CHANGED: f"Now: {lower(words.title)}",
        Stage.STILL: f"Still: {lower(words.title)}",
        Stage.OVER: f"Over: {lower(words.title)}",
    }[stage]
    what = _what(change, over=over)
    if stage is Stage.STILL:
        is_, still = (" is ", " is still ") if " is " in what else (what, f"Still: {lower(what)}")
        what = what.replace(is_, still, 1)
    end_s = change.end_s if over and change.end_s is not None else t_s
    lasted = f" for {figures.duration(end_s - seen.began_s(change))}"
    where = "" if change.height_mm is None else f", the part at {figures.height(change.height_mm)}"
    length = ""
    if _is_danger(change):
        since = figures.duration(end_s - seen.began_s(change))
        length = f"It lasted {since}{where}" if over else f"It began {since} ago{where}"
    elif _is_instant(change):
        what += where
    else:
        begins = not over and round(end_s - seen.began_s(change)) < 1  # no "for 0 s"
        what += (lasted if over else "" if begins else f",{lasted} now") + where
    ended = seen.ending(change) if over else ""
    told = _told(change, what, over=over, burning=burning, length=length, ended=ended)
    start = f"{mark}: " if mark else ""
    return Message(
        title=f"{start}{figures.clause(chamber_name)}: {head}",
        text=f"{start}{joined(told, closing)}\n\nChamber: {figures.clause(chamber_name)}\n",
    )


def title_of(of: EventChange | AlarmState) -> str:
    """What heads a message about it."""
    return _words(of).title


def _told(
    change: EventChange, what: str, *, over: bool, burning: bool, length: str = "", ended: str = ""
) -> str:
    """All sentences on an event; `length` is for how long it has been so, `ended` how it ended."""
    shown = seen.evidence(change.detail, several=change.kind is Kind.FIRE, over=over)
    known = joined(length, depth(change, over=over), shown, _doubt(change))
    todo = _todo(change, over=over, burning=burning)
    # On a telephone the first words are read: of a danger, what to do comes before any figure.
    order = (ended, todo, known) if _is_danger(change) else (known, ended, todo)
    return joined(what, *order, seen.missing(change.detail))


def _is_danger(change: EventChange) -> bool:
    return change.signal_class is SignalClass.ALARM


def _is_instant(change: EventChange) -> bool:
    return change.kind in INSTANTS and _words(change) not in (BROKEN, SILENT)


def _words(change: EventChange | AlarmState) -> Words:
    is_sounder = change.kind is Kind.DELIVERY_FAULT and change.subject.startswith("sounder")
    if is_sounder:
        return SOUNDER
    if change.kind is Kind.DELIVERY_FAULT and (stop := stop_words(change.subject)):
        return stop
    if change.kind is Kind.DELIVERY_FAULT and change.subject == CERTIFICATE:
        return CERTIFICATE_WORDS
    if change.kind is Kind.DELIVERY_FAULT and change.subject == PAGE:
        return PAGE_WORDS
    if change.kind is Kind.DELIVERY_FAULT and change.subject == MACHINE:
        return MACHINE_WORDS
    if change.kind is Kind.DELIVERY_FAULT and change.subject == FORGED:
        return FORGED_WORDS
    if change.kind is Kind.DELIVERY_FAULT and change.subject.startswith("webpush:"):
        return PUSHED
    if change.kind is Kind.WATCH_GAP and change.subject == RULES:
        return BROKEN
    if change.kind is Kind.WATCH_GAP and change.subject.startswith(NEIGHBOUR):
        return SILENT
    if change.kind is Kind.BOARD_FAULT:
        return BOARD.get(change.subject, WORDS[change.kind])
    if isinstance(change, AlarmState):
        return WORDS[change.kind]
    if change.kind is Kind.SENSOR_FAULT and change.detail.get("fault") in APART_FAULTS:
        return APART
    if change.kind is Kind.SMOKE and change.sensors and "camera" not in change.sensors:
        return SMOKE_IN_AIR
    if change.kind is Kind.CAMERA_FAULT and (view := seen.view_words(change.detail)):
        now, was, todo, stands = view
        title = seen.PAUSED_TITLE if seen.is_paused(change.detail) else WORDS[change.kind].title
        return Words(title, now, was, todo, stands=stands)
    if change.kind is Kind.OVER_TEMPERATURE:
        return HOT_PLACES.get(str(change.detail.get("place")), WORDS[change.kind])
    return WORDS[change.kind]


def _who(change: EventChange) -> str:
    who = figures.clause(change.subject or figures.row(change.sensors), longest=80)
    if change.kind is Kind.SENSOR_FAULT:
        for begins, thing in (("contact ", "switch "), ("particles ", "particle sensor ")):
            if who.startswith(begins):
                return thing + who.removeprefix(begins)
        return f"sensor {who}".strip()
    if change.kind is Kind.DELIVERY_FAULT:
        return who.replace("mailto:", "e-mail to ").replace("webpush:", "push to ") or "one route"
    return who


def _what(change: EventChange, *, over: bool) -> str:
    words = _words(change)
    who = _who(change)
    told = (words.was if over else words.now).replace("{who}", who)
    told = told.replace("{Who}", who[:1].upper() + who[1:])
    return " ".join(told.split())


def _todo(change: EventChange, *, over: bool, burning: bool) -> str:
    words = _words(change)
    todo = words.after if over else words.todo
    sends = bool(todo) and not words.far and change.kind not in BURNING
    if burning and sends:
        todo = FROM_AFAR if _is_danger(change) else THAT_WAITS
    return todo if over or not words.stands else joined(todo, words.stands)


def _doubt(change: EventChange) -> str:
    if change.detail.get("cause") != "uncertain":
        return ""
    try:
        other = WORDS[Kind(str(change.detail.get("or")))].title
    except ValueError:
        return "The cause isn't certain"
    return f"It may also be: {lower(other)}"
