"""The words for what ails the stop of the machine."""

from __future__ import annotations

from stillair.alarms.words import WORDS, Words
from stillair.model import ByHand, Kind

STOP_OF = "stop of "  # how the subject of a fault of its output begins; the chamber follows
# What stops the machine; what ails it is in the event's reason.
_STOP = Words(
    "Stop of the machine fails",
    "The {who} doesn't work: in a fire the machine may go on running",
    "The {who} didn't work",
    "In a fire switch it off yourself, away from the box. See whether output, wires and address "
    "are right; an alarm test then tries it again.",
    far=True,
)
SUPPLY_STAYS = "supply after the stop"  # the subject of such a fault
_SUPPLY_STAYS = Words(
    "The machine still has supply",
    "The machine was stopped and still has supply",
    "The machine was stopped and still had supply",
    "Switch it off at the distribution board: the contacts may have welded.",
    "Have the relay or contactor replaced before you switch the machine on again.",
    far=True,
)


def added(*, countdown_s: float, is_stopped: bool) -> str:
    """What a message of the danger says of the machine."""
    if is_stopped:
        return "The machine was switched off."
    return (
        f"The machine is switched off {countdown_s:.0f} s after this was found, unless somebody"
        " says no on the page."
    )


def to_programs(chamber: str, cause: Kind | ByHand, by: str) -> tuple[str, str]:
    """Title and text of what a program gets that stops the machine; `by` is who said so."""
    who = by or "somebody who has not signed in"
    match cause:
        case ByHand.PERSON:
            why = f"{who} stopped it by hand"
        case ByHand.TRIAL:
            why = f"{who} tries whether it stops"
        case _:
            why = WORDS[cause].title.lower()
    return f"{chamber}: stop the machine", f"{chamber}: stop the machine. Why: {why}."


def stop_words(subject: str) -> Words | None:
    """The words of what ails the stop of the machine; None where the subject is another."""
    if subject == SUPPLY_STAYS:
        return _SUPPLY_STAYS
    return _STOP if subject.startswith(STOP_OF) else None
