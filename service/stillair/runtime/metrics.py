"""How the service and its chambers are, as OpenMetrics for who has a metrics server already.

Put together from what is held in memory when somebody asks: no store is asked, and nothing that
watches waits. Names end in their unit; labels are chambers, sensors and switches as their owner
calls them, and closed lists of words, so their number is bounded and no address is among them.
What isn't known has no sample rather than an old one: an alarm rule has to name the age as well.

References
----------
OpenMetrics 1.0 (2022), Prometheus project, Cloud Native Computing Foundation.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from enum import StrEnum

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.metrics_core import InfoMetricFamily, Metric, StateSetMetricFamily
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from stillair import __version__
from stillair.alerts.courier import Courier
from stillair.model import (
    AlarmState,
    Annunciation,
    CameraCondition,
    JobPhase,
    Priority,
    Sounding,
)
from stillair.runtime.chamber import Chamber
from stillair.runtime.how_it_watches import OLD_READING_S
from stillair.runtime.service import Service
from stillair.thermal.plan import SensorView

CONTENT_TYPE = CONTENT_TYPE_LATEST
NEVER = math.inf  # the age of what has not come yet
UNSEEN = frozenset(
    {
        Annunciation.UNACKNOWLEDGED,
        Annunciation.RETURNED_UNACKNOWLEDGED,
        Annunciation.LATCHED_UNACKNOWLEDGED,
    }
)
CHAMBER, SENSOR = ("chamber",), ("chamber", "sensor")
CONTACT_STATES = {False: "normal", True: "off_normal", None: "unknown"}


class Metrics(Collector):
    """Tell of a running service; safe from any thread."""

    def __init__(self, service: Service) -> None:
        self._service = service
        # One of its own: the library's common one tells what any of its users put into it.
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)
        ProcessCollector(registry=self._registry)  # processor time, memory, open files

    def text(self) -> bytes:
        """All of it, of type `CONTENT_TYPE`."""
        text: bytes = generate_latest(self._registry)
        return text

    def collect(self) -> Iterator[Metric]:
        """Every family with its samples; the library asks for them."""
        yield InfoMetricFamily(
            "stillair_build", "The version that runs.", value={"version": __version__}
        )
        yield from _service(self._service)
        chambers = self._service.chambers()
        yield from _watches(chambers)
        yield from _sensors(chambers)
        yield from _alarms(chambers)
        yield from _cameras(chambers)


def _service(of: Service) -> Iterator[Metric]:
    whole = of.is_whole()
    yield StateSetMetricFamily(
        "stillair_health",
        "Whether the watch itself is whole, as GET /api/health tells it.",
        value={"ok": whole, "impaired": not whole},
    )
    yield GaugeMetricFamily(
        "stillair_history_stored",
        "1 while all that has happened is in the journal, else 0.",
        value=of.writer.stored,
    )
    yield GaugeMetricFamily(
        "stillair_journal_waiting",
        "Outcomes of the watch that are not in the journal yet.",
        value=of.writer.waiting,
    )
    lost = CounterMetricFamily(
        "stillair_lost", "What could not be kept since the start.", labels=("store",)
    )
    for store, count in (
        ("journal", of.writer.lost),
        ("readings", of.archive.lost),
        ("pictures", of.pictures.lost),
        ("films", of.clips.lost),
    ):
        lost.add_metric([store], count)
    yield lost
    free = GaugeMetricFamily(
        "stillair_disk_free",
        "Free on the disk of the history, looked at once a minute; none where it doesn't answer.",
        unit="bytes",
    )
    if (board := of.setting_up.board) is not None and not board.disk.error:
        free.add_metric([], board.disk.free_bytes)
    yield free
    yield from messages(of.courier)


def messages(of: Courier) -> Iterator[Metric]:
    """What has become of messages to people, by kind of route."""
    by = ("scheme",)
    waiting = GaugeMetricFamily(
        "stillair_messages_waiting", "Messages to people not sent yet, by kind of route.", labels=by
    )
    sent = CounterMetricFamily(
        "stillair_messages_sent", "Messages that a route has taken since the start.", labels=by
    )
    failed = CounterMetricFamily(
        "stillair_messages_failed", "Messages given up for good since the start.", labels=by
    )
    tries = CounterMetricFamily(
        "stillair_message_tries_failed",
        "Tries that came to nothing since the start; most are tried again.",
        labels=by,
    )
    for scheme, counts in of.tray.counts().items():
        waiting.add_metric([scheme], counts.waiting)
        sent.add_metric([scheme], counts.sent)
        failed.add_metric([scheme], counts.failed)
        tries.add_metric([scheme], counts.failed_tries)
    yield from (waiting, sent, failed, tries)


def _watches(chambers: tuple[Chamber, ...]) -> Iterator[Metric]:
    about = InfoMetricFamily(
        "stillair_chamber", "Where a chamber's readings come from.", labels=CHAMBER
    )
    age = GaugeMetricFamily(
        "stillair_watch_age",
        "Since the watch last came round; more than a few mean that nobody decides.",
        labels=CHAMBER,
        unit="seconds",
    )
    waiting = GaugeMetricFamily(
        "stillair_watch_waiting", "Stimuli that the watch has still to take.", labels=CHAMBER
    )
    job = StateSetMetricFamily("stillair_job_state", "The newest job's state.", labels=CHAMBER)
    sounding = StateSetMetricFamily(
        "stillair_sounding", "What the sounder should be doing.", labels=CHAMBER
    )
    contact = StateSetMetricFamily(
        "stillair_contact_state", "A switch's state.", labels=("chamber", "contact", "kind")
    )
    for of in chambers:
        view = of.supervisor.view
        about.add_metric([of.key], {"readings": of.settings.family.value})
        age.add_metric([of.key], _age_s(of, view.t_s))
        waiting.add_metric([of.key], of.supervisor.waiting)
        job.add_metric([of.key], _one_of(JobPhase, view.job.state if view.job else None))
        sounding.add_metric([of.key], _one_of(Sounding, view.sounding))
        for each in view.contacts:
            states = {word: each.active is is_so for is_so, word in CONTACT_STATES.items()}
            contact.add_metric([of.key, each.contact, each.kind.value], states)
    yield from (about, age, waiting, job, sounding, contact)


def _sensors(chambers: tuple[Chamber, ...]) -> Iterator[Metric]:
    about = InfoMetricFamily("stillair_sensor", "Where a sensor is.", labels=SENSOR)
    temperature = GaugeMetricFamily(
        "stillair_temperature",
        "The latest sound reading; none while its sensor is at fault or silent.",
        labels=SENSOR,
        unit="celsius",
    )
    age = GaugeMetricFamily(
        "stillair_reading_age", "Since the latest sound reading.", labels=SENSOR, unit="seconds"
    )
    taken = CounterMetricFamily(
        "stillair_readings", "Sound readings since the start.", labels=SENSOR
    )
    missing = CounterMetricFamily(
        "stillair_readings_missing", "Readings since the start that gave nothing.", labels=SENSOR
    )
    target = GaugeMetricFamily(
        "stillair_target", "What the chamber is to be heated to.", labels=CHAMBER, unit="celsius"
    )
    limit = GaugeMetricFamily(
        "stillair_limit", "Above this it is too hot.", labels=CHAMBER, unit="celsius"
    )
    for of in chambers:
        settings = of.settings.chamber
        if settings.target_c is not None:
            target.add_metric([of.key], settings.target_c)
        limit.add_metric([of.key], settings.limit_c)
        for sensor in of.supervisor.view.thermal.sensors:
            name = [of.key, sensor.name]
            about.add_metric(name, {"place": sensor.place.value})
            if (value_c := _fresh_c(of, sensor)) is not None:
                temperature.add_metric(name, value_c)
            age.add_metric(name, _age_s(of, sensor.t_s))
            sound, lost = of.tally.counts(sensor.name)
            taken.add_metric(name, sound)
            missing.add_metric(name, lost)
    yield from (about, temperature, age, taken, missing, target, limit)


def _alarms(chambers: tuple[Chamber, ...]) -> Iterator[Metric]:
    by = ("chamber", "priority")
    standing = GaugeMetricFamily(
        "stillair_alarms_standing", "Alarms that stand, or are over and not yet seen.", labels=by
    )
    unseen = GaugeMetricFamily(
        "stillair_alarms_unacknowledged", "Those of them that nobody has seen yet.", labels=by
    )
    for of in chambers:
        alarms = [alarm for alarm in of.supervisor.view.alarms if _stands(alarm)]
        for priority in Priority:
            these = [alarm for alarm in alarms if alarm.priority is priority]
            name = [of.key, priority.value]
            standing.add_metric(name, len(these))
            unseen.add_metric(name, sum(alarm.annunciation in UNSEEN for alarm in these))
    yield from (standing, unseen)


def _cameras(chambers: tuple[Chamber, ...]) -> Iterator[Metric]:
    condition = StateSetMetricFamily(
        "stillair_camera_condition",
        "How the camera's view is; in all but fit, smoke and flame may go unseen.",
        labels=CHAMBER,
    )
    age = GaugeMetricFamily(
        "stillair_picture_age", "Since the latest picture.", labels=CHAMBER, unit="seconds"
    )
    for of in chambers:
        if of.camera is None:
            continue
        state = of.supervisor.view.camera
        condition.add_metric(
            [of.key],
            _one_of(CameraCondition, CameraCondition.LOST if state is None else state.condition),
        )
        age_s = of.camera.age_s()
        age.add_metric([of.key], NEVER if age_s is None else age_s / of.speed)
    yield from (condition, age)


def _stands(alarm: AlarmState) -> bool:
    return alarm.condition or alarm.annunciation is not Annunciation.NORMAL


def _age_s(of: Chamber, t_s: float | None) -> float:
    """Real seconds since an instant of the chamber's time, which may be played faster."""
    return NEVER if t_s is None else max(0.0, of.clock.now_s() - t_s) / of.speed


def _fresh_c(of: Chamber, sensor: SensorView) -> float | None:
    """A temperature that may be taken for the present one."""
    fresh = not sensor.fault and _age_s(of, sensor.t_s) <= OLD_READING_S
    return sensor.temperature_c if fresh else None


def _one_of(words: type[StrEnum], is_now: StrEnum | None) -> dict[str, bool]:
    return {word.value: word is is_now for word in words}
