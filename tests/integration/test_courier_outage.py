"""A mail server that is ill for ten minutes, and what waited meanwhile; a route that is dead.

The times of the courier's plan are a hundredth of what they are in the service, so
ten minutes take six seconds.
"""

from __future__ import annotations

import asyncio
import socket
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from kept_things import BOOT, CHAMBER, notice
from running import wait_until
from servers import TOLD_BY_MAIL, MailServer
from stillair.alerts.courier import Courier, CourierPlan
from stillair.alerts.mail import MailRoute, MailSettings
from stillair.clock import SystemClock
from stillair.config import load_chambers
from stillair.model import Kind, Notice, Outcome, Priority, SignalClass
from stillair.runtime import wiring
from stillair.runtime.service import Service
from stillair.storage.journal import Journal

FASTER = 100.0
ILL_S = 600.0 / FASTER
ENOUGH_S = 30.0
PLAN = CourierPlan(
    first_pause_s=5.0 / FASTER,
    longest_pause_s=600.0 / FASTER,
    pressing_pause_s=30.0 / FASTER,
    every_s=10.0 / FASTER,
    idle_s=5.0 / FASTER,
    try_s=5.0,  # of a computer that does other things as well
)
CAPTAIN, COX = "mailto:captain@example.org", "mailto:cox@example.org"


# What is left of the flood to each address, the most urgent first.
ONCE = ("raised fire", "still fire", "still heat_lost", "still door_open", "still too_warm")


def silent(_: socket.socket) -> None:
    """Says nothing for as long as it is asked."""


def resets(connection: socket.socket) -> None:
    """Breaks off without a farewell."""
    linger = b"\x01\x00\x00\x00\x00\x00\x00\x00"
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
    connection.close()


@contextmanager
def ill_server(port: int, ill: Callable[[socket.socket], None]) -> Iterator[None]:
    """A server on that port whose every conversation goes like that."""
    held: list[socket.socket] = []
    server = socket.create_server(("127.0.0.1", port), backlog=100)

    def serve() -> None:
        while True:
            try:
                connection, _ = server.accept()
            except OSError:
                return
            held.append(connection)
            ill(connection)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield
    finally:
        server.shutdown(socket.SHUT_RDWR)
        server.close()
        thread.join(10.0)
        for connection in held:
            connection.close()


def flood() -> list[Notice]:
    """Four alarms on two addresses, as told again and again within ten minutes."""
    told: list[Notice] = []
    for route in (CAPTAIN, COX):
        for number, kind, priority in (
            (1, Kind.DOOR_OPEN, Priority.MEDIUM),
            (2, Kind.FIRE, Priority.CRITICAL),
            (3, Kind.TOO_WARM, Priority.LOW),
            (4, Kind.HEAT_LOST, Priority.HIGH),
        ):
            for at_s, stage in ((10.0, "raised"), (190.0, "still"), (370.0, "still")):
                made = notice(f"{number}:{stage}:{at_s:g}:{route}", at_s + number)
                alarm = f"{CHAMBER}-{number}"
                title = f"{stage} {kind.value}"
                told.append(
                    replace(
                        made,
                        alarm=alarm,
                        kind=kind,
                        priority=priority,
                        route=route,
                        title=title,
                        stage=stage,
                    )
                )
    return told


