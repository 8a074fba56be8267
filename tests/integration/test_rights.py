"""Every operation against everybody who may ask: one table, and nothing outside of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from halls import hall
from running import RunningService, stillair, wait_until
from servers import Broker, DatabaseServer
from stillair.runtime.tries import MOST as MOST_TRIES
from warm_starts import warm_run

PASSWORD = "a long row to the weir"
CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "mqtt"
topic = "shed/top"

[mqtt]
host = "127.0.0.1"
port = 9

[stop]
command = "true"
"""

# Who may, in the order of the callers below: + allowed, 0 asks for a sign-in (401), - refused (403)
CALLERS = (
    "stranger", "viewer", "operator", "owner", "reader", "height teller", "other's height teller"
)  # fmt: skip
ANYBODY = "+++++++"
READ = "0++++--"  # also a token that only reads
OPERATE = "0-++---"
JOBS = "0-++---"  # a token of the scope jobs as well
PAUSE = "0-++-+-"
PROGRESS = "0-++-+-"
OWN = "0--+---"
PERSON = "0------"  # somebody who has signed in; no token
RIGHTS = {
    "GET /api/health": ANYBODY,
    "GET /metrics": READ,
    "GET /api/now": READ,
    "GET /api/events": READ,
    "GET /api/alarms": READ,
    "POST /api/alarms/{alarm}/acknowledge": OPERATE,
    "POST /api/alarms/{alarm}/reset": OPERATE,
    "POST /api/alarms/{alarm}/shelve": OPERATE,
    "POST /api/alarms/{alarm}/unshelve": OPERATE,
    "POST /api/chambers/{chamber}/opening": OPERATE,
    "POST /api/chambers/{chamber}/opening/end": OPERATE,
    "POST /api/chambers/{chamber}/out-of-service": OPERATE,
    "POST /api/chambers/{chamber}/in-service": OPERATE,
    "POST /api/chambers/{chamber}/stop/hold": PERSON,
    "POST /api/chambers/{chamber}/stop/now": OPERATE,
    "POST /api/chambers/{chamber}/stop/try": PERSON,
    "POST /api/chambers/{chamber}/stop/tried": PERSON,
    "POST /api/chambers/{chamber}/stop/reset": PERSON,
    "POST /api/chambers/{chamber}/presence": OPERATE,
    "POST /api/chambers/{chamber}/hand-over": OPERATE,
    "POST /api/chambers/{chamber}/leave": OPERATE,
    "POST /api/chambers/{chamber}/unattended": OPERATE,
    "GET /api/readings": READ,
    "GET /api/last-sound": READ,
    "GET /api/picture": READ,
    "POST /api/camera/pause": OPERATE,
    "POST /api/camera/resume": OPERATE,
    "GET /api/jobs": READ,
    "POST /api/jobs": "0-++---",  # narrow tokens: see below
    "GET /api/jobs/{job}": READ,
    "PATCH /api/jobs/{job}": OPERATE,
    "DELETE /api/jobs/{job}": OWN,
    "DELETE /api/clips/{clip}": OWN,
    "DELETE /api/jobs/{job}/pictures": OWN,
    "POST /api/jobs/{job}/finish": JOBS,
    "POST /api/jobs/{job}/pause": PAUSE,
    "POST /api/jobs/{job}/resume": PAUSE,
    "POST /api/jobs/{job}/progress": PROGRESS,
    "POST /api/jobs/{job}/note": JOBS,
    "POST /api/jobs/{job}/outcome": OPERATE,
    "POST /api/jobs/{job}/toolpath": JOBS,
    "GET /api/jobs/{job}/heights": READ,
    "GET /api/jobs/{job}/heights/when": READ,
    "POST /api/jobs/{job}/pins": JOBS,
    "DELETE /api/jobs/{job}/pins/{pin}": JOBS,
    "GET /api/toolpaths": READ,
    "POST /api/toolpaths": "0-++---",  # as for jobs
    "GET /api/toolpaths/{toolpath}": READ,
    "DELETE /api/toolpaths/{toolpath}": OPERATE,
    "GET /api/toolpaths/{toolpath}/layers": READ,
    "GET /api/toolpaths/{toolpath}/before": READ,
    "GET /api/toolpaths/{toolpath}/outline": READ,
    "GET /api/jobs/{job}/log": READ,
    "PATCH /api/jobs/{job}/log": OPERATE,
    "PUT /api/jobs/{job}/pieces/{number}": OPERATE,
    "DELETE /api/jobs/{job}/pieces/{number}": OPERATE,
    "GET /api/jobs/{job}/photographs": READ,
    "POST /api/jobs/{job}/photographs": OPERATE,
    "DELETE /api/jobs/{job}/photographs/{picture}": OPERATE,
    "GET /api/jobs/{job}/notes": READ,
    "GET /api/jobs/{job}/readings": READ,
    "GET /api/jobs/{job}/weather": READ,
    "GET /api/jobs/{job}/file": READ,
    "GET /api/jobs/{job}/settings": READ,
    "GET /api/jobs/{job}/unlike": READ,
    "GET /api/jobs/{job}/stages": READ,
    "GET /api/jobs/{job}/beside": READ,
    "POST /api/jobs/{job}/what-if": OPERATE,
    "GET /api/jobs/{job}/what-if": READ,
    "GET /api/clips": READ,
    "GET /api/clips/{clip}": READ,
    "GET /api/events/{event}/pictures": READ,
    "GET /api/events/{event}/evidence": READ,
    "POST /api/events/{event}/judge": OPERATE,
    "GET /api/jobs/{job}/clips": READ,
    "GET /api/jobs/{job}/pictures": READ,
    "GET /api/pictures/{picture}": READ,
    "GET /api/live": READ,
    "GET /api/season": READ,
    "POST /api/season": OWN,  # 409: a chamber file was given
    "DELETE /api/season": OWN,
    "GET /api/session": READ,
    "GET /api/session/shell": READ,
    "POST /api/session": ANYBODY,
    "DELETE /api/session": ANYBODY,
    "POST /api/session/owner": ANYBODY,  # 409: there is an owner
    "POST /api/session/password": PERSON,
    "GET /api/session/all": PERSON,
    "POST /api/session/end": PERSON,
    "POST /api/session/end-others": PERSON,
    "GET /api/people": OWN,
    "POST /api/people": OWN,
    "POST /api/people/role": OWN,
    "POST /api/people/remove": OWN,
    "POST /api/people/sign-out": OWN,
    "GET /api/tokens": OWN,
    "POST /api/tokens": OWN,
    "POST /api/tokens/remove": OWN,
    "GET /api/audit": OWN,
    "GET /api/setting-up": OWN,
    "GET /api/watch": READ,
    "GET /api/chamber-files": OWN,
    "POST /api/chamber-files": OWN,
    "POST /api/chamber-files/proposal": OWN,
    "POST /api/chamber-files/seen": OWN,
    "POST /api/chamber-files/undo": OWN,
    "GET /api/finding": OWN,
    "POST /api/finding/anew": OWN,
    "POST /api/finding/trial": OWN,
    "POST /api/finding/broker": OWN,
    "POST /api/finding/route": OWN,
    "GET /api/finding/pins": OWN,
    "POST /api/finding/pins": OWN,
    "POST /api/camera-trials": OWN,
    "GET /api/camera-trials/{trial}": OWN,
    "GET /api/camera-trials/{trial}/picture": OWN,
    "DELETE /api/camera-trials/{trial}": OWN,
    "GET /api/archive": OWN,
    "POST /api/archive": OWN,
    "GET /api/alarm-tests": READ,
    "POST /api/alarm-tests/sounder": OWN,
    "POST /api/alarm-tests": OPERATE,
    "POST /api/alarm-tests/{test}/confirm": OPERATE,
    # Whoever has the link of a message; others get 404, whoever they are.
    "GET /api/answer/{token}": ANYBODY,
    "GET /api/answer/{token}/picture": ANYBODY,
    "GET /api/answer/{token}/readings": ANYBODY,
    "POST /api/answer/{token}/seen": ANYBODY,
    "POST /api/answer/{token}/quiet": ANYBODY,
    "GET /api/answer/{token}/test": ANYBODY,
    "POST /api/answer/{token}/heard": ANYBODY,
    "GET /api/telephones": READ,
    "GET /api/telephones/key": READ,
    "POST /api/telephones": OPERATE,
    "DELETE /api/telephones/{telephone}": OPERATE,
    "POST /api/telephones/{telephone}/trial": OPERATE,
}
# What a hall has beside what it answers as a board does.
OF_HALL = {
    "GET /api/hall": READ,
    "GET /api/hall/{chamber}": READ,
    "DELETE /api/hall/{chamber}": OWN,
    "POST /api/alarm-tests": OWN,
    "POST /api/hall/alarms/{alarm}/seen": OPERATE,
    "GET /api/hall/unseen": READ,
    "POST /api/hall/seen": OPERATE,
}
AT_BOARDS = ("POST /api/jobs", "PATCH /api/jobs/{job}", "POST /api/alarms/{alarm}/reset")
TOKENS = {
    "viewer": ("--role", "viewer"),
    "operator": ("--role", "operator"),
    "owner": ("--role", "owner"),
    "reader": ("--role", "viewer", "--only", "read"),
    "height teller": (
        *("--role", "operator", "--only", "progress", "--only", "pause"),
        *("--chamber", "boat-shed"),
    ),
    "other's height teller": (
        *("--role", "operator", "--only", "progress", "--only", "pause"),
        *("--chamber", "jetty"),
    ),
    "starter": ("--role", "operator", "--only", "jobs", "--chamber", "boat-shed"),
    "other's starter": ("--role", "operator", "--only", "jobs", "--chamber", "jetty"),
}
FILLED = {
    "{job}": "boat-shed-99",
    "{alarm}": "boat-shed-99",
    "{chamber}": "boat-shed",
    "{event}": "99",
    "{test}": "boat-shed-99",
    "{picture}": "0" * 32,
    "{number}": "1",
    "{token}": "a-link.that-is-none",
    "{telephone}": "0" * 16,
    "{trial}": "0" * 32,
    "{toolpath}": "0" * 32,
}


