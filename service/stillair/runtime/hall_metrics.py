"""How a hall is, as OpenMetrics: its boards by number and not by name, so that few series do."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.metrics_core import InfoMetricFamily, Metric, StateSetMetricFamily
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector

from stillair import __version__
from stillair.runtime.hall_service import HallService
from stillair.runtime.metrics import messages


class HallMetrics(Collector):
    """Tell of a running hall; safe from any thread."""

    def __init__(self, service: HallService) -> None:
        self._service = service
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)
        ProcessCollector(registry=self._registry)

    def text(self) -> bytes:
        """All of it, of the type that `metrics` names."""
        text: bytes = generate_latest(self._registry)
        return text

    def collect(self) -> Iterator[Metric]:
        """Every family with its samples; the library asks for them."""
        of = self._service
        yield InfoMetricFamily(
            "stillair_build", "The version that runs.", value={"version": __version__}
        )
        whole = of.is_whole()
        yield StateSetMetricFamily(
            "stillair_health",
            "Whether the hall is whole, as GET /api/health tells it.",
            value={"ok": whole, "impaired": not whole},
        )
        hall = of.now()["hall"]
        assert isinstance(hall, dict)
        chambers = GaugeMetricFamily(
            "stillair_hall_chambers", "Chambers of this hall, by how they stand.", labels=("state",)
        )
        counts = hall["counts"]
        assert isinstance(counts, dict)
        for state, number in counts.items():
            chambers.add_metric([state], float(str(number)))
        yield chambers
        yield GaugeMetricFamily(
            "stillair_hall_heard", "1 while the broker is heard, else 0.", value=bool(hall["heard"])
        )
        yield GaugeMetricFamily(
            "stillair_hall_taking",
            "1 while the database takes what boards send, else 0.",
            value=not of.taking.stopped_why,
        )
        took = of.taking.figures
        for name, what, value in (
            ("readings", "Readings that the database has taken since the start.", took.readings),
            ("entries", "Entries that the database has taken since the start.", took.entries),
            ("left", "Messages left to their boards for want of room.", took.left),
        ):
            yield CounterMetricFamily(f"stillair_hall_{name}", what, value=value)
        yield GaugeMetricFamily(
            "stillair_hall_waits",
            "For how long the oldest message that came has not been in the database.",
            value=took.oldest_s,
            unit="seconds",
        )
        yield CounterMetricFamily(
            "stillair_hall_not_understood",
            "Messages of nobody that is known since the start.",
            value=of.mirror.strangers_ever,
        )
        yield CounterMetricFamily(
            "stillair_hall_no_room",
            "Messages for which there was no room since the start.",
            value=of.mirror.refused_ever,
        )
        yield from messages(of.courier)