@pytest.mark.parametrize("ill", ["slow", "refuses", "resets", "greylists", "away"])
async def test_what_an_ill_server_did_not_take_arrives_once_it_is_well_by_urgency(
    ill: str, tmp_path: Path
) -> None:
    mail = MailServer()
    journal = Journal.open(tmp_path / "journal.db")
    settings = MailSettings(mail.host, mail.port, security="none", timeout_s=1.0)
    clock = SystemClock()
    boot = replace(BOOT, wall_at_zero_s=clock.wall().timestamp() - 400.0)
    courier = Courier(
        journal,
        {"mailto": MailRoute(settings)},
        clock=clock,
        chance=lambda: 0.5,
        on_trouble=lambda *_: None,
        plan=PLAN,
    )

    async def until(condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(ENOUGH_S):
            while not condition():  # noqa: ASYNC110 - conditions of many kinds
                await asyncio.sleep(0.01)

    async def be_ill() -> None:
        task = asyncio.create_task(courier.run())
        tasks.append(task)
        for number, each in enumerate(flood()):
            journal.commit(Outcome(CHAMBER, 400.0 + number, notices=(each,)), boot)
            courier.wake()
        await asyncio.sleep(ILL_S)

    tasks: list[asyncio.Task[None]] = []
    if ill in ("slow", "resets"):
        with ill_server(mail.port, silent if ill == "slow" else resets):
            await be_ill()
        mail.start()
    elif ill == "away":
        await be_ill()
        mail.start()
    else:
        mail.refuse_with = "451 4.3.0 try later" if ill == "greylists" else "421 4.3.2 not now"
        mail.start()
        await be_ill()
        mail.refuse_with = None
    assert mail.messages == []
    well_at = clock.wall()
    await until(lambda: not journal.waiting_notices())
    took = clock.wall() - well_at
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    journal.close()
    mail.stop()
    urgent = {title: at for at, title in enumerate(ONCE)}
    for route in (CAPTAIN, COX):
        mine = [each for each in mail.messages if route[7:] in str(each["To"])]
        titles = [str(each["Subject"]) for each in mine]
        assert sorted(titles) == sorted(ONCE), "each once, in the newest words"
        # Whatever was tried as the server came well goes first, danger beside it; then by urgency.
        assert 0 in [urgent[title] for title in titles[:3]]
        order = [urgent[title] for title in titles[2:] if urgent[title] != 0]
        assert order == sorted(order)
    assert took < timedelta(seconds=10.0)


# --- a dead route is an alarm on the others ------------------------------------------------

CHAMBER_FILE = """
[chamber]
name = "North bench"

[[sensor]]
name = "top"
driver = "simulated"

[[person]]
name = "cox"
routes = ["mailto:cox@example.org", "mailto:cox@home.example"]

[[person]]
name = "boat builder"
routes = ["mailto:builder@example.org"]
"""


class ChoosyServer(MailServer):
    """Refuses the mail of one address for now."""

    def __init__(self) -> None:
        super().__init__()
        self.refused = ""

    async def handle_RCPT(self, server, session, envelope, address, rcpt_options):  # type: ignore[no-untyped-def]  # noqa: N802 - as its base
        self.refuse_with = "451 4.3.0 try later" if address == self.refused else None
        return await super().handle_RCPT(server, session, envelope, address, rcpt_options)


@pytest.mark.parametrize(
    ("dead", "told"),
    [
        pytest.param(
            "cox@home.example",
            {"captain@example.org", "cox@example.org", "builder@example.org"},
            id="one of two of a person",
        ),
        pytest.param(
            "builder@example.org",
            {"captain@example.org", "cox@example.org", "cox@home.example"},
            id="the only one of a person",
        ),
    ],
)
async def test_a_dead_route_is_told_on_all_others_and_so_is_its_recovery(
    dead: str, told: set[str], tmp_path: Path
) -> None:
    mail = ChoosyServer()
    mail.start()
    mail.refused = dead
    path = tmp_path / "north.toml"
    path.write_text(CHAMBER_FILE + TOLD_BY_MAIL.format(host=mail.host, port=mail.port))
    service: Service = wiring.build(
        load_chambers((path,)), tmp_path / "data", boot_id="boot", has_owner=lambda: True
    )
    service.courier._plan = PLAN  # only its times
    service.start()
    courier = asyncio.create_task(service.courier.run())

    def about(words: str) -> set[str]:
        pairs = zip(mail.messages, mail.recipients, strict=False)
        return {to for m, to in pairs if words in str(m["Subject"]).lower()}

    async def until(condition: Callable[[], object]) -> None:
        await asyncio.to_thread(wait_until, condition, within_s=ENOUGH_S)

    try:
        chamber = service.chambers()[0]
        service.troubles.heat(True, "84 degrees")  # after 30 s; its first telling isn't waited for
        begun_s = chamber.clock.now_s()
        made = replace(notice("one"), chamber=chamber.key, route=f"mailto:{dead}", alarm=None)
        outcome = Outcome(chamber.key, begun_s, notices=(replace(made, created_s=begun_s),))
        service.keep(chamber.key, outcome)
        await until(lambda: chamber.supervisor.view.alarms)
        first = chamber.supervisor.view.alarms[0]
        assert (first.kind, first.subject) == (Kind.DELIVERY_FAULT, f"mailto:{dead}")
        assert first.signal_class is SignalClass.TROUBLE
        assert first.priority is Priority.HIGH
        now: Any = service.now()
        page = now["chambers"][0]
        assert page["alarms"][0]["kind"] == "delivery_fault", "the page says it first"
        await until(lambda: about("simulated: north bench:") >= told)
        assert dead not in set(mail.recipients), "nobody is told of a dead route on that route"
        mail.refused = ""
        await until(lambda: about("over:") >= told)
        assert mail.recipients.count(dead) == 1, "what had waited, once"
    finally:
        courier.cancel()
        await asyncio.gather(courier, return_exceptions=True)
        service.stop()
        mail.stop()
    with closing(sqlite3.connect(tmp_path / "data" / "journal.db")) as journal:
        states = {s for (s,) in journal.execute("select state from notice where route != ''")}
    assert states <= {"sent", "superseded"}