def command(*words: str, typed: str = "") -> str:
    done = warm_run(stillair(*words), typed=typed or "")
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("rights")
    chamber = folder / "chamber.toml"
    chamber.write_text(CHAMBER)
    command("owner", "add", "captain", "--data-dir", str(folder / "data"), typed=PASSWORD)
    with RunningService(folder / "data", "--chamber", str(chamber), "--metrics") as running:
        yield running


@pytest.fixture(scope="module")
def headers(service: RunningService) -> dict[str, dict[str, str]]:
    made = {"stranger": {"authorization": "Bearer stillair_nobody"}}
    with_owner = {"name": "captain", "password": PASSWORD}
    cookie = service.web.post("/api/session", json=with_owner).cookies["stillair_session"]
    service.web.cookies.clear()
    for name, words in TOKENS.items():
        role, scopes, chamber = words[1], list[str](), None
        for option, value in zip(words[2::2], words[3::2], strict=True):
            if option == "--only":
                scopes.append(value)
            else:
                chamber = value
        if chamber in (None, "boat-shed"):
            answer = service.web.post(
                "/api/tokens",
                json={"name": name, "role": role, "scopes": scopes, "chamber": chamber},
                headers={"cookie": f"stillair_session={cookie}"},
            )
            assert answer.status_code == 201, answer.text
            token = answer.json()["token"]
        else:  # a chamber of another file
            folder = str(service.folder)
            token = command("token", "add", name, *words, "--data-dir", folder).split()[-1]
        made[name] = {"authorization": f"Bearer {token}"}
    made["captain"] = {"cookie": f"stillair_session={cookie}"}
    return made


