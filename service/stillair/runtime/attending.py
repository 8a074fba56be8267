"""Who is near a box that can burn, as pages and lists show it."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from stillair.access.roles import THIS_COMPUTER
from stillair.alarms.attendance import Step
from stillair.alarms.figures import row
from stillair.config import ChamberSettings
from stillair.config.attendance import AttendanceTable
from stillair.model import ContactKind, JsonValue, Timeline
from stillair.runtime import network
from stillair.runtime.chamber import Chamber
from stillair.runtime.found import Found, State
from stillair.storage.items import Item, label
from stillair.watch import AttendanceView

NOBODY_ASKED = "Nobody is asked to be near, as it is set, though the box can burn."
PLAYED_FAST = "Time is played fast, so nobody is asked to be near, though the box could burn."


def attendance_item(view: AttendanceView | None, timeline: Timeline) -> Item | None:
    """How it stands, for the first page; None where the box can't burn."""
    if view is None:
        return None
    state = view.state

    def at(t_s: float | None) -> str | None:
        return None if t_s is None else label(timeline.epoch_s(t_s))

    unattended: JsonValue = None
    if state.job is not None:
        unattended = {
            "job": state.job,
            "by": state.by,
            "reason": state.reason,
            "since_at": at(state.changed_s),
        }
    overdue = view.step is not Step.NONE
    return {
        "asks": view.asks,
        "needed": state.since_s is not None,
        "person": state.person,
        "confirmed_at": at(state.confirmed_s),
        "due_at": at(view.due_s),
        "stage": int(view.step),
        "overdue_since_at": at(view.due_s) if overdue else None,
        "left_at": at(state.left_s),
        "to": state.to,
        "people": list[JsonValue](view.people),
        "can_leave": view.due_s is not None and state.left_s is None,
        "unattended": unattended,
    }


def due_at(chamber: Chamber) -> str | None:
    """By when somebody has to show that they are near; None where nobody is asked."""
    view = chamber.supervisor.view.attendance
    due_s = None if view is None else view.due_s
    return None if due_s is None else label(chamber.labels.timeline().epoch_s(due_s))


def unattended_lines(settings: ChamberSettings, view: AttendanceView | None) -> Iterator[str]:
    """What stands in the list of what nobody looks after."""
    if view is None:
        return
    if not view.asks:
        fast = settings.attendance is None and settings.speed != 1.0
        yield PLAYED_FAST if fast else NOBODY_ASKED
    elif view.state.job is not None:
        yield f"This job runs with nobody near, as {view.state.by} wants it: {view.state.reason}."


def found_of(
    settings: ChamberSettings, view: AttendanceView | None = None, prefix: str = ""
) -> Iterator[Found]:
    """How asking for somebody near is set up, and whether it rests just now."""
    if not settings.combustible:
        return
    thing = f"{prefix}somebody near"
    if view is not None and view.state.job is not None:
        told = f"a job runs unattended, as {view.state.by} wants it: {view.state.reason}"
        yield Found(thing, State.NONE, told, "go there and tap, or stop the job")
    elif settings.asks_for_presence:
        kinds = {contact.kind for contact in settings.contacts}
        ways = [
            "the page",
            *(["the door"] if ContactKind.DOOR in kinds else []),
            *(["a button"] if ContactKind.PRESENCE in kinds else []),
        ]
        every_min = (settings.attendance or AttendanceTable()).every_min
        told = f"asked for every {every_min:g} min while it is hot, shown by {row(ways)}"
        yield Found(thing, State.FIT, told)
    elif settings.attendance is None:
        yield Found(thing, State.NONE, "nobody is asked: time is played fast")
    else:
        told = "nobody is asked, though the box can burn"
        yield Found(thing, State.NONE, told, "set ask = true in [attendance]")


def name_of(settings: ChamberSettings, account: str) -> str:
    """How somebody who has signed in is called among the chamber's people; "" for nobody."""
    if account == THIS_COMPUTER:
        return ""
    known = {(p.account or p.name).casefold(): p.name for p in settings.people}
    return known.get(account.casefold(), account)


def is_near(settings: ChamberSettings, address: str) -> bool:
    """Whether an address lies in one of the board's own networks, or in one that is set."""
    table = settings.attendance
    extra = [ipaddress.ip_network(near) for near in table.near] if table is not None else []
    return network.is_within(address, (*network.own_networks(), *extra))
