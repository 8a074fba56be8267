"""Somebody near a box that can burn, with the real service: what counts as near, what is sent."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from running import RunningService, stillair, wait_until
from servers import TOLD_BY_MAIL, MailServer
from warm_starts import warm_run

PASSWORD = "a long row to the weir"
NAME = "shed.example.org"
WHY = "the cox is in the workshop next door"
BOX = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "simulated"

[attendance]
every_min = 5
stage_min = 1
near = ["198.51.100.0/24"]

[simulation]
scenario = "quiet_job"
speed = {speed}
"""
PRESENCE = "/api/chambers/north-bench/presence"


def chamber_file(folder: Path, text: str) -> str:
    path = folder / "chamber.toml"
    path.write_text(text)
    return str(path)


def attendance(service: RunningService) -> dict[str, Any]:
    told: dict[str, Any] = service.now()["attendance"]
    return told


def needed(service: RunningService) -> dict[str, Any]:
    """How it stands once the box is hot or its job has begun."""
    return wait_until(
        lambda: told if (told := attendance(service))["needed"] else None, within_s=90
    )


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RunningService, str]]:
    """A service behind a proxy on this computer, and an operator's token."""
    folder = tmp_path_factory.mktemp("proxied")
    data = folder / "data"

    def command(*words: str) -> str:
        line = stillair(*words, "--data-dir", str(data))
        done = warm_run(line, typed=PASSWORD)
        assert done.returncode == 0, done.stderr
        return done.stdout

    command("owner", "add", "captain")
    token = command("token", "add", "cox", "--role", "operator").split()[-1]
    chamber = chamber_file(folder, BOX.format(speed=1))
    with RunningService(data, "--behind-proxy", NAME, "--chamber", chamber) as running:
        yield running, token


@pytest.mark.parametrize(
    ("forwarded", "status", "because"),
    [
        pytest.param("198.51.100.7", 200, "", id="a network that is set"),
        pytest.param("203.0.113.9", 409, "203.0.113.9 isn't in the network", id="elsewhere"),
        pytest.param(
            "198.51.100.7, 203.0.113.9", 409, "203.0.113.9 isn't", id="a lie before the truth"
        ),
        pytest.param("2001:db8::9", 409, "2001:db8::9 isn't", id="elsewhere by IPv6"),
        pytest.param("somewhere", 409, "isn't in the network", id="no address"),
        pytest.param("127.0.0.1", 409, "the proxy doesn't say", id="the proxy's own"),
        pytest.param(None, 409, "the proxy doesn't say", id="a proxy that tells nothing"),
    ],
)
def test_a_tap_from_another_network_never_counts(
    proxied: tuple[RunningService, str], forwarded: str | None, status: int, because: str
) -> None:
    service, token = proxied
    headers = {"authorization": f"Bearer {token}"}
    if forwarded is not None:
        headers["x-forwarded-for"] = forwarded
    asked = {"authorization": f"Bearer {token}"}

    def confirmed() -> object:
        now = service.web.get("/api/now", headers=asked).json()
        return now["chambers"][0]["attendance"]["confirmed_at"]

    before = confirmed()
    answer = service.web.post(PRESENCE, headers=headers)
    assert answer.status_code == status, answer.text
    assert (confirmed() != before) is (status == 200)
    if because:
        assert because in answer.json()["detail"]
        assert "doesn't count as being near" in answer.json()["detail"]


def test_this_computer_is_near_but_not_through_what_says_it_came_from_elsewhere(
    tmp_path: Path,
) -> None:
    chamber = chamber_file(tmp_path, BOX.format(speed=1))
    with RunningService(tmp_path / "data", "--chamber", chamber) as service:
        service.post("/api/jobs", {"name": "Fin box"})
        until_at = needed(service)["due_at"]
        due_at = service.post(PRESENCE)["due_at"]
        assert due_at >= until_at
        assert attendance(service)["confirmed_at"] is not None
        far = service.web.post(PRESENCE, headers={"x-forwarded-for": "203.0.113.9"})
        assert far.status_code == 401, "and without an owner it is nobody at all"


def test_nobody_comes_and_it_climbs_to_the_telephone_and_a_tap_ends_it(
    tmp_path: Path, mail_server: MailServer
) -> None:
    text = BOX.format(speed=30) + TOLD_BY_MAIL.format(host=mail_server.host, port=mail_server.port)
    chamber = chamber_file(tmp_path, text)
    with RunningService(tmp_path / "data", "--chamber", chamber) as service:
        service.post("/api/jobs", {"name": "Twelve oarlock bushings"})
        needed(service)

        def stages() -> list[int]:
            told = service.events(kind="attendance_overdue")
            return [item["detail"]["stage"] for item in told if item["change"] != "cleared"]

        wait_until(lambda: stages() == [1, 2, 3, 4], within_s=90)
        assert attendance(service)["stage"] == 4
        [alarm] = [a for a in service.now()["alarms"] if a["kind"] == "attendance_overdue"]
        assert alarm["text"].startswith("Nobody has shown that they are near the box.")
        told = mail_server.wait_for(1)
        assert told[0]["Subject"] == "Simulated: North bench: Nobody is near the box"
        service.post(f"/api/alarms/{alarm['id']}/acknowledge")
        assert attendance(service)["stage"] == 4, "having seen it is not being near"
        service.post(PRESENCE)
        wait_until(lambda: attendance(service)["stage"] == 0, within_s=60)

        def over() -> list[dict[str, Any]]:
            told = service.events(kind="attendance_overdue")
            return [item for item in told if item["change"] == "cleared"]

        # The page hears of it before the disk does, where events come from.
        assert wait_until(over, within_s=60)[0]["detail"]["ended"] == "somebody is near"