def operations(document: Any) -> set[str]:
    return {
        f"{method.upper()} {path}"
        for path, methods in document["paths"].items()
        for method in methods
    }


def test_every_operation_stands_in_the_table(
    service: RunningService, headers: dict[str, dict[str, str]]
) -> None:
    answer = service.web.get("/api/openapi.json", headers=headers["viewer"])
    assert operations(answer.json()) == set(RIGHTS)


def test_no_secret_goes_into_an_address(
    service: RunningService, headers: dict[str, dict[str, str]]
) -> None:
    """Addresses are remembered by browsers and written down by proxies."""
    described = service.web.get("/api/openapi.json", headers=headers["viewer"]).json()
    asked = {
        parameter["name"]
        for path in described["paths"].values()
        for operation in path.values()
        if operation is not described["paths"]["/api/toolpaths"].get("post")
        for parameter in operation.get("parameters", [])
        if parameter["in"] == "query"
    }
    assert {"after", "limit"} <= asked
    # What a file is called may be known: it is no person's name.
    send = described["paths"]["/api/toolpaths"]["post"]
    assert "name" in {parameter["name"] for parameter in send["parameters"]}
    secret = {"password", "old", "new", "code", "token", "session", "name", "text", "note", "notes"}
    assert not asked & secret
    cookie = headers["captain"]["cookie"].partition("=")[2]
    for name in ("token", "access_token", "session", "stillair_session"):
        answer = service.web.get("/api/now", params={name: cookie})
        assert answer.status_code == 401, name


