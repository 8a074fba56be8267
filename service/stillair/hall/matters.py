"""What a hall has to tell people of, each as one matter: pure.

Alarms of boards, chambers that are out of reach or not understood, what fails of the hall itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from stillair.alarms import figures
from stillair.alarms.catalogue import CATALOGUE, URGENT, AlarmRule, is_danger
from stillair.alarms.words import WORDS
from stillair.hall.messages import Alarm
from stillair.hall.mirror import UNHEARD_S, Heard, Reach
from stillair.hall.names import in_hall, plain
from stillair.model import Annunciation, Kind, Priority, SignalClass

OUT_OF_REACH_S: Final = 60.0  # a board that restarts is back by then
STUCK_S: Final = 10.0  # a loop that begins comes round by then
STOPPED_S: Final = 300.0  # who stops a board while a job runs has put a new version in by then
ENDED_THERE: Final = "It is over, or was answered at the board"
OF_HALL: Final = "hall "  # how ids begin of what ails the hall itself
OWN: Final = ("reach ", "misread ", OF_HALL)  # and of all that no board tells
_BOARDS_KEEP: Final = (
    "Boards keep everything until it is back; how chambers are is shown and told as before"
)
# Of the hall itself: how a message of it is headed, what is said when it is over, what stands
# before the reason, and what it means and what to do.
_OWN_WORDS: Final = {
    "broker": (
        "The broker can't be reached",
        "The hall's broker is back",
        "The hall's broker can't be reached: ",
        "How the chambers are isn't known here until it is back; each board goes on watching, and "
        "tells whoever it is set to tell by itself. See whether the broker runs and lets the "
        "hall in",
    ),
    "late": (
        "What boards say comes late",
        "What boards say comes in time again",
        "",
        "Alarms come as late here; each board tells whoever it is set to tell by itself. See what "
        "the broker, the network and this computer have to do",
    ),
    "database": (
        "The database can't be used",
        "The hall's database is back",
        "",
        f"{_BOARDS_KEEP}. See whether PostgreSQL runs, has room on its disk and lets the hall in",
    ),
    "other hall": (
        "Another hall takes on this topic",
        "No other hall takes on this topic any more",
        "",
        "Boards can hand on to one alone: stop one of them, or give it a topic of its own",
    ),
    "room": (
        "More boards send than there is room for",
        "There is room again for all that boards send",
        "",
        "Those chambers may be missing here: take some off the page that are no more, or have "
        "some boards say another topic, and another hall take that",
    ),
    "journal": (
        "Messages can't be written down",
        "The hall can write down again what it tells",
        "The hall can't write down what it tells people: ",
        "They are sent all the same, and maybe twice after a restart. See whether the disk of "
        "its data directory is full or read-only",
    ),
}
_NO_RULE: Final = AlarmRule()
_UNSEEN: Final = frozenset(
    {
        Annunciation.UNACKNOWLEDGED.value,
        Annunciation.RETURNED_UNACKNOWLEDGED.value,
        Annunciation.LATCHED_UNACKNOWLEDGED.value,
    }
)


@dataclass(frozen=True, slots=True)
class Matter:
    """One thing of which people are told.

    `title` heads each message of it, `text` says what and what to do; `chamber` and `name` are
    whose it is. `hidden`: it stands, and nobody is to be told just now.
    """

    id: str
    chamber: str
    name: str
    kind: Kind
    priority: Priority
    title: str
    text: str
    active: bool
    seen: bool = False
    hidden: bool = False
    mark: str = ""
    board: str = ""
    place: str = ""  # where that is, in words
    says_over: bool = True
    without: str = ""  # a route by which it can't be told
    waits_s: float = 0.0  # nobody is told before


def alarm_matter(of: Heard, alarm: Alarm | None, name: str) -> Matter:
    """The matter of an alarm of a chamber; without the alarm, that it is over."""
    key = f"{of.chamber}-"
    own = name.removeprefix(key)
    known = (of.board, _line(of.name, 80) or of.key)
    mark = "Simulated" if of.simulated else ""
    if alarm is None:
        return Matter(
            matter_id(of, name), of.key, known[1], Kind.WATCH_GAP, Priority.HIGH,
            f"alarm {own}", ENDED_THERE, active=False, mark=mark, board=known[0],
            place=_line(of.place, 80),
        )  # fmt: skip
    kind, priority = _kind(alarm), priority_of(alarm.priority)
    if is_danger(kind) and priority not in URGENT:
        priority = Priority.HIGH  # whatever the board calls it, danger waits for nobody
    text = _line(alarm.text, 1000)
    title = WORDS[kind].title if kind.value == alarm.kind else text.partition(". ")[0][:80]
    return Matter(
        id=matter_id(of, name),
        chamber=of.key,
        name=known[1],
        kind=kind,
        priority=priority,
        title=title or "An alarm",
        text=text or "The board says no more of it.",
        active=alarm.condition,
        seen=alarm.annunciation not in _UNSEEN,
        # What follows from another is told with that.
        hidden=(alarm.suppression != "none" or alarm.cause_alarm is not None)
        and not is_danger(kind),
        mark=mark,
        board=known[0],
        place=_line(of.place, 80),
        says_over=rule_of(kind).says_over,
    )


def matter_id(of: Heard, alarm: str) -> str:
    """How an alarm of a board is called in a hall."""
    return in_hall(of.board, alarm)


def reach_id(of: Heard) -> str:
    """What a chamber's being out of reach is called."""
    return f"reach {of.key}"


