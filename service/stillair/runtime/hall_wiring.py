"""A hall put together, as `wiring` puts a service of chambers together."""

from __future__ import annotations

import random
import secrets
from collections.abc import Callable
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from stillair.alerts.courier import Courier
from stillair.alerts.push import SCHEME
from stillair.clock import SystemClock
from stillair.config.hall_file import HallSettings
from stillair.hall.hearing import Hearing
from stillair.hall.known import FILE_NAME, KnownChambers
from stillair.hall.mirror import Mirror
from stillair.hall.taking import Taking
from stillair.hall.telling import Telling
from stillair.runtime import backup
from stillair.runtime.alarm_tests import AlarmTests
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.company import heartbeat_of
from stillair.runtime.hall_copy import PagesCopy
from stillair.runtime.hall_known import HallKnown
from stillair.runtime.hall_orders import Orders
from stillair.runtime.hall_service import HallService
from stillair.runtime.hall_telling import HallTelling
from stillair.runtime.hall_tested import HallTested
from stillair.runtime.labels import Labels
from stillair.runtime.plans import person_of
from stillair.runtime.pushing import people, push_route
from stillair.runtime.reaching import broker_settings, routes_of, trials
from stillair.runtime.redacting import Places
from stillair.runtime.schedule import Housekeeping
from stillair.runtime.tested import mark_with
from stillair.runtime.ways_tried import WaysTried
from stillair.runtime.wiring import EMERGENCY
from stillair.storage.archive import Archive
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.hall_history import history_of
from stillair.storage.hall_store import HallStore
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.retention import Retention, RetentionPlan
from stillair.storage.writer import JournalWriter


def build(
    settings: HallSettings,
    folder: Path,
    *,
    boot_id: str,
    has_owner: Callable[[], bool],
) -> HallService:
    """Everything of one hall, ready to start."""
    clock = SystemClock()
    labels = Labels(clock, boot_id)
    journal = Journal(folder / JOURNAL, wall=clock.wall)
    failing: set[str] = set()
    broker = broker_settings(settings.mqtt)
    mirror = Mirror(begun=round(clock.wall().timestamp() * 1e6))
    telling = Telling(
        hall=settings.name,
        people=tuple(person_of(each, settings.timezone) for each in settings.people),
        failing=lambda: frozenset(failing),
    )
    service = HallService(
        name=settings.name,
        keep_days=settings.store.keep_days,
        broker=broker.where,
        mirror=mirror,
        telling=HallTelling(
            settings.name,
            telling,
            mirror,
            ZoneInfo(settings.timezone) if settings.timezone else None,
        ),
        journal=journal,
        history=history_of(
            settings.store.whole_pages_address, is_copy=settings.store.pages_address is not None
        ),
        has_owner=has_owner,
        people_with_telephones=people([settings]),
        clock=clock,
        labels=labels,
    )
    if settings.store.pages_address is not None:
        service.copy = PagesCopy(settings.store.whole_pages_address, clock)
    known = KnownChambers(folder / FILE_NAME, clock.wall)
    service.known = HallKnown(known, mirror, service.lock, clock)
    service.kept = History(folder / JOURNAL, folder / ARCHIVE)
    service.writer = JournalWriter(
        journal,
        EmergencyJournal(folder / EMERGENCY),
        on_entries=lambda _: service.courier.wake(),
        on_trouble=lambda is_failing: service.troubles.journal(is_failing, service.writer.reason),
        on_lost=service.unwritable,
    )
    # The archive has no readings here; housekeeping and backup are those of every service.
    service.housekeeping = Housekeeping(
        Retention(journal, Archive(folder / ARCHIVE, wall=clock.wall), RetentionPlan()),
        clock.wall,
        lambda at: backup.make(folder, None, at),
        lambda: backup.make_room(folder, clock.wall()),
        service.troubles.backup,
    )
    service.push = push_route([settings], folder, clock)
    service.places = Places([])
    service.tested = HallTested(
        settings,
        dangers=service.dangers,
        keep=partial(service.keep, settings.key),
        clock=clock,
        labels=labels,
    )
    service.alarm_tests = AlarmTests(
        folder,
        chambers=lambda: [service.tested],
        tries=service.kept,
        keep=service.keep,
        withdraw=journal.withdraw,
        forget=lambda keys: service.courier.withdraw(keys),
        mark=mark_with(service.push.telephones),
        wall=clock.wall,
    )
    service.housekeeping.each_minute("alarm tests", service.alarm_tests.look, second=11)
    service.housekeeping.each_minute("known chambers", service.known.keep, second=31)

    service.ways = WaysTried(trials([settings]), service.troubles.route)
    service.housekeeping.each_minute("ways to people", service.ways.begin, second=37, at_once=True)

    def route_trouble(address: str, is_failing: bool, reason: str) -> None:
        (failing.add if is_failing else failing.discard)(address)
        service.troubles.route(address, is_failing, reason)

    service.courier = Courier(
        journal,
        {
            **routes_of([settings], picture=lambda _: None, wall=clock.wall),
            SCHEME: service.push,
        },
        clock=clock,
        chance=random.Random().random,
        on_trouble=route_trouble,
        link_for=service.link_for,
    )
    service.hearing = Hearing(
        broker,
        prefix=settings.topic,
        mark=lambda: service.taking.mark,
        on_message=service.heard,
        on_connected=service.connected,
        lacking=service.lacking,
        clock=clock,
        chance=random.Random().random,
    )
    secret = settings.answers.secret if settings.answers is not None else None
    service.orders = Orders(
        secret.get_secret_value() if secret is not None else None,
        service.hearing.order,
        make_id=partial(secrets.token_hex, 12),
        clock=clock,
    )
    service.beat = heartbeat_of(
        settings,
        clock,
        watching=service.on_time,
        whole=service.is_whole,
        on_trouble=service.troubles.route,
    )
    address = settings.store.whole_address
    service.taking = Taking(
        broker,
        lambda: HallStore.open(address),
        prefix=settings.topic,
        clock=clock,
        on_takes=service.took,
        keep_days=settings.store.keep_days,
    )
    return service