def status(service: RunningService, operation: str, headers: dict[str, str]) -> int:
    method, path = operation.split()
    for name, value in FILLED.items():
        path = path.replace(name, value)
    body: object = {} if method == "POST" else None
    if operation == "POST /api/toolpaths":  # a file, and no JSON
        headers = {**headers, "content-type": "application/octet-stream"}
        with service.web.stream(
            method, path, params={"name": "x"}, content=b"G1", headers=headers
        ) as sent:
            return sent.status_code
    if operation == "POST /api/archive":  # a file, and no JSON
        headers = {**headers, "content-type": "application/octet-stream"}
        with service.web.stream(method, path, content=b"PK", headers=headers, timeout=60) as sent:
            return sent.status_code
    if operation == "POST /api/jobs/{job}/photographs":  # a picture, and no JSON
        headers = {**headers, "content-type": "image/jpeg"}
        with service.web.stream(method, path, content=b"none", headers=headers) as sent:
            return sent.status_code
    # An archive is made before it is sent.
    with service.web.stream(method, path, json=body, headers=headers, timeout=60) as answer:
        return answer.status_code  # the live stream has no end


@pytest.mark.parametrize("operation", RIGHTS)
def test_who_may(
    service: RunningService, headers: dict[str, dict[str, str]], operation: str
) -> None:
    found = ""
    for caller in CALLERS:
        told = status(service, operation, headers[caller])
        found += {401: "0", 403: "-"}.get(told, "+")
        assert told < 500, (caller, told)
    # An empty body signs nobody in, which is 401 to everybody.
    wanted = "+++++++" if operation == "POST /api/session" else RIGHTS[operation]
    assert found == wanted, dict(zip(CALLERS, found, strict=True))


def test_where_things_hang_is_told_to_owners_alone(
    service: RunningService, headers: dict[str, dict[str, str]]
) -> None:
    """A sensor's fault, as the first page, the live stream, alarms and events tell it."""

    def told(who: str, path: str) -> str:
        if path != "/api/live":
            return service.web.get(path, headers=headers[who]).text
        with service.web.stream("GET", path, headers=headers[who]) as stream:
            return next(line for line in stream.iter_lines() if line.startswith("data: "))

    where = "127.0.0.1:9"
    wait_until(lambda: where in told("owner", "/api/alarms"), within_s=60.0)
    for path in ("/api/now", "/api/live", "/api/alarms", "/api/events"):
        # Events come from the disk, a moment after an alarm of them is shown.
        wait_until(lambda: where in told("owner", path), within_s=60.0)  # noqa: B023
        for who in ("viewer", "operator", "reader"):
            found = told(who, path)
            assert "127.0.0.1" not in found, (who, path)
            assert "connection to the broker (left out)" in found, (who, path)