def misread_id(of: Heard) -> str:
    """What its board's sending what nobody understands is called."""
    return f"misread {of.key}"


def hall_id(subject: str) -> str:
    """What something of the hall's own that fails is called."""
    return f"{OF_HALL}{subject}"


def reach_matter(of: Heard, now_s: float, stopped: str = "") -> Matter:
    """The matter of a chamber's being out of reach; `stopped` says when, of one that was."""
    why = (
        {
            Reach.SILENT: "Its board broke off its connection",
            Reach.UNHEARD: f"Its board has said nothing for {UNHEARD_S:g} s",
            Reach.STUCK: "A part of the watch on its board no longer comes round",
            Reach.ENDED: f"Its board was stopped{stopped}, and {of.stopped_while}",
        }[of.reach]
        if of.is_out_of_reach
        else "Its board is heard again"
    )
    if of.reach is Reach.UNHEARD and of.is_expected:
        why = "Its board has not been heard since this hall was started"
    elif of.reach is Reach.UNHEARD and not of.is_live:
        why = "Its board has not been heard since the broker was last reached"
    active = of.is_out_of_reach and now_s - of.reach_s >= _waits_s(of)
    danger = of.is_feared or any(h.alarm.signal_class == "alarm" for h in of.alarms.values())
    todo = (
        "An alarm of danger stood there when it was last heard: go and look, or call for help"
        if danger
        else "What happens there isn't known here: see whether board, power and network are well"
    )
    return Matter(
        id=reach_id(of),
        chamber=of.key,
        name=_line(of.name, 80) or of.key,
        kind=Kind.WATCH_GAP,
        priority=Priority.HIGH,
        title="Stopped in the middle" if of.reach is Reach.ENDED else "Out of reach",
        text=figures.joined(why, todo) if of.is_out_of_reach else f"{why}.",
        active=active,
        mark="Simulated" if of.simulated else "",
        board=of.board,
        place=_line(of.place, 80),
    )


def _waits_s(of: Heard) -> float:
    """How long it has to be so before people are told."""
    if of.reach is Reach.UNHEARD and not of.is_expected:
        return 0.0  # it said nothing for a minute
    waits = {Reach.STUCK: STUCK_S, Reach.ENDED: STOPPED_S}
    return waits.get(of.reach, OUT_OF_REACH_S)


def misread_matter(of: Heard) -> Matter:
    """The matter of a board's sending what nobody understands."""
    return Matter(
        id=misread_id(of),
        chamber=of.key,
        name=_line(of.name, 80) or of.key,
        kind=Kind.STORE_FAULT,
        priority=Priority.HIGH if of.misread_why.startswith("alarms") else Priority.MEDIUM,
        title="Not understood",
        text=figures.joined(
            f"Its board sends what the hall doesn't understand ({_line(of.misread_why, 120)})",
            "What the hall shows of it may not be all: see whether both have the same version",
        )
        if of.misread
        else "What its board sends is understood again.",
        active=of.misread > 0,
        mark="Simulated" if of.simulated else "",
        board=of.board,
        place=_line(of.place, 80),
    )


def hall_matter(hall: str, subject: str, kind: Kind, reason: str, *, active: bool) -> Matter:
    """The matter of something of the hall itself that fails, or works again.

    Of what ended the reason is what else there is to say, if anything.
    """
    title = f"{subject[:1].upper()}{subject[1:]} fails"
    if subject in _OWN_WORDS:
        title = _OWN_WORDS[subject][0]
    return Matter(
        id=hall_id(subject),
        chamber="hall",
        name=hall,
        kind=kind,
        priority=Priority.HIGH,
        title=title,
        text=own_words(subject, reason, active=active),
        active=active,
        without=subject if kind is Kind.DELIVERY_FAULT else "",
    )


def own_words(subject: str, reason: str, *, active: bool) -> str:
    """What of the hall itself fails, what that means and what to do; or that it is over."""
    why = figures.clause(reason, longest=300)
    if subject not in _OWN_WORDS:
        return figures.joined(why or "it fails")
    _, back, start, todo = _OWN_WORDS[subject]
    if not active:
        return figures.joined(back)
    said = f"{start}{why}" if why else _OWN_WORDS[subject][0]
    return figures.joined(f"{said[:1].upper()}{said[1:]}", todo)


def rule_of(kind: Kind) -> AlarmRule:
    """What is done about a kind."""
    return CATALOGUE.get(kind, _NO_RULE)


def _kind(alarm: Alarm) -> Kind:
    """The kind that a board names, or what it is told like: danger like fire, all else like a gap.

    A newer board may tell of what this version doesn't know, and by the class of an alarm all
    versions know danger.
    """
    danger = alarm.signal_class == SignalClass.ALARM.value
    try:
        kind = Kind(alarm.kind)
    except ValueError:
        return Kind.FIRE if danger else Kind.WATCH_GAP
    return Kind.FIRE if danger and not is_danger(kind) else kind


def priority_of(word: str) -> Priority:
    """The priority that a board names; one that isn't known here is high."""
    try:
        return Priority(word)
    except ValueError:
        return Priority.HIGH


def _line(text: str, longest: int) -> str:
    """On one line, without what can't be seen."""
    return " ".join(plain(text[: 2 * longest]).split())[:longest]
