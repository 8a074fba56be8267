"""Each chamber's way to a hall, put together from the settings."""

from __future__ import annotations

import random
import secrets
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.alarms.words import FORGED
from stillair.clock import Clock
from stillair.config import ChamberSettings
from stillair.config.hall import HallTable
from stillair.hall.cursors import FILE_NAME, Cursors
from stillair.late import Late
from stillair.model import Acknowledge, Kind, Outcome, Trouble
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.reaching import broker_settings
from stillair.runtime.service import Service
from stillair.storage.archive import Archive
from stillair.storage.items import Item
from stillair.storage.onward import Onward
from stillair.storage.readings import Readings

if TYPE_CHECKING:
    from stillair.hall import messages, orders, publisher, rows
else:  # made before watching begins, and by few boards
    messages, orders = Late("stillair.hall.messages"), Late("stillair.hall.orders")
    publisher, rows = Late("stillair.hall.publisher"), Late("stillair.hall.rows")

HALL = "a hall"  # from where it came, in the record of acts


class Halls:
    """Makes what hands chambers on; all share one small file of cursors.

    `record` puts an act on record: what, with what, by whom and from where.
    """

    def __init__(
        self, folder: Path, archive: Archive, clock: Clock, record: Callable[..., object]
    ) -> None:
        self._record = record
        self._folder = folder
        self._archive = archive
        self._clock = clock
        self._cursors = Cursors(
            folder / FILE_NAME, make_mark=lambda: secrets.token_hex(6), wall=clock.wall
        )

    def publisher(self, settings: ChamberSettings, service: Service) -> publisher.Publisher | None:
        """What hands this chamber on; None where it isn't asked for."""
        of, broker, key = settings.hall, settings.mqtt, settings.key
        if of is None or broker is None:
            return None

        def now() -> tuple[Item, bool]:
            item: Item = service.places.shown(service.now_of(service.watched(key)))
            return item, service.is_whole()

        return publisher.Publisher(
            broker_settings(broker),
            partial(_form, settings, of),
            publisher.Tells(
                now=now,
                mark=lambda: service.watched(key).supervisor.view,
                watching=service.on_time,
            ),
            rows.Rows(
                rows.Ledger(
                    last_seq=lambda: max(service.last_seq, service.erasing.last_seq),
                    cleaned=service.places.shown,
                ),
                Onward(self._folder / JOURNAL, Readings(self._folder / ARCHIVE, self._archive)),
                self._cursors,
                chamber=key,
                sensors=tuple(sensor.name for sensor in settings.sensors),
                every_s=of.every_s,
                clock=self._clock,
            ),
            self._cursors,
            answers=self._answers(of, service, key),
            clock=self._clock,
            chance=random.Random().random,
        )

    def _answers(self, of: HallTable, service: Service, key: str) -> orders.Answers | None:
        """What is done at a hall's word; nothing without a secret that it signs with."""
        if of.answers_secret is None:
            return None

        def acknowledge(alarm: str, by: str) -> Future[Outcome]:
            chamber = service.watched(key)
            command = Acknowledge(t_s=chamber.clock.now_s(), by=by, alarm=alarm)
            return chamber.supervisor.submit(command)

        def forged(active: bool) -> None:
            chamber = service.watched(key)
            now_s = chamber.clock.now_s()
            chamber.supervisor.put(Trouble(Kind.DELIVERY_FAULT, now_s, active, subject=FORGED))

        return orders.Answers(
            secret=of.answers_secret.get_secret_value(),
            acknowledge=acknowledge,
            done=lambda alarm, by: self._record("alarm acknowledged", alarm, by=by, address=HALL),
            forged=forged,
        )


def _form(settings: ChamberSettings, of: HallTable, board: str) -> messages.Form:
    return messages.Form(
        prefix=of.topic,
        board=board,
        chamber=settings.key,
        name=settings.name,
        simulated=settings.simulated,
        place=of.place or "",
    )