def test_entries_of_the_stream_tell_it_to_owners_alone_too(
    service: RunningService, headers: dict[str, dict[str, str]]
) -> None:
    """As they come again to a page that was away."""

    def faults() -> list[dict[str, Any]]:
        items = service.web.get("/api/events", headers=headers["owner"]).json()["items"]
        return [item for item in items if "127.0.0.1:9" in str(item)]

    wait_until(lambda: faults() != [], within_s=60.0)
    away = {"last-event-id": str(faults()[0]["seq"] - 1)}

    def told(who: str) -> str:
        lines = list[str]()
        with service.web.stream("GET", "/api/live", headers=headers[who] | away) as stream:
            for line in stream.iter_lines():
                if line == "event: now":
                    break
                lines.append(line)
        assert "event: event" in lines, "entries, and not the state alone"
        return "\n".join(lines)

    assert "127.0.0.1:9" in told("owner")
    for who in ("viewer", "operator", "reader"):
        assert "127.0.0.1" not in (found := told(who)), who
        assert "connection to the broker (left out)" in found, who


def test_a_broker_that_was_not_tried_is_not_on_record(
    service: RunningService, headers: dict[str, dict[str, str]]
) -> None:
    """There are so many tries in five minutes; more are refused, and nothing was done."""
    owner = headers["owner"]
    (now,) = service.web.get("/api/chamber-files", headers=owner).json()["items"]
    wanted = {"do": "broker", "host": "127.0.0.1", "port": 9}
    body = {"chamber": now["chamber"], "base": now["base"], "broker": wanted}
    answers = [
        service.web.post("/api/finding/broker", json=body, headers=owner).status_code
        for _ in range(MOST_TRIES + 3)
    ]
    assert answers == [200] * MOST_TRIES + [429] * 3
    acts = service.web.get("/api/audit", headers=owner).json()["items"]
    assert len([act for act in acts if act["what"] == "broker tried"]) == MOST_TRIES


@pytest.mark.parametrize("operation", [name for name, who in RIGHTS.items() if who == PERSON])
def test_what_is_a_persons_own_is_open_to_the_person(
    service: RunningService, headers: dict[str, dict[str, str]], operation: str
) -> None:
    fits = (200, 422, 409) if "/stop/" in operation else (200, 422)
    assert status(service, operation, headers["captain"]) in fits


def test_a_token_for_jobs_acts_in_its_own_chamber(
    service: RunningService, headers: dict[str, dict[str, str]]
) -> None:
    def start(who: str, **more: object) -> int:
        answer = service.web.post("/api/jobs", json={"name": "x", **more}, headers=headers[who])
        return answer.status_code

    assert start("other's starter", chamber="boat-shed") == 403
    assert start("other's starter") == 404, "its own chamber isn't here"
    assert start("starter") in (201, 409)
    assert start("reader") == 403
    noted = service.web.post(
        "/api/jobs/boat-shed-99/note", json={"text": "x"}, headers=headers["starter"]
    )
    assert noted.status_code == 404, "allowed, but there is no such job"


def test_who_may_at_a_hall(
    tmp_path_factory: pytest.TempPathFactory, mosquitto: Broker, database_server: DatabaseServer
) -> None:
    folder = tmp_path_factory.mktemp("hall rights")
    data = str(folder / "data")
    command("owner", "add", "captain", "--data-dir", data, typed=PASSWORD)
    headers = {"stranger": {"authorization": "Bearer stillair_nobody"}}
    for name in CALLERS[1:5]:
        made = command("token", "add", name, *TOKENS[name], "--data-dir", data).split()[-1]
        headers[name] = {"authorization": f"Bearer {made}"}
    with hall(folder, mosquitto.port, "", "--metrics", store=database_server.new_database()) as it:
        wait_until(lambda: it.get("/api/health")["status"] == "ok", within_s=60)
        described = it.web.get("/api/openapi.json", headers=headers["viewer"]).json()
        told = operations(described)
        assert set(OF_HALL) < told
        assert told - set(OF_HALL) < set(RIGHTS), "all else a board has as well"
        for operation in (*sorted(told), *AT_BOARDS):
            found = ""
            for name in headers:
                given = status(it, operation, headers[name])
                assert given < 500, (operation, name, given)
                found += {401: "0", 403: "-"}.get(given, "+")
            wanted = "+++++" if operation == "POST /api/session" else (RIGHTS | OF_HALL)[operation]
            assert found == wanted[:5], operation
