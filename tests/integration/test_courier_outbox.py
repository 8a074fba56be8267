"""From an alarm to a mailbox: desk, journal, courier and a real mail server, through restarts."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from servers import MailServer
from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.desk import AlarmDesk, AlarmResult, Person
from stillair.alerts.courier import Courier, CourierPlan
from stillair.alerts.mail import MailRoute, MailSettings
from stillair.clock import SystemClock
from stillair.model import (
    KIND_CLASS,
    Change,
    EventChange,
    JobPhase,
    Kind,
    Outcome,
    Phase,
    Timeline,
)
from stillair.storage.journal import Journal

QUICK = CourierPlan(first_pause_s=0.05, longest_pause_s=0.05, idle_s=0.05, every_s=0.01)
PEOPLE = (
    Person("bench captain", ("mailto:captain@shed.example",)),
    Person("cox", ("mailto:cox@shed.example",), after_s=0.0),
)


class Shed:
    """One chamber's alarms over a journal in a folder, and a courier that can be killed."""

    def __init__(self, folder: Path, server: MailServer) -> None:
        self.path = folder / "journal.db"
        self.server = server
        self.troubles: list[tuple[str, bool, str]] = []
        self.journal = Journal.open(self.path)
        self.timeline = Timeline("boot", SystemClock().wall().timestamp() - 1000.0)
        self.desk = AlarmDesk(
            chamber="bench", chamber_name="bench", people=PEOPLE, mark="Simulated"
        )

    def keeps(self, t_s: float, result: AlarmResult) -> None:
        outcome = Outcome("bench", t_s, alarms=result.alarms, notices=result.notices)
        self.journal.commit(outcome, self.timeline)

    def begins(self, number: int, kind: Kind, t_s: float) -> None:
        signal_class, priority = KIND_CLASS[kind]
        change = EventChange(
            number, Change.RAISED, t_s, kind, signal_class, priority, t_s, ("top",), {}
        )
        self.keeps(t_s, self.desk.take(change))

    def until(self, start_s: float, end_s: float) -> None:
        for t_s in range(int(start_s), int(end_s)):
            context = AlarmContext(Phase.STEADY, JobPhase.RUNNING)
            self.keeps(t_s, self.desk.tick(t_s, context))

    def restart(self) -> None:
        self.journal.close()
        self.journal = Journal.open(self.path)

    @asynccontextmanager
    async def courier(self) -> AsyncIterator[Courier]:
        settings = MailSettings(
            self.server.host, self.server.port, security="none", sender="stillair@shed.example"
        )
        courier = Courier(
            self.journal,
            {"mailto": MailRoute(settings)},
            clock=SystemClock(),
            chance=lambda: 0.5,
            on_trouble=lambda *told: self.troubles.append(told),
            plan=QUICK,
        )
        task = asyncio.create_task(courier.run())
        try:
            yield courier
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    def states(self) -> list[str]:
        with sqlite3.connect(self.path) as connection:
            rows = connection.execute("select state from notice").fetchall()
        connection.close()
        return [state for (state,) in rows]


@pytest.fixture
def shed(tmp_path: Path, mail_server: MailServer) -> Shed:
    return Shed(tmp_path, mail_server)


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110 - conditions of many kinds
            await asyncio.sleep(0.01)


async def test_a_fire_reaches_everybody(shed: Shed) -> None:
    shed.begins(1, Kind.FIRE, 1000.0)
    async with shed.courier():
        await until(lambda: shed.states() == ["sent", "sent"])
    mails = shed.server.wait_for(2)
    assert sorted(shed.server.recipients) == ["captain@shed.example", "cox@shed.example"]
    for mail in mails:
        assert mail["Subject"] == "Simulated: bench: Fire"
        assert mail["Importance"] == "high"
        assert mail.get_content().startswith("Simulated: There is fire in the box")
    assert len({mail["Message-ID"] for mail in mails}) == 2
    shed.journal.close()


async def test_what_was_refused_arrives_after_a_restart_once(shed: Shed) -> None:
    shed.server.refuse_with = "451 4.3.0 try later"
    shed.begins(1, Kind.FIRE, 1000.0)
    async with shed.courier():
        await until(lambda: shed.server.refusals >= 6 and len(shed.troubles) == 2)
    assert shed.server.messages == []
    assert all(failing and "451" in reason for _, failing, reason in shed.troubles)
    shed.restart()
    shed.server.refuse_with = None
    async with shed.courier():
        await until(lambda: shed.states() == ["sent", "sent"])
        await asyncio.sleep(0.2)
    assert len(shed.server.messages) == 2
    assert [failing for _, failing, _ in shed.troubles] == [True, True, False, False]
    shed.journal.close()


async def test_an_address_that_does_not_exist_fails_for_good(shed: Shed) -> None:
    shed.server.refuse_with = "550 5.1.1 no such box"
    shed.begins(1, Kind.FIRE, 1000.0)
    async with shed.courier():
        await until(lambda: shed.states() == ["failed", "failed"])
        await asyncio.sleep(0.2)
    assert shed.server.refusals == 2
    assert len(shed.troubles) == 2
    shed.journal.close()


async def test_a_server_that_is_away_is_waited_for(tmp_path: Path) -> None:
    server = MailServer()  # not yet there
    shed = Shed(tmp_path, server)
    shed.begins(1, Kind.DOOR_OPEN, 1000.0)
    shed.until(1001, 1200)  # told at 1010 s, and again 180 s later
    assert shed.states() == ["pending"] * 4
    async with shed.courier():
        await until(lambda: len(shed.troubles) == 2)
    assert all("can't be reached" in reason for _, _, reason in shed.troubles)
    shed.restart()
    server.start()
    async with shed.courier():
        await until(lambda: shed.states().count("sent") == 2)
    titles = [mail["Subject"].removeprefix("Simulated: bench: ") for mail in server.messages]
    assert titles == ["Still: door open"] * 2, "the newest word on it to each"
    assert sorted(shed.states()) == ["sent", "sent", "superseded", "superseded"]
    server.stop()
    shed.journal.close()


async def test_each_try_is_kept_with_its_outcome(shed: Shed) -> None:
    shed.server.refuse_with = "451 4.3.0 try later"
    shed.begins(1, Kind.OVER_TEMPERATURE, 1000.0)
    async with shed.courier():
        await until(lambda: shed.server.refusals >= 4)
        shed.server.refuse_with = None
        await until(lambda: shed.states() == ["sent", "sent"])
    with sqlite3.connect(shed.path) as connection:
        rows = connection.execute(
            "select notice, sent, outcome from delivery order by at_us, sent"
        ).fetchall()
    connection.close()
    for key in {key for key, _, _ in rows}:
        tries = [(sent, outcome) for each, sent, outcome in rows if each == key]
        assert tries[-1] == (1, "sent")
        assert len(tries) > 1
        assert all(not sent and "451" in outcome for sent, outcome in tries[:-1])
    shed.journal.close()