def test_leaving_and_handing_over_ask_the_next_person_at_once(
    tmp_path: Path, mail_server: MailServer
) -> None:
    person = '\n[[person]]\nname = "cox"\nroutes = ["mailto:cox@example.org"]\n'
    text = BOX.format(speed=1) + TOLD_BY_MAIL.format(host=mail_server.host, port=mail_server.port)
    chamber = chamber_file(tmp_path, text + person)
    with RunningService(tmp_path / "data", "--chamber", chamber) as service:
        service.post("/api/jobs", {"name": "Twelve oarlock bushings"})
        needed(service)
        service.post("/api/chambers/north-bench/hand-over", {"to": "cox"})
        told = mail_server.wait_for(1)
        assert told[0]["To"] == "cox@example.org"
        assert "will you be near it?" in told[0]["Subject"]
        assert attendance(service)["to"] == "cox"
        unknown = service.web.post("/api/chambers/north-bench/hand-over", json={"to": "bow"})
        assert unknown.status_code == 404
        service.post("/api/chambers/north-bench/leave")
        mails = mail_server.wait_for(2)
        assert (mails[1]["To"], attendance(service)["stage"]) == ("cox@example.org", 2)
        assert attendance(service)["left_at"] is not None


def test_a_job_let_run_unattended_is_on_record_and_outlives_a_kill(tmp_path: Path) -> None:
    chamber = chamber_file(tmp_path, BOX.format(speed=1))
    with RunningService(tmp_path / "data", "--chamber", chamber) as service:
        let_run = "/api/chambers/north-bench/unattended"
        none = service.web.post(let_run, json={"reason": WHY})
        assert none.status_code == 409, "there is no job"
        job = service.post("/api/jobs", {"name": "Twelve oarlock bushings"})["id"]
        needed(service)
        short = service.web.post(let_run, json={"reason": "because"})
        assert (short.status_code, attendance(service)["unattended"]) == (403, None)
        other = service.web.post(let_run, json={"reason": WHY, "job": "north-bench-99"})
        assert other.status_code == 409
        service.post(let_run, {"reason": WHY, "job": job})
        for _ in range(2):
            told = attendance(service)["unattended"]
            assert (told["job"], told["by"], told["reason"]) == (job, "this computer", WHY)
            assert f"nobody near, as this computer wants it: {WHY}." in " ".join(
                service.now()["not_watched"]
            )
            [note] = service.get(f"/api/jobs/{job}/notes")["items"]
            assert (note["text"], note["by"]) == (f"Runs unattended: {WHY}", "this computer")
            service.kill()
            service.start()
        service.post(f"/api/jobs/{job}/finish")
        wait_until(lambda: attendance(service)["unattended"] is None, within_s=60)


def test_the_interval_goes_on_over_a_restart(tmp_path: Path) -> None:
    chamber = chamber_file(tmp_path, BOX.format(speed=1))
    with RunningService(tmp_path / "data", "--chamber", chamber) as service:
        service.post("/api/jobs", {"name": "Twelve oarlock bushings"})
        needed(service)
        due_at = datetime.fromisoformat(service.post(PRESENCE)["due_at"])
        assert due_at > datetime.now(UTC)
        service.kill()
        service.start()
        again_at = datetime.fromisoformat(needed(service)["due_at"])
        assert abs(again_at - due_at) < timedelta(seconds=1)


@pytest.mark.parametrize(
    ("table", "speed", "said"),
    [
        pytest.param("[attendance]\nask = false\n", 1, "as it is set", id="it is set so"),
        pytest.param("", 20, "Time is played fast", id="time is played fast"),
    ],
)
def test_where_nobody_is_asked_that_is_listed(
    tmp_path: Path, table: str, speed: int, said: str
) -> None:
    text = BOX.format(speed=speed)
    text = text[: text.index("[attendance]")] + table + text[text.index("[simulation]") :]
    with RunningService(tmp_path / "data", "--chamber", chamber_file(tmp_path, text)) as service:
        assert attendance(service)["asks"] is False
        assert said in " ".join(service.now()["not_watched"])
        listed = {item["thing"]: item for item in service.get("/api/setting-up")["items"]}
        assert "nobody is asked" in listed["somebody near"]["told"]
        leave = service.web.post("/api/chambers/north-bench/leave")
        assert leave.status_code == 409


def test_a_box_that_cant_burn_asks_nobody(tmp_path: Path) -> None:
    text = BOX.format(speed=1).replace("plywood", "metal")
    with RunningService(tmp_path / "data", "--chamber", chamber_file(tmp_path, text)) as service:
        assert service.now()["attendance"] is None
        answer = service.web.post(PRESENCE)
        assert answer.status_code == 409
        assert "can't burn" in answer.json()["detail"]
