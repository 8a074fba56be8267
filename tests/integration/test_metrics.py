"""What a metrics server is told by a running service, read by a parser of OpenMetrics."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from running import RunningService, wait_until
from web_receivers import WebReceiver, answers, receiving

KEY = "boat-shed"
SECRET = "zqxsecret"
WELL = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]
target_c = 45
limit_c = 80

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[camera]
source = "simulated"

[simulation]
scenario = "quiet_job"
"""
ILL = r"""
[chamber]
name = "Boat shed"
enclosure = ["metal"]

[[sensor]]
name = 'top left \n'
driver = "mqtt"
topic = "shed/{secret}"

[[contact]]
name = 'rear "flap"'
kind = "door"
driver = "mqtt"
topic = "shed/flap"
active = "open"
normal = "shut"

[mqtt]
host = "127.0.0.1"
port = 9

[[person]]
name = "cox"
routes = ["{refusing}", "{taking}"]

[webhook]
secret_file = "signs"
"""

Labels = tuple[tuple[str, str], ...]


def families(service: RunningService) -> dict[str, Metric]:
    """What it tells; the parser refuses what the standard does."""
    answer = service.web.get("/metrics")
    assert answer.status_code == 200, answer.text
    assert (
        answer.headers["content-type"]
        == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    )
    assert answer.text.endswith("# EOF\n")
    return {family.name: family for family in text_string_to_metric_families(answer.text)}


