"""What is known of each chamber's way to people: for pages, for inspect, and for the calendar."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, TypeAlias

from stillair.alarms import figures, testing
from stillair.alarms.reaching import Person
from stillair.alerts.telephones import Telephone, Telephones
from stillair.config import ChamberSettings
from stillair.errors import StoreError
from stillair.model import AlarmTestPhase, JsonValue
from stillair.runtime import pushing
from stillair.runtime.chamber import Chamber
from stillair.runtime.plans import person_of
from stillair.storage.items import Item, alarm_test_item

if TYPE_CHECKING:
    from stillair.config.hall_file import HallSettings
    from stillair.runtime.hall_tested import HallTested

Tested: TypeAlias = "Chamber | HallTested"
Mark: TypeAlias = "Callable[[ChamberSettings | HallSettings], str]"  # of all that a test tries
DUE_SLACK_S = 3600.0  # so that a test at the same hour each time isn't put off by a day


def mark_with(telephones: Telephones) -> Mark:
    """A mark that changes with what is set and with the telephones that have joined."""

    def mark(settings: ChamberSettings | HallSettings) -> str:
        joined = [t.id for name in pushing.people([settings]) for t in _of(telephones, name)]
        if not joined:
            return settings.reach_mark
        words = " ".join([settings.reach_mark, *sorted(joined)])
        return hashlib.sha256(words.encode()).hexdigest()[:12]

    return mark


def _of(telephones: Telephones, person: str) -> tuple[Telephone, ...]:
    try:
        return telephones.of(person)
    except StoreError:
        return ()


def people_of(chamber: Tested) -> tuple[Person, ...]:
    """Who is told of an alarm there."""
    settings = chamber.settings
    return tuple(person_of(each, settings.timezone) for each in settings.people)


def readiness(chamber: Tested, mark: Mark) -> testing.Readiness:
    """Whether a chamber's alarms would reach people, as its last test has shown."""
    settings = chamber.settings
    # A board's may stand in the hall's file.
    if isinstance(settings, ChamberSettings) and settings.hall is not None and not settings.people:
        hall = chamber.company.hall if chamber.company else None
        heard = hall is not None and hall.is_connected
        return testing.Readiness(heard, testing.BY_HALL if heard else testing.NO_HALL)
    return testing.readiness(
        chamber.supervisor.view.alarm_test,
        now_s=chamber.clock.now_s(),
        setup=mark(settings),
        good_for_days=settings.alarm_test.good_for_days,
        people=bool(settings.people),
    )


def now(chambers: Iterable[Tested], mark: Mark) -> Item:
    """What the pages say of alarm tests: of all, and of each chamber with its newest one."""
    each: list[JsonValue] = []
    ready, text = True, ""
    all_of_them = list(chambers)
    for chamber in all_of_them:
        known = readiness(chamber, mark)
        state = chamber.supervisor.view.alarm_test
        each.append(
            {
                "chamber": chamber.key,
                "ready": known.ready,
                "text": known.text,
                "running": known.running,
                "sounder": chamber.settings.sounder is not None,
                "people": [
                    {
                        "person": person.name,
                        "quiet": person.quiet is not None
                        and person.quiet.holds(chamber.labels.timeline().at(chamber.clock.now_s())),
                        "routes": [testing.spoken(r) for r in dict.fromkeys(person.routes)],
                    }
                    for person in people_of(chamber)
                ],
                "test": alarm_test_item(state, chamber.key, chamber.labels.timeline())
                if state
                else None,
            }
        )
        if not text or (ready and not known.ready):
            several = len(all_of_them) > 1
            text = (
                f"{chamber.settings.name}: {figures.lower(known.text)}" if several else known.text
            )
        ready = ready and known.ready
    return {"ready": ready, "text": text, "chambers": each}


def is_due(chamber: Tested, now_s: float) -> bool:
    """Whether the last alarm test is as long ago as is set, or came to no end."""
    state = chamber.supervisor.view.alarm_test
    if state is None or state.phase is not AlarmTestPhase.DONE:
        return True
    every_s = chamber.settings.alarm_test.every_days * testing.DAY_S
    return now_s - state.started_s > every_s - DUE_SLACK_S
