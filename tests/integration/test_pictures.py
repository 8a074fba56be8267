"""Pictures as evidence, kept by a real service over a simulated camera."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from pictured import CHAMBER, KEY, build, watched
from running import RunningService, wait_until
from servers import TOLD_BY_MAIL, MailServer
from smoke_seen import REGION, STRENGTH, running_with_smoke, smoke
from stillair.clock import SystemClock
from stillair.errors import StoreError
from stillair.media.marking import decoded
from stillair.model import (
    KIND_CLASS,
    Change,
    EventChange,
    Kind,
    Outcome,
    ReportHeight,
    StartJob,
)
from stillair.runtime import pictures
from stillair.runtime.service import Service

ENOUGH_S = 100.0  # of a computer that does other things as well


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = build(tmp_path)
    with watched(made, ENOUGH_S):
        yield made


def see_smoke(service: Service, strength: float = STRENGTH) -> int:
    """Have the camera's word for smoke reach the watch; returns the event's number."""
    chamber = service.chambers()[0]

    def tell() -> int | None:
        chamber.supervisor.put(smoke(chamber.clock.now_s(), strength))
        events = chamber.supervisor.view.events
        return next((event.event for event in events if event.kind is Kind.SMOKE), None)

    return wait_until(tell, within_s=ENOUGH_S, every_s=0.5)


def kept(service: Service, event: int, *parts: str) -> list[dict[str, Any]]:
    """The pictures of an event once there are such of all those parts."""

    def ask() -> list[dict[str, Any]] | None:
        items = [dict(item) for item in service.history.pictures().of_event(KEY, event)]
        return items if set(parts) <= {item["part"] for item in items} else None

    return wait_until(ask, within_s=ENOUGH_S)


def file_of(service: Service, picture: dict[str, Any]) -> bytes:
    name = service.history.pictures().name(picture["id"])
    assert name is not None
    jpeg = service.pictures.read(name)
    assert jpeg is not None
    return jpeg


def test_a_picture_from_before_shows_only_what_was_seen_in_it(service: Service) -> None:
    ring = service.pictures._eyes[KEY].ring
    wait_until(
        lambda: (shots := ring.shots()) and ring.newest_s() - shots[0].t_s > 3.0,
        within_s=ENOUGH_S,
    )
    event = see_smoke(service)
    items = kept(service, event, "before", "marked", "after")
    assert {picture["part"]: bool(picture["saw"]) for picture in items} == {
        part: part != "before" for part in {picture["part"] for picture in items}
    }


def test_standing_smoke_that_was_nothing_is_taken_for_the_scene(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []
    chamber = service.chambers()[0]
    assert chamber.camera is not None
    monkeypatch.setattr(chamber.camera, "begin_anew", lambda: begun.append(KEY))
    event = see_smoke(service)

    def judge(*, false: bool) -> list[str]:
        asyncio.run(service.judging.judge(KEY, event, false=false, note="", by="coxswain"))
        return begun

    assert judge(false=False) == []
    assert judge(false=True) == [KEY]


def test_while_pictures_of_an_event_are_being_kept_that_is_said(service: Service) -> None:
    event = see_smoke(service)
    wait_until(lambda: service.pictures.is_coming(KEY, event), within_s=ENOUGH_S)
    assert not service.pictures.is_coming(KEY, event + 1)
    wait_until(lambda: not service.pictures.is_coming(KEY, event), within_s=ENOUGH_S)
    assert [p["part"] for p in kept(service, event, "after")].count("after") == 2


def test_smoke_keeps_pictures_from_before_the_moment_and_after_with_its_place_marked(
    service: Service,
) -> None:
    event = see_smoke(service)
    items = kept(service, event, "marked", "moment", "after")
    by_part = {picture["part"]: picture for picture in items}
    assert by_part["after"]["offset_s"] in (3.0, 10.0)
    for picture in items:
        assert picture["kind"] == "smoke"
        assert picture["origin"] == "simulated"
        assert decoded(file_of(service, picture)) is not None
    assert by_part["marked"]["saw"] == [
        {"sign": "smoke", "strength": 0.62, "regions": [REGION], "share": 0.06}
    ]
    plain = decoded(file_of(service, by_part["moment"]))
    copy = decoded(file_of(service, by_part["marked"]))
    assert plain is not None and copy is not None
    height, width = plain.shape[:2]
    assert copy.shape[0] == height + 24, "a caption says that nothing here is real"
    y, x = round(height * 0.625), round(width * 0.25)
    blue, _, red = (int(value) for value in copy[y, x])
    assert red > blue + 80, "the left edge of its place"


def test_a_disk_that_hangs_holds_up_nobody_and_a_message_has_its_picture_all_the_same(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = threading.Event()
    files = service.pictures._files
    write = files.write

    def hangs(name: str, data: bytes) -> None:
        assert answers.wait(ENOUGH_S)
        write(name, data)

    monkeypatch.setattr(files, "write", hangs)
    event = see_smoke(service)
    jpeg = service.pictures.of_alarm(f"{KEY}-{event}", ENOUGH_S)
    assert jpeg is not None and decoded(jpeg) is not None
    chamber = service.chambers()[0]
    seen_s = chamber.supervisor.view.t_s
    wait_until(lambda: chamber.supervisor.view.t_s != seen_s, within_s=ENOUGH_S)
    assert service.history.pictures().of_event(KEY, event) == []
    answers.set()
    kept(service, event, "marked", "moment")


def test_while_the_disk_hangs_a_message_waits_for_no_picture_that_does(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = threading.Event()
    begun = threading.Event()

    def hangs(name: str, data: bytes) -> None:
        begun.set()
        assert answers.wait(ENOUGH_S)

    monkeypatch.setattr(service.pictures._files, "write", hangs)
    now_s = service.chambers()[0].clock.now_s()
    happens(service, Kind.SMOKE, 4711, now_s)
    assert begun.wait(ENOUGH_S)
    happens(service, Kind.DETECTOR_CONTACT, 4712, now_s)
    assert service.pictures.of_alarm(f"{KEY}-4712", 10 * ENOUGH_S) is None, "it has none"
    happens(service, Kind.FLAME, 4713, now_s)
    wait_until(
        lambda: SystemClock().now_s() - service.pictures._begun_s > pictures.STUCK_S,
        within_s=ENOUGH_S,
    )
    assert service.pictures.of_alarm(f"{KEY}-4713", 10 * ENOUGH_S) is None, "nobody marks it now"
    answers.set()


def test_a_full_disk_costs_the_picture_alone_and_is_told(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pictures, "TRY_AGAIN_S", 0.2)
    files = service.pictures._files
    write = files.write

    def full(name: str, data: bytes) -> None:
        raise StoreError("no picture is kept: the disk is nearly full")

    monkeypatch.setattr(files, "write", full)
    see_smoke(service)
    chamber = service.chambers()[0]

    def faults() -> list[Any]:
        return [e for e in chamber.supervisor.view.events if e.kind is Kind.STORE_FAULT]

    (fault,) = wait_until(faults, within_s=ENOUGH_S)
    assert fault.subject == "pictures"
    assert "nearly full" in str(fault.detail["reason"])
    assert service.writer.stored, "everything else is kept"
    monkeypatch.setattr(files, "write", write)
    wait_until(lambda: not faults(), within_s=ENOUGH_S)
    assert len(list(files._folder.glob("*"))) == len(
        service.history.pictures().of_event(KEY, fault.event)
    ), "trying leaves nothing behind"


def happens(service: Service, kind: Kind, number: int, at_s: float) -> None:
    """An event of that kind and number, as the watch would conclude it."""
    signal_class, priority = KIND_CLASS[kind]
    change = EventChange(
        event=number,
        change=Change.RAISED,
        at_s=at_s,
        kind=kind,
        signal_class=signal_class,
        priority=priority,
        onset_s=at_s,
        sensors=(),
        detail={},
    )
    timeline = service.chambers()[0].labels.timeline()
    service.pictures.happened(KEY, Outcome(KEY, at_s, events=(change,)), timeline)


def test_a_door_has_few_pictures_and_a_second_one_within_a_minute_none(service: Service) -> None:
    now_s = service.chambers()[0].clock.now_s()
    for number, later_s, kind in (
        (4711, 0.0, Kind.DOOR_OPEN),
        (4712, 0.5, Kind.DRAFT),
        (4713, 0.5, Kind.RAPID_RISE),
        (4714, 0.5, Kind.CLOCK_FAULT),
    ):
        happens(service, kind, number, now_s + later_s)
    kept(service, 4713, "moment", "after")  # what waits in order is done in order
    assert [item["part"] for item in kept(service, 4711, "after")] == ["moment", "after"]
    assert service.history.pictures().of_event(KEY, 4712) == []
    assert service.history.pictures().of_event(KEY, 4714) == []


def test_of_a_camera_that_gives_none_any_more_the_last_picture_is_from_before(
    service: Service,
) -> None:
    chamber = service.chambers()[0]
    assert chamber.camera is not None
    chamber.camera.stop()
    newest_s = service.pictures._eyes[KEY].ring.newest_s()
    happens(service, Kind.SMOKE, 4711, newest_s + 100.0)
    items = kept(service, 4711, "before")
    assert {item["part"] for item in items} == {"before"}
    assert max(item["offset_s"] for item in items) == -100.0
    assert service.pictures.of_alarm(f"{KEY}-4711", ENOUGH_S) is None


def test_what_was_taken_before_a_pause_is_not_kept_within_it(service: Service) -> None:
    ring = service.pictures._eyes[KEY].ring
    assert ring.shots()
    service.pausing.pause(KEY, 600.0, by="the cox")
    assert ring.shots() == [], "a door that is opened now would have them kept"
    service.pausing.go_on(KEY)
    wait_until(ring.shots, within_s=ENOUGH_S)


def test_a_job_has_a_still_per_millimetre(service: Service) -> None:
    chamber = service.chambers()[0]
    command: Callable[..., Any] = chamber.supervisor.submit
    started = command(StartJob(t_s=chamber.clock.now_s(), by="a test", name="Twelve bushings"))
    job = started.result(ENOUGH_S).created
    for height_mm in (0.3, 0.6, 1.2, 1.9, 2.0):
        told = ReportHeight(t_s=chamber.clock.now_s(), by="a test", job=job, height_mm=height_mm)
        command(told).result(ENOUGH_S)

    def stills() -> list[Any] | None:
        items = service.history.pictures().of_job(job)
        return items if len(items) >= 3 else None

    items = wait_until(stills, within_s=ENOUGH_S)
    assert [item["height_mm"] for item in items] == [0.3, 1.2, 2.0]
    assert {item["part"] for item in items} == {"still"}
    assert len({item["job"] for item in items}) == 1


def test_after_a_restart_pictures_are_there_and_what_was_half_written_is_gone(
    tmp_path: Path,
) -> None:
    first = build(tmp_path)
    with watched(first, ENOUGH_S):
        event = see_smoke(first)
        marked = kept(first, event, "marked")[0]
    orphan = tmp_path / "data" / "pictures" / f"{'0' * 32}.part"
    orphan.write_bytes(b"half a crash")
    second = build(tmp_path)
    with watched(second, ENOUGH_S):
        wait_until(lambda: not orphan.exists(), within_s=ENOUGH_S)
        assert file_of(second, marked)
        assert second.pictures.of_alarm(f"{KEY}-{event}", ENOUGH_S) is not None


@pytest.mark.parametrize(
    "alarm", ["", "north", "north-", "north-x", "other-1", f"north-{'9' * 40}"]
)
def test_a_message_about_no_event_waits_for_nothing(service: Service, alarm: str) -> None:
    before_s = SystemClock().now_s()
    assert service.pictures.of_alarm(alarm, ENOUGH_S) is None
    assert SystemClock().now_s() - before_s < ENOUGH_S


def test_the_oldest_pictures_are_given_up_and_never_the_newest_events(service: Service) -> None:
    event = see_smoke(service)
    kept(service, event, "marked", "moment", "after")
    service.pictures._keep_bytes = 1
    chamber = service.chambers()[0]
    started = chamber.supervisor.submit(
        StartJob(t_s=chamber.clock.now_s(), by="a test", name="Twelve bushings")
    )
    job = started.result(ENOUGH_S).created
    assert job is not None
    told = ReportHeight(t_s=chamber.clock.now_s(), by="a test", job=job, height_mm=0.3)
    chamber.supervisor.submit(told).result(ENOUGH_S)
    folder = service.pictures._files._folder
    wait_until(
        lambda: (
            len(list(folder.glob("*.jpg"))) == len(service.history.pictures().of_event(KEY, event))
        ),
        within_s=ENOUGH_S,
    )
    wait_until(lambda: service.history.pictures().of_job(job) == [], within_s=ENOUGH_S)
    assert kept(service, event, "marked", "moment")


async def test_the_mail_of_smoke_carries_the_marked_picture(
    tmp_path: Path, mail_server: MailServer
) -> None:
    service = build(
        tmp_path, CHAMBER + TOLD_BY_MAIL.format(host=mail_server.host, port=mail_server.port)
    )
    with watched(service, ENOUGH_S):
        courier = asyncio.create_task(service.courier.run())
        try:
            event = await asyncio.to_thread(see_smoke, service)
            mails = await asyncio.to_thread(mail_server.wait_for, 1, ENOUGH_S)
            (picture,) = mails[0].iter_attachments()
            assert service.pictures.of_alarm(f"{KEY}-{event}") == picture.get_content()
            assert picture.get_content_type() == "image/jpeg"
            copy = decoded(picture.get_content())
            assert copy is not None
            height = (copy.shape[0] - 24) * 5 // 8
            blue, _, red = (int(value) for value in copy[height, copy.shape[1] // 4])
            assert red > blue + 80, "its place is outlined"
        finally:
            courier.cancel()
            with suppress(asyncio.CancelledError):
                await courier


# --- as other programs see them --------------------------------------------------------


@pytest.fixture(scope="module")
def web(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("pictures")
    path = folder / "north.toml"
    path.write_text(CHAMBER.replace("[camera]", "[camera]\nignore = [[0, 0, 0.1, 0.1]]"))
    with running_with_smoke(folder / "data", "--chamber", str(path)) as service:
        yield service


def event_of(web: RunningService) -> int:
    """The number of the smoke, once its pictures from before, then and after are kept."""

    def ask() -> int | None:
        for change in web.events(kind="smoke"):
            event = int(change["event"])
            items = web.get(f"/api/events/{event}/pictures")["items"]
            if {"marked", "moment", "after"} <= {item["part"] for item in items}:
                return event
        return None

    return wait_until(ask, within_s=ENOUGH_S)


def test_evidence_is_what_was_seen_and_where(web: RunningService) -> None:
    event = event_of(web)
    told = web.get(f"/api/events/{event}/evidence", chamber=KEY)
    assert (told["chamber"], told["event"], told["kind"]) == (KEY, event, "smoke")
    assert told["saw"] == "A veil as of smoke over up to 6.0 % of the picture; at most 62 % sure."
    assert told["signs"] == [
        {"sign": "smoke", "strength": STRENGTH, "regions": [REGION], "share": 0.06}
    ]
    assert told["pictures"] == web.get(f"/api/events/{event}/pictures")["items"]
    assert {item["origin"] for item in told["pictures"]} == {"simulated"}


def test_a_picture_is_a_jpeg_of_which_a_browser_asks_each_time(web: RunningService) -> None:
    items = web.get(f"/api/events/{event_of(web)}/pictures")["items"]
    answer = web.web.get(f"/api/pictures/{items[0]['id']}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["cache-control"] == "private, no-cache"
    assert len(answer.content) == items[0]["size_bytes"]
    assert decoded(answer.content) is not None
    again = web.web.get(
        f"/api/pictures/{items[0]['id']}", headers={"If-None-Match": answer.headers["etag"]}
    )
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/pictures/nothing", 404),
        (f"/api/pictures/{'0' * 32}", 404),
        ("/api/pictures/..%2f..%2fjournal.db", 404),
        ("/api/pictures/%00", 404),
        (f"/api/pictures/{'9' * 4000}", 404),
        ("/api/events/999999/evidence", 404),
        ("/api/events/999999/pictures", 404),
        (f"/api/events/{'9' * 40}/evidence", 422),
        ("/api/events/0/evidence", 422),
        ("/api/events/x/pictures", 422),
        ("/api/events/1/evidence?chamber=nowhere", 404),
        ("/api/jobs/north-99/pictures", 404),
    ],
)
def test_what_is_not_there_is_a_problem(web: RunningService, path: str, status: int) -> None:
    answer = web.web.get(path)
    assert answer.status_code == status, answer.text
    if answer.headers["content-type"] == "application/problem+json":
        assert answer.json()["detail"]
    else:
        assert "%2f" in path, "no such path at all"


def test_who_says_that_it_was_nothing_hears_what_would_have_ignored_it(
    web: RunningService,
) -> None:
    event = event_of(web)
    before = web.get("/api/alarms")["items"]
    answer = web.post(f"/api/events/{event}/judge", {"false": True, "note": "steam"})
    assert answer["stored"] is True
    assert [(each["setting"], each["value"]) for each in answer["settings"]] == [
        ("camera.smoke_from", 0.65),
        ("camera.ignore", [[0.0, 0.0, 0.1, 0.1], [0.23, 0.48, 0.52, 0.77]]),
    ]
    assert "camera.smoke_from = 0.65 would have ignored it" in answer["settings"][0]["text"]
    assert "a real fire" in answer["warning"]
    told = web.get(f"/api/events/{event}/evidence")
    assert told["judged"]["false"] is True
    assert (told["judged"]["note"], told["judged"]["by"]) == ("steam", "this computer")
    assert (told["settings"], told["warning"]) == (answer["settings"], answer["warning"])
    standing = {alarm["id"]: alarm["annunciation"] for alarm in before}
    now = {alarm["id"]: alarm["annunciation"] for alarm in web.get("/api/alarms")["items"]}
    assert standing.items() <= now.items(), "a word changes no alarm"

    taken_back = web.post(f"/api/events/{event}/judge", {"false": False})
    assert (taken_back["settings"], taken_back["warning"]) == ([], "")
    assert web.get(f"/api/events/{event}/evidence")["judged"]["false"] is False


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({}, 422),
        ({"false": "yes"}, 422),
        ({"false": True, "note": "x" * 2001}, 422),
        ({"false": True, "other": 1}, 422),
        ({"false": True, "note": "\ud800"}, 422),
    ],
)
def test_a_word_of_another_form_is_refused(
    web: RunningService, body: dict[str, Any], status: int
) -> None:
    path = f"/api/events/{event_of(web)}/judge"
    headers = {"content-type": "application/json"}
    answer = web.web.post(path, content=json.dumps(body), headers=headers)
    assert answer.status_code == status, answer.text
    assert answer.json()["detail"]


def test_a_word_on_what_never_was_is_refused(web: RunningService) -> None:
    assert web.web.post("/api/events/999999/judge", json={"false": True}).status_code == 404


def test_a_word_is_in_the_live_stream_and_survives_a_kill(web: RunningService) -> None:
    event = event_of(web)
    with web.live() as stream:
        assert next(stream).kind == "now"
        web.post(f"/api/events/{event}/judge", {"false": True, "note": "a lamp"})
        told = next(each for each in stream if each.kind == "judgement")
    assert (told.data["event"], told.data["note"]) == (event, "a lamp")
    web.kill()
    web.start()
    assert web.get(f"/api/events/{event}/evidence")["judged"]["note"] == "a lamp"


def test_openapi_describes_pictures(web: RunningService) -> None:
    paths = web.get("/api/openapi.json")["paths"]
    for path in (
        "/api/events/{event}/pictures",
        "/api/events/{event}/evidence",
        "/api/events/{event}/judge",
        "/api/pictures/{picture}",
        "/api/jobs/{job}/pictures",
    ):
        assert path in paths
    assert "image/jpeg" in paths["/api/pictures/{picture}"]["get"]["responses"]["200"]["content"]
    assert "Traceback" not in web.log.read_text()