def told(service: RunningService) -> dict[tuple[str, Labels], float]:
    """Each sample's value, by its name and labels."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): float(sample.value)
        for family in families(service).values()
        for sample in family.samples
    }


def of(name: str, **labels: str) -> tuple[str, Labels]:
    return name, tuple(sorted(labels.items()))


def now(found: dict[tuple[str, Labels], float], name: str, **labels: str) -> list[str]:
    """Which states of a stateset are on."""
    return [
        dict(had)[name]
        for (called, had), value in found.items()
        if called == name and value and labels.items() <= dict(had).items()
    ]


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("metrics")
    chamber = folder / "chamber.toml"
    chamber.write_text(WELL)
    with RunningService(folder / "data", "--chamber", str(chamber), "--metrics") as running:
        wait_until(
            lambda: running.get("/api/now")["chambers"][0]["air_c"] is not None, within_s=30.0
        )
        yield running


def test_nobody_is_told_unless_it_is_switched_on(tmp_path: Path) -> None:
    with RunningService(tmp_path / "data") as running:
        assert running.web.get("/metrics").status_code == 404
        assert "/metrics" not in running.get("/api/openapi.json")["paths"]


def test_the_page_for_programs_has_each_name(service: RunningService) -> None:
    page = (Path(__file__).parents[2] / "deploy" / "programs.md").read_text()
    section = page.split("## For a metrics server\n", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| (`stillair.+?) \|", section, re.MULTILINE)
    written = {name for row in rows for name in re.findall(r"stillair_[a-z_]+", row)}
    wait_until(lambda: of("stillair_disk_free_bytes") in told(service), within_s=60.0)
    assert written == {name for name, _ in told(service) if name.startswith("stillair_")}


def test_names_have_their_units(service: RunningService) -> None:
    units = {name: family.unit for name, family in families(service).items() if family.unit}
    assert units == {
        "stillair_temperature_celsius": "celsius",
        "stillair_target_celsius": "celsius",
        "stillair_limit_celsius": "celsius",
        "stillair_watch_age_seconds": "seconds",
        "stillair_reading_age_seconds": "seconds",
        "stillair_picture_age_seconds": "seconds",
        "stillair_disk_free_bytes": "bytes",
    }


def test_it_tells_what_the_page_does(service: RunningService) -> None:
    found, shown = told(service), service.get("/api/now")
    (chamber,) = shown["chambers"]
    for sensor in chamber["sensors"]:
        name = {"chamber": KEY, "sensor": sensor["name"]}
        # The page may have been told a second later.
        wanted_c = pytest.approx(sensor["temperature_c"], abs=1.0)
        assert found[of("stillair_temperature_celsius", **name)] == wanted_c
        assert found[of("stillair_reading_age_seconds", **name)] < 30.0
        assert found[of("stillair_readings_total", **name)] >= 1
        assert found[of("stillair_readings_missing_total", **name)] == 0
        assert found[of("stillair_sensor_info", place=sensor["place"], **name)] == 1
    assert found[of("stillair_build_info", version=shown["version"])] == 1
    assert found[of("stillair_chamber_info", chamber=KEY, readings="simulated")] == 1
    assert found[of("stillair_target_celsius", chamber=KEY)] == 45
    assert found[of("stillair_limit_celsius", chamber=KEY)] == 80
    assert found[of("stillair_watch_age_seconds", chamber=KEY)] < 30.0
    assert now(found, "stillair_contact_state", contact="door") == ["normal"]
    assert now(found, "stillair_sounding") == ["silent"]
    assert len(now(found, "stillair_camera_condition")) == 1
    assert found[of("process_resident_memory_bytes")] > 1e7


def test_a_camera_that_sees_and_the_disk_come_with_time(service: RunningService) -> None:
    wait_until(lambda: now(told(service), "stillair_camera_condition") == ["fit"], within_s=60.0)
    wait_until(lambda: told(service)[of("stillair_disk_free_bytes")] > 0, within_s=60.0)
    assert told(service)[of("stillair_picture_age_seconds", chamber=KEY)] < 30.0
    assert now(told(service), "stillair_health") == [service.get("/api/health")["status"]]


def test_counters_only_grow(service: RunningService) -> None:
    name = of("stillair_readings_total", chamber=KEY, sensor="top")
    before = told(service)
    wait_until(lambda: told(service)[name] > before[name], within_s=30.0)
    after = told(service)
    for (called, labels), value in before.items():
        if called.endswith("_total"):
            assert after[called, labels] >= value, called


@pytest.fixture(scope="module")
def ill(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RunningService, WebReceiver]]:
    """No broker answers its sensor, and one of two ways to people refuses all messages."""
    folder = tmp_path_factory.mktemp("ill")
    chamber = folder / "chamber.toml"
    with receiving() as taking, receiving() as refusing:
        refusing.answer = answers(500)
        (folder / "signs").write_text(f"{SECRET} signs it\n")
        chamber.write_text(
            ILL.replace("{secret}", SECRET)
            .replace("{taking}", taking.address(f"/{SECRET}"))
            .replace("{refusing}", refusing.address(f"/{SECRET}"))
        )
        with RunningService(folder / "data", "--chamber", str(chamber), "--metrics") as running:
            yield running, refusing


def test_what_is_not_known_has_an_age_and_no_value(ill: tuple[RunningService, WebReceiver]) -> None:
    service, _ = ill
    name = {"chamber": KEY, "sensor": r"top left \n"}
    found = told(service)
    assert of("stillair_temperature_celsius", **name) not in found
    assert found[of("stillair_reading_age_seconds", **name)] == math.inf
    wait_until(
        lambda: told(service)[of("stillair_readings_missing_total", **name)] > 0, within_s=60.0
    )
    assert told(service)[of("stillair_readings_total", **name)] == 0
    assert now(told(service), "stillair_contact_state", contact='rear "flap"') == ["unknown"]
    assert not any(called == "stillair_camera_condition" for called, _ in told(service))


def test_alarms_and_what_becomes_of_their_messages(ill: tuple[RunningService, WebReceiver]) -> None:
    service, refusing = ill
    standing = of("stillair_alarms_standing", chamber=KEY, priority="high")
    wait_until(lambda: told(service)[standing] >= 1, within_s=90.0)
    refusing.wait_for(2, timeout_s=60.0)
    wait_until(
        lambda: (
            told(service)[of("stillair_message_tries_failed_total", scheme="webhook")] >= 2
            and told(service)[of("stillair_messages_sent_total", scheme="webhook")] >= 1
        ),
        within_s=60.0,
    )
    found = told(service)
    assert found[of("stillair_messages_waiting", scheme="webhook")] >= 1
    assert found[of("stillair_messages_failed_total", scheme="webhook")] == 0
    assert found[of("stillair_messages_waiting", scheme="other")] == 0
    unseen = of("stillair_alarms_unacknowledged", chamber=KEY, priority="high")
    assert found[unseen] == found[standing]

    def high() -> list[str]:
        shown = service.get("/api/alarms", standing=True)["items"]
        return [each["id"] for each in shown if each["priority"] == "high"]

    # Another may come between the two questions.
    wait_until(lambda: told(service)[standing] == len(high()), within_s=30.0)

    def all_are_seen() -> bool:
        for alarm in high():
            service.post(f"/api/alarms/{alarm}/acknowledge")
        return told(service)[unseen] == 0

    wait_until(all_are_seen, within_s=30.0)
    assert now(told(service), "stillair_health") == ["impaired"]


def test_no_address_host_or_secret_is_told(ill: tuple[RunningService, WebReceiver]) -> None:
    service, refusing = ill
    text = service.web.get("/metrics").text
    for private in ("127.0.0.1", SECRET, str(refusing.port), "cox", "shed/"):
        assert private not in text, private
