"""Answering an alarm or a test by the link in its message: who may, what is shown and done.

A link shows one alarm, and the picture and last hour of that alarm's chamber; it lets
its person say that they have seen it, or make it quiet for a time. Whoever is named in
no chamber file any more answers nothing with the links that they still have.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime
from typing import Any, Protocol

from stillair.access.answers import Answer, Answers, Purpose, Refused
from stillair.alarms import testing
from stillair.alarms.catalogue import CATALOGUE, is_danger, is_notice
from stillair.alarms.wording import Stage
from stillair.alerts.routes import Due
from stillair.errors import AccessError, StoreError
from stillair.model import AlarmTestState, Kind, Place, RouteTried
from stillair.runtime.chamber import Chamber
from stillair.runtime.found import Found, State
from stillair.storage.items import Item, alarm_item, label
from stillair.watch.rehearsal import KEY

QUIET_MINUTES = 10.0  # what the page offers: to walk there and shut a door
MARK = "key of answers"  # no chamber's key has a space
MOST_QUIET_MINUTES = 60.0  # by a link; for longer somebody signs in


class KnownAlarms(Protocol):
    """Where alarms are kept that stand no more; may raise `StoreError`."""

    def alarm(self, alarm_id: str) -> Item | None: ...


class Marks(Protocol):
    """What is kept beside the alarms themselves; both may raise `StoreError`."""

    def remembered(self, chamber: str) -> str | None: ...

    def remember(self, chamber: str, body: str) -> None: ...


class Answering:
    """Links for messages, and what they open.

    Parameters
    ----------
    answers : Answers
        Makes the links' tokens and knows them again.
    chambers : callable
        The running chambers.
    kept : KnownAlarms
        Alarms that are over.
    wall : callable
        The wall clock, by which links run out.

    `base` is where telephones open the page, as "https://shed.local:8420"; None: nowhere.
    """

    def __init__(
        self,
        answers: Answers,
        *,
        chambers: Callable[[], Iterable[Chamber]],
        kept: KnownAlarms,
        wall: Callable[[], datetime],
    ) -> None:
        self.answers = answers
        self.base: str | None = None
        self._chambers = chambers
        self._kept = kept
        self._wall = wall

    def look(self, marks: Marks) -> None:
        """Take the key as it lies on the disk; where `marks` know of none, a new one.

        So a journal that had to begin anew has a new key: in it alarms are counted anew,
        and a link that was sent before would answer another alarm.
        """
        self.answers.look()
        with suppress(StoreError, AccessError):  # who keeps them tells of it; in a minute again
            known = marks.remembered(MARK)
            if known is None:
                self.answers.renew()
            if known != self.answers.mark:
                marks.remember(MARK, self.answers.mark)

    def link_for(self, due: Due) -> str | None:
        """The address that answers a message; None where none can, or nothing asks for it.

        It holds a secret: for what is sent, and for nowhere else.
        """
        if self.base is None or not due.person:
            return None
        if due.stage == testing.TEST:
            return self.address(Purpose.TEST, due.key.removeprefix(KEY), due.person)
        if due.alarm is None or due.stage == Stage.OVER:
            return None
        return self.address(Purpose.ALARM, due.alarm, due.person)

    def address(self, purpose: Purpose, subject: str, person: str) -> str | None:
        """The address of a page on which `person` answers `subject`; None without a base."""
        if self.base is None:
            return None
        token = self.answers.make(purpose, subject, person, self._wall())
        return f"{self.base}/answer/{token}"

    def found(self) -> Found:
        """Where links lead, for whoever sets the service up."""
        if self.base is None:
            told = (
                "no telephone can open the page, as the service is open to this computer alone;"
                " README.md says under Who may come in how to open it to your network"
            )
            return Found("links in messages", State.NONE, told)
        told = f"they begin with {self.base}; only a telephone shows whether it gets there"
        return Found("links in messages", State.NOT_TRIED, told)

    def asked(self, token: str) -> Answer | Refused:
        """What a link's token allows just now."""
        answer = self.answers.read(token, self._wall())
        if isinstance(answer, Answer):
            told = {p.name for chamber in self._concerned(answer) for p in chamber.settings.people}
            if answer.person not in told:
                return Refused.UNKNOWN
        return answer

    def chamber_of(self, answer: Answer) -> Chamber | None:
        """The chamber that it is about; None of one that isn't here."""
        return next(iter(self._concerned(answer)), None)

    def _concerned(self, answer: Answer) -> Iterable[Chamber]:
        """The chambers of whose people the one who answers has to be."""
        key = answer.subject
        if answer.purpose is Purpose.TEST:  # the message's key: "<chamber>-<test>:<route>"
            key = key.partition(":")[0]
        if answer.purpose is not Purpose.PRESENCE:
            key = key.rpartition("-")[0]
        return [chamber for chamber in self._chambers() if chamber.key == key]

    def tried(self, answer: Answer) -> tuple[AlarmTestState, RouteTried] | None:
        """The alarm test of whose message this link is, and that route; None of an earlier one."""
        chamber = self.chamber_of(answer)
        state = chamber.supervisor.view.alarm_test if chamber is not None else None
        if state is None or answer.purpose is not Purpose.TEST:
            return None
        key = f"{KEY}{answer.subject}"
        route = next((r for r in state.routes if r.key == key and r.person == answer.person), None)
        return None if route is None else (state, route)

    def alarm(self, answer: Answer) -> Item | None:
        """The alarm as it stands this second, stored or not, or as it ended."""
        chamber = self.chamber_of(answer)
        if chamber is None:
            return None
        for alarm in chamber.supervisor.view.alarms:
            if alarm.id == answer.subject:
                return alarm_item(alarm, chamber.labels.timeline())
        return self._kept.alarm(answer.subject)

    def shown(self, answer: Answer) -> dict[str, Any] | None:
        """All that the link's page shows but picture and readings; None of an unknown alarm."""
        chamber, alarm = self.chamber_of(answer), self.alarm(answer)
        if chamber is None or alarm is None:
            return None
        kind = Kind(str(alarm["kind"]))
        hidden = alarm["suppression"] != "none"
        rule = CATALOGUE[kind]
        return {
            "person": answer.person,
            "until_at": label(answer.ends_at.timestamp()),
            "chamber": chamber.key,
            "name": chamber.settings.name,
            "family": chamber.settings.family.value,
            "at": label(chamber.labels.timeline().epoch_s(chamber.clock.now_s())),
            "alarm": alarm,
            "danger": is_danger(kind),
            "can_see": not hidden and str(alarm["annunciation"]).endswith("unacknowledged"),
            "can_quiet": (
                not hidden and bool(alarm["condition"]) and rule.may_hide and not is_notice(kind)
            ),
            "quiet_minutes": QUIET_MINUTES,
            "watched": chamber.camera is not None,
            "temperatures": self._temperatures(chamber, alarm),
        }

    @staticmethod
    def _temperatures(chamber: Chamber, alarm: Item) -> dict[str, float | None]:
        """What each sensor reads this second, as the first page has it; None: nothing."""
        names = _drawn(chamber, alarm)
        return {
            sensor.name: None if sensor.temperature_c is None else round(sensor.temperature_c, 2)
            for sensor in chamber.supervisor.view.thermal.sensors
            if sensor.name in names
        }

    def drawn(self, answer: Answer) -> tuple[str, ...]:
        """Names of the sensors whose last hour belongs to the alarm: the air's and its own.

        In the order of the first page, where each has the same colour.
        """
        chamber, alarm = self.chamber_of(answer), self.alarm(answer)
        if chamber is None or alarm is None:
            return ()
        return _drawn(chamber, alarm)


def _drawn(chamber: Chamber, alarm: Item) -> tuple[str, ...]:
    return tuple(
        sensor.name
        for sensor in chamber.settings.sensors
        if sensor.place is Place.CHAMBER or sensor.name == alarm["subject"]
    )
