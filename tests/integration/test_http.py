"""The HTTP side of a real service: forms, refusals, limits, live stream."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from integration.mjpeg_server import packed, picture
from running import RunningService, wait_until

CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["metal"]
target_c = 45

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[simulation]
scenario = "quiet_job"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"
"""


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("http")
    chamber = folder / "chamber.toml"
    chamber.write_text(CHAMBER)
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        yield running


def problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    """The problem document of an answer that must have that status."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert (body["status"], body["type"]) == (status, "about:blank")
    assert body["title"]
    assert body["detail"]
    return body


@pytest.mark.parametrize(
    ("path", "accept", "kind"),
    [
        pytest.param("/nowhere", "text/html,*/*;q=0.8", "text/html", id="a person's browser"),
        pytest.param("/nowhere", "*/*", "application/problem+json", id="a program"),
        pytest.param("/api/nowhere", "text/html", "application/problem+json", id="of the API"),
    ],
)
def test_who_asks_for_nothing_there_is_answered_in_a_form_to_read(
    service: RunningService, path: str, accept: str, kind: str
) -> None:
    answer = service.web.get(path, headers={"Accept": accept})
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith(kind)


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        pytest.param("GET", "/api/jobs/nothing-here", None, 404, id="no such job"),
        pytest.param("GET", "/api/jobs/north-bench-99/readings", None, 404, id="readings of none"),
        pytest.param("POST", "/api/jobs/other-1/pause", None, 404, id="job of no chamber"),
        pytest.param("POST", "/api/jobs/north-bench-99/finish", None, 404, id="finish none"),
        pytest.param("POST", "/api/alarms/north-bench-77/acknowledge", None, 404, id="no alarm"),
        pytest.param("POST", "/api/alarms/x/shelve", {"minutes": 3}, 404, id="shelve none"),
        pytest.param("POST", "/api/alarms/x/shelve", {"minutes": -3}, 422, id="time backwards"),
        pytest.param("POST", "/api/jobs", {"name": 7}, 422, id="wrong type"),
        pytest.param("POST", "/api/jobs", {"name": ""}, 422, id="no name"),
        pytest.param("POST", "/api/jobs", {"name": "x", "weight": 1}, 422, id="unknown key"),
        pytest.param("POST", "/api/jobs", {"name": "x", "chamber": "moon"}, 404, id="no chamber"),
        pytest.param("GET", "/api/events?after=-9999999999999999", None, 422, id="a seq below all"),
        pytest.param("GET", "/api/events?limit=100000", None, 422, id="limit too large"),
        pytest.param("GET", "/api/events?kind=ghost", None, 422, id="no such kind"),
        pytest.param("GET", "/api/readings?from=yesterday", None, 422, id="no moment"),
        pytest.param("GET", "/api/readings?from=nan", None, 422, id="not a number"),
        pytest.param("GET", "/api/readings?chamber=moon", None, 404, id="readings of no chamber"),
        pytest.param("GET", "/api/alarms?chamber=moon", None, 404, id="alarms of no chamber"),
        pytest.param("GET", "/api/readings?from=5&to=1", None, 409, id="ends before it begins"),
        pytest.param("GET", "/api/jobs/none-1/notes", None, 404, id="notes of no job"),
        pytest.param("GET", "/api/nothing", None, 404, id="no such path"),
        pytest.param("DELETE", "/api/now", None, 405, id="wrong method"),
        pytest.param("GET", "/api/picture", None, 404, id="no camera"),
        pytest.param("GET", "/api/picture?width=320", None, 404, id="no camera, small"),
        pytest.param("GET", "/api/picture?width=321", None, 422, id="a width that isn't made"),
        pytest.param("GET", "/api/picture?width=-1", None, 422, id="a width below all"),
        pytest.param("GET", "/api/picture?width=9e99", None, 422, id="a width beyond all"),
        pytest.param("GET", "/api/picture?width=", None, 422, id="a width of nothing"),
    ],
)
def test_what_does_not_fit_is_a_problem_document(
    service: RunningService, method: str, path: str, body: object, status: int
) -> None:
    problem(service.web.request(method, path, json=body), status)


def test_of_what_is_still_to_come_there_are_no_readings(service: RunningService) -> None:
    none: dict[str, object] = {"time_s": [], "sensors": {}}
    for start in ("1e152", "2999-01-01T00:00:00Z"):
        assert service.get("/api/readings", **{"from": start}) == none
    job = service.post("/api/jobs", {"name": "fin box"})["id"]
    for stretch in ({"from": "2999-01-01T00:00:00Z"}, {"to": "1"}):
        assert service.get(f"/api/jobs/{job}/readings", **stretch) == none
    service.post(f"/api/jobs/{job}/finish")


@pytest.mark.parametrize(
    ("path", "body", "said"),
    [
        pytest.param("/progress", {"height_mm": -5}, "The height has to be 0 mm or more.", id="-5"),
        pytest.param(
            "/progress", {"height_mm": 9e9}, "The height has to be 2000 mm or less.", id="too high"
        ),
        pytest.param(
            "/progress",
            {"height_mm": "high"},
            "The height has to be a number, such as 12.4.",
            id="a word",
        ),
        pytest.param("/progress", {}, "The height is missing.", id="none"),
        pytest.param("/progress", [], "The body of the request has to be a JSON object.", id="[]"),
        pytest.param("/note", {"text": ""}, "The note may not be empty.", id="empty"),
        pytest.param("/note", {"text": 7}, "The note has to be text.", id="no text"),
        pytest.param(
            "/note",
            {"text": "x" * 2001},
            "The note may have 2000 characters at most.",
            id="too long",
        ),
        pytest.param(
            "/what-if",
            {"target_c": "abc"},
            "The target has to be a number, such as 12.4.",
            id="target",
        ),
        pytest.param(
            "/what-if",
            {"sensors": {"top": {"limit_c": 900}}},
            "The limit of the sensor top has to be 300 °C or less.",
            id="of a sensor",
        ),
        pytest.param(
            "/outcome",
            {"outcome": "good"},
            "How the part came out has to be one of 'sound', 'flawed' or 'failed'.",
            id="outcome",
        ),
        pytest.param(
            "/note", {"text": "x", "hue": 1}, '"hue" is not known here.', id="unknown key"
        ),
    ],
)
def test_what_is_wrong_is_said_in_a_sentence_that_says_what_to_do(
    service: RunningService, path: str, body: object, said: str
) -> None:
    refused = problem(service.web.post(f"/api/jobs/north-bench-1{path}", json=body), 422)
    assert refused["detail"] == said
    assert refused["faults"][0]["what"] == said


def test_a_broken_body_is_refused(service: RunningService) -> None:
    headers = {"content-type": "application/json"}
    problem(service.web.post("/api/jobs", content=b'{"name": "x', headers=headers), 422)


@pytest.mark.parametrize(
    "form",
    [None, "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"],
)
@pytest.mark.parametrize("stated", [True, False], ids=["length stated", "length not stated"])
def test_what_does_not_call_itself_json_is_refused(
    service: RunningService, form: str | None, stated: bool
) -> None:
    content = b'{"name": "x"}'
    headers = {} if form is None else {"content-type": form}
    sent = content if stated else iter([content])
    problem(service.web.post("/api/jobs", content=sent, headers=headers), 415)
    told = {"content-type": "Application/JSON; charset=utf-8"}
    problem(service.web.post("/api/jobs", content=b"{", headers=told), 422)


@pytest.mark.parametrize("stated", [True, False], ids=["length stated", "length not stated"])
def test_a_huge_body_is_refused(service: RunningService, stated: bool) -> None:
    def pieces() -> Iterator[bytes]:
        for _ in range(160):
            yield b"x" * 65_536

    content = b"x" * 10_000_000 if stated else pieces()
    headers = {"content-type": "application/json"}
    try:
        answer = service.web.post("/api/jobs", content=content, headers=headers)
    except httpx.TransportError:
        pass  # the connection was closed on the sender, who went on sending
    else:
        problem(answer, 413)
    assert service.web.get("/api/health").status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        pytest.param({"host": "evil.example"}, 421, id="foreign name"),
        pytest.param({"host": "evil.example:80"}, 421, id="foreign name and port"),
        pytest.param({"host": "[::1"}, 421, id="no name at all"),
        pytest.param({"host": "localhost"}, 200, id="localhost"),
        pytest.param({"host": "192.0.2.7:8420"}, 200, id="a bare address"),
    ],
)
def test_the_host_must_be_ours(
    service: RunningService, headers: dict[str, str], status: int
) -> None:
    assert service.web.get("/api/health", headers=headers).status_code == status


@pytest.mark.parametrize(
    "headers",
    [
        pytest.param({"origin": "http://evil.example"}, id="foreign"),
        pytest.param({"origin": "null"}, id="of nowhere"),
        pytest.param({"origin": "http://["}, id="none at all"),
        pytest.param({"host": "localhost", "origin": "https://localhost"}, id="other scheme"),
        pytest.param({"sec-fetch-site": "cross-site"}, id="no origin, but cross-site"),
    ],
)
def test_a_foreign_page_may_not_write(service: RunningService, headers: dict[str, str]) -> None:
    problem(service.web.post("/api/jobs", json={"name": "x"}, headers=headers), 403)


def test_a_foreign_page_may_not_read(service: RunningService) -> None:
    problem(service.web.get("/api/now", headers={"origin": "http://evil.example"}), 403)


def test_answers_carry_the_headers_that_protect_a_page(service: RunningService) -> None:
    for path in ("/", "/api/now", "/api/nothing", "/web/stillair.css"):
        headers = service.web.get(path).headers
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert "camera=()" in headers["permissions-policy"]
        assert headers["cross-origin-opener-policy"] == "same-origin"
        kept = "private, no-cache" if path.startswith("/web/") else "no-store"
        assert headers["cache-control"] == kept
        form = headers["content-type"]
        assert form.endswith("json") or "charset=utf-8" in form, form
        assert not {"server", "x-powered-by", "access-control-allow-origin"} & set(headers)


def test_the_pages_files_come_packed_and_stay_where_they_were_read(
    service: RunningService,
) -> None:
    page = service.web.get("/")
    assert page.headers["content-encoding"] == "gzip"
    found = re.findall(r'(?:href|src)="(/web/v-[0-9a-f]{16}/[^"]+)"', page.text)
    assert len(found) > 5
    whole = service.web.get("/web/stillair.css", headers={"accept-encoding": "identity"})
    for path in found:
        answer = service.web.get(path)
        assert answer.headers["content-encoding"] == "gzip"
        assert answer.headers["cache-control"].endswith("immutable")
        assert answer.headers["vary"] == "Accept-Encoding"
        head = service.web.head(path)
        assert head.content == b""
        assert head.headers["content-length"] == answer.headers["content-length"]
        tag = {"if-none-match": answer.headers["etag"]}
        assert service.web.get(path, headers=tag).status_code == 304
        if path.endswith("stillair.css"):
            assert answer.text == whole.text
    assert "content-encoding" not in whole.headers
    old = re.sub(r"/v-\w{16}/", "/v-0123456789abcdef/", found[0])
    assert service.web.get(old).status_code == 404, "never a new file for an old page"
    part = service.web.get("/web/stillair.css", headers={"range": "bytes=0-9"})
    assert (part.status_code, part.text) == (206, whole.text[:10])
    assert "content-encoding" not in service.web.get("/api/picture").headers


@pytest.mark.parametrize("path", ["/web/../pyproject.toml", "/web/%2e%2e/pyproject.toml"])
def test_nothing_but_the_pages_is_served(service: RunningService, path: str) -> None:
    with socket.create_connection(("127.0.0.1", service.port), 5.0) as line:
        line.sendall(
            f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode()
        )
        answer = line.makefile("rb").read()
    assert answer.startswith(b"HTTP/1.1 404")


def test_a_job_from_start_to_finish(service: RunningService) -> None:
    running = service.now()["job"]
    if running is not None:
        service.post(f"/api/jobs/{running['id']}/finish")
    job = service.post(
        "/api/jobs",
        {"name": "fin boxes", "material": "ASA", "machine": "left", "notes": "new spool"},
    )["id"]
    try:
        problem(service.web.post("/api/jobs", json={"name": "second"}), 409)
        for height_mm in (12.0, 12.2, 12.4):  # the last two wait for the journal elsewhere
            told = service.post(f"/api/jobs/{job}/progress", {"height_mm": height_mm})
            assert told == {"done": True, "stored": True}
            assert service.get(f"/api/jobs/{job}")["height_mm"] == height_mm
        service.post(f"/api/jobs/{job}/progress", {"height_mm": 12.3})
        newest = service.get("/api/jobs", newest="true", limit=1)["items"]
        assert newest[0]["height_mm"] == 12.3
        service.post(f"/api/jobs/{job}/progress", {"height_mm": 12.4})
        for verb, state in (("pause", "paused"), ("resume", "running")):
            for _ in range(2):
                service.post(f"/api/jobs/{job}/{verb}")
            assert service.now()["job"]["state"] == state
        told = service.post(f"/api/jobs/{job}/note", {"text": "compressor on"})
        assert told == {"done": True, "stored": True}
        (note,) = service.get(f"/api/jobs/{job}/notes")["items"]
        assert (note["text"], note["height_mm"]) == ("compressor on", 12.4)
    finally:
        for _ in range(2):
            service.post(f"/api/jobs/{job}/finish")
    item = wait_until(
        lambda: service.get(f"/api/jobs/{job}") if _is_kept_as_over(service, job) else None,
        within_s=60,
    )
    assert {k: item[k] for k in ("name", "material", "machine", "notes", "height_mm")} == {
        "name": "fin boxes",
        "material": "ASA",
        "machine": "left",
        "notes": "new spool",
        "height_mm": 12.4,
    }
    assert item["state"] in ("cooling", "finished")
    problem(service.web.post(f"/api/jobs/{job}/pause"), 409)
    assert job in [j["id"] for j in service.get("/api/jobs")["items"]]


def _is_kept_as_over(service: RunningService, job: str) -> bool:
    answer = service.web.get(f"/api/jobs/{job}")
    return answer.status_code == 200 and answer.json()["finished_at"] is not None


def test_what_a_sensor_in_the_air_should_show_next_is_told(service: RunningService) -> None:
    def expected() -> dict[str, Any] | None:
        sensors = {s["name"]: s for s in service.get("/api/now")["chambers"][0]["sensors"]}
        return sensors if sensors["top"]["expected_c"] is not None else None

    sensors = wait_until(expected, within_s=60)
    top, room = sensors["top"], sensors["room"]
    assert abs(top["expected_c"] - top["temperature_c"]) < 5.0
    assert 0.0 < top["u_k"] < 5.0
    assert top["off_k"] == 0.0
    assert (room["expected_c"], room["u_k"], room["off_k"]) == (None, None, 0.0)


def test_readings_come_in_columns_of_one_length(service: RunningService) -> None:
    columns = wait_until(
        lambda: _columns(service) if len(_columns(service)["time_s"]) > 3 else None, within_s=60
    )
    assert set(columns["sensors"]) == {"top", "room"}
    assert all(len(values) == len(columns["time_s"]) for values in columns["sensors"].values())
    assert columns["time_s"] == sorted(columns["time_s"])
    assert abs(columns["time_s"][-1] - time.time()) < 10.0


def _columns(service: RunningService) -> dict[str, Any]:
    columns: dict[str, Any] = service.get("/api/readings", points=500)
    return columns


def test_lists_go_on_where_they_ended(service: RunningService) -> None:
    for text in ("one", "two", "three"):
        job = service.now()["job"]
        if job is None:
            job = service.post("/api/jobs", {"name": "spacers"})
        service.post(f"/api/jobs/{job['id']}/note", {"text": text})
    job = service.post("/api/jobs", {"name": "next"}) if service.now()["job"] is None else None
    items: list[int] = []
    after: int | None = 0
    while after is not None:
        page = service.get("/api/jobs", after=after, limit=1)
        items += [item["seq"] for item in page["items"]]
        after = page["next"]
    assert items == sorted(set(items))
    assert items


def test_the_live_stream_begins_with_now_and_goes_on_each_second(service: RunningService) -> None:
    with service.live() as stream:
        first = next(stream)
        second = next(event for event in stream if event.kind == "now")  # others may come between
    assert first.kind == "now"
    assert second.data != first.data
    assert first.data["chambers"][0]["chamber"] == "north-bench"
    assert first.id.isdecimal()


def test_the_live_stream_resumes_without_loss(service: RunningService) -> None:
    job = (service.now()["job"] or {}).get("id")
    job = job or service.post("/api/jobs", {"name": "bushings"})["id"]
    with service.live() as stream:
        seen = next(stream).id
    for number in range(5):
        service.post(f"/api/jobs/{job}/note", {"text": f"note {number}"})
    texts: list[str] = []
    with service.live(last_event_id=seen) as stream:
        for event in stream:
            if event.kind == "note":
                assert int(event.id) > int(seen)
                texts.append(event.data["text"])
            if len(texts) == 5:
                break
    assert texts == [f"note {number}" for number in range(5)]


@pytest.mark.parametrize("seen", ["999999999", "abc", "-1", "9" * 400])
def test_a_viewer_that_cannot_have_seen_that_asks_anew(service: RunningService, seen: str) -> None:
    with service.live(last_event_id=seen) as stream:
        assert next(stream).kind == "reset"
        assert next(stream).kind == "now"


def test_openapi_describes_what_is_served(service: RunningService) -> None:
    paths = service.get("/api/openapi.json")["paths"]
    assert "/api/jobs/{job}/readings" in paths
    assert "/api/alarms/{alarm}/acknowledge" in paths


def test_connections_that_never_speak_hold_nobody_up(service: RunningService) -> None:
    idle = [socket.create_connection(("127.0.0.1", service.port), 5.0) for _ in range(50)]
    try:
        for line in idle:
            line.sendall(b"GET /api/now HTTP/1.1\r\nHo")
        assert service.web.get("/api/health", timeout=5.0).status_code == 200
    finally:
        for line in idle:
            line.close()


def test_it_never_told_of_an_error_of_its_own(service: RunningService) -> None:
    assert "Traceback" not in service.log.read_text()


def test_it_stops_at_once_with_live_pages_open(tmp_path: Path) -> None:
    with RunningService(tmp_path / "data") as service:
        pages = [socket.create_connection(("127.0.0.1", service.port), 5.0) for _ in range(3)]
        for page in pages:
            page.sendall(b"GET /api/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            page.recv(100)
        assert service.stop(within_s=5.0) == 0
        for page in pages:
            page.close()
        assert "Traceback" not in service.log.read_text()


def test_the_first_picture_is_waited_for(tmp_path: Path) -> None:
    frame, opens = tmp_path / "frame.jpg", tmp_path / "opens"
    frame.write_bytes(packed(picture(1)))
    program = tmp_path / "slow_to_open.sh"
    program.write_text(
        f"while [ ! -e {opens} ]; do sleep 0.05; done\n"
        f"while true; do cat {frame}; sleep 0.1; done\n"
    )
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(CHAMBER + f'\n[camera]\nsource = "command:sh {program}"\n')
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as running:
        asked = threading.Timer(0.5, opens.touch)  # while somebody waits for its picture
        asked.start()
        answer = running.web.get("/api/picture")
        asked.join()
        small = running.web.get("/api/picture", params={"width": 320})
        refused = running.web.get("/api/picture", params={"width": 10**9})
    assert small.content.startswith(b"\xff\xd8") and len(small.content) < len(answer.content)
    assert "one of 320 or 640" in problem(refused, 422)["detail"]
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "image/jpeg"
