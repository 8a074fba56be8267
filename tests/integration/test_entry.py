"""Who may come in: a real service with an owner, people and tokens."""

from __future__ import annotations

import asyncio
import re
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import httpx
import pytest
from fastapi import FastAPI
from starlette.types import Receive, Send

from running import RunningService, stillair, wait_until
from servers import free_loopback_port
from stillair.api.app import _Pages
from stillair.api.page_files import PageFiles
from stillair.api.problems import Problem
from stillair.api.routers import session
from warm_starts import warm_run

PASSWORD = "a long row to the weir"


def command(*words: str, typed: str | None = None) -> subprocess.CompletedProcess[str]:
    return warm_run(stillair(*words), typed=typed or "")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("entry")
    typed = f"{PASSWORD}\n{PASSWORD}\n"
    done = command("owner", "add", "captain", "--data-dir", str(made), typed=typed)
    assert done.returncode == 0, done.stderr
    return made


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[RunningService]:
    with RunningService(folder) as running:
        yield running


def token(folder: Path, role: str, name: str = "") -> dict[str, str]:
    """The header of a new token."""
    name = name or f"a {role}'s script"
    done = command("token", "add", name, "--role", role, "--data-dir", str(folder))
    assert done.returncode == 0, done.stderr
    return {"authorization": f"Bearer {done.stdout.split()[-1]}"}


def begun(service: RunningService, headers: dict[str, str]) -> dict[str, Any]:
    """The job that the scripted machine begins, once it has."""
    return wait_until(
        lambda: service.web.get("/api/now", headers=headers).json()["chambers"][0]["job"],
        within_s=60.0,
    )


def test_nobody_else_is_let_in_before_there_is_an_owner(tmp_path: Path) -> None:
    port = str(free_loopback_port())
    folder = tmp_path / "boat shed"
    done = command("run", "--data-dir", str(folder), "--host", "0.0.0.0", "--port", port)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    # What it says to do works as it stands: whole path of the program, and the same folder.
    pasted = done.stderr.split("Make one first: ", 1)[1].strip()
    made = subprocess.run(
        ["sh", "-c", pasted.replace("NAME", "captain")],
        input=f"{PASSWORD}\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert made.returncode == 0, made.stderr
    assert "captain: owner" in command("owner", "list", "--data-dir", str(folder)).stdout


@pytest.mark.parametrize(
    "managed", [pytest.param(False, id="a lost file"), pytest.param(True, id="a new card")]
)
def test_without_its_people_it_watches_for_this_computer_alone(
    tmp_path: Path, managed: bool
) -> None:
    environment = {}
    if managed:  # nobody reads what it says
        environment["NOTIFY_SOCKET"] = str(tmp_path / "nobody there")
    else:
        made = command("owner", "add", "captain", "--data-dir", str(tmp_path), typed=PASSWORD)
        assert made.returncode == 0, made.stderr
        with RunningService(tmp_path):
            pass
        for path in tmp_path.glob("access.db*"):
            path.unlink()
    with RunningService(tmp_path, "--host", "0.0.0.0", environment=environment) as running:
        said = running.log.read_text()
        assert "Not listening on 0.0.0.0" in said
        assert "owner add NAME" in said
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.2", running.port), 5.0)

        def told() -> list[str]:
            alarms = running.get("/api/alarms")["items"]
            return [a["text"] for a in alarms if a["kind"] == "delivery_fault"]

        [text] = wait_until(told, within_s=60)
        assert "No telephone can open the page" in text
        assert "owner add NAME" in text
        assert running.now()["sensors"], "it watches"


def test_who_opens_it_to_others_in_clear_is_told_so(tmp_path: Path) -> None:
    made = command("owner", "add", "captain", "--data-dir", str(tmp_path), typed=PASSWORD)
    assert made.returncode == 0, made.stderr
    with RunningService(tmp_path, "--host", "0.0.0.0") as running:
        said = running.log.read_text()
    assert "in clear" in said
    assert "certificate make" in said


def test_the_code_on_the_console_makes_the_owner_once(tmp_path: Path) -> None:
    with RunningService(tmp_path) as service:
        shown = re.findall(r"The code (\S+) makes", service.log.read_text())
        assert len(shown) == 1
        asked = {"name": "captain", "password": PASSWORD}
        others = {"name": "cox", "role": "viewer", "password": PASSWORD}
        for name in ("X-Forwarded-For", "Forwarded", "X-Real-IP", "Via"):
            through = service.web.get("/api/now", headers={name: "203.0.113.9"})
            assert through.status_code == 401, "whoever comes through a proxy isn't here"
        early = service.web.post("/api/people", json=others)
        assert early.status_code == 409, "who merely sits there makes nobody"
        assert (
            service.web.post("/api/tokens", json={"name": "x", "role": "owner"}).status_code == 409
        )
        wrong = service.web.post("/api/session/owner", json={"code": "AAAA-AAAA", **asked})
        assert wrong.status_code == 403
        weak = {"code": shown[0], "name": "captain", "password": "short"}
        assert service.web.post("/api/session/owner", json=weak).status_code == 409
        made = service.web.post("/api/session/owner", json={"code": shown[0], **asked})
        assert made.status_code == 201, made.text
        assert service.get("/api/session")["role"] == "owner", "signed in by its cookie"
        assert service.web.post("/api/people", json=others).status_code == 201
        again = service.web.post("/api/session/owner", json={"code": shown[0], **asked})
        assert again.status_code == 409
        service.web.cookies.clear()
        assert service.web.get("/api/now").status_code == 401


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        pytest.param("one long enough\nanother long enough\n", "differ", id="two passwords"),
        pytest.param("short\nshort\n", "12", id="too short"),
        pytest.param("", "12", id="none"),
    ],
)
def test_an_owner_needs_a_good_password(tmp_path: Path, typed: str, said: str) -> None:
    done = command("owner", "add", "captain", "--data-dir", str(tmp_path), typed=typed)
    assert done.returncode == 1
    assert said in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "path",
    [
        "/api/now",
        "/api/events",
        "/api/alarms",
        "/api/jobs",
        "/api/readings",
        "/api/picture",
        f"/api/pictures/{'0' * 32}",
        "/api/events/1/pictures",
        "/api/events/1/evidence",
        "/api/jobs/boat-shed-1/pictures",
        "/api/live",
        "/api/openapi.json",
        "/api/session",
        "/api/session/shell",
        "/web/js/main.js",
        "/web/program.js",
        "/web/rest.js",
        "/web/v-0123456789abcdef/program.js",
        "/web/index.html",
    ],
)
@pytest.mark.parametrize(
    "headers", [{}, {"authorization": "Bearer " + "x" * 43}, {"cookie": "stillair_session=x"}]
)
def test_strangers_see_nothing(service: RunningService, path: str, headers: dict[str, str]) -> None:
    answer = service.web.get(path, headers=headers)
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"


def test_strangers_may_ask_for_health_and_the_sign_in(service: RunningService) -> None:
    assert set(service.get("/api/health")) == {"status"}
    assert service.web.get("/", follow_redirects=False).headers["location"] == "/sign-in"
    assert service.web.get("/sign-in").status_code == 200
    assert service.web.get("/web/stillair.css").status_code == 200


@pytest.mark.parametrize(
    ("role", "may"), [("viewer", False), ("operator", True), ("owner", True)], ids=str
)
def test_a_role_may_what_it_may(
    service: RunningService, folder: Path, role: str, may: bool
) -> None:
    headers = token(folder, role)
    assert service.web.get("/api/now", headers=headers).status_code == 200
    job = begun(service, headers)
    answer = service.web.post(
        f"/api/jobs/{job['id']}/note", json={"text": f"by {role}"}, headers=headers
    )
    assert answer.status_code == (200 if may else 403)
    for path, body in (("outcome", {"outcome": "sound"}), ("what-if", {"limit_c": 1.0})):
        answer = service.web.post(f"/api/jobs/{job['id']}/{path}", json=body, headers=headers)
        # Allowed, it is refused for another reason: the job still runs, no box bears so little.
        assert answer.status_code in ((409, 422) if may else (403,)), path
    judged = service.web.post("/api/events/999999/judge", json={"false": True}, headers=headers)
    assert judged.status_code == (404 if may else 403), "there is no such event"
    seen = service.web.get(f"/api/jobs/{job['id']}/pictures", headers=headers)
    assert seen.status_code == 200


def test_signing_in_and_out(service: RunningService) -> None:
    with httpx.Client(base_url=str(service.web.base_url)) as browser:
        wrong = browser.post("/api/session", json={"name": "captain", "password": "not this one"})
        assert wrong.status_code == 401
        answer = browser.post("/api/session", json={"name": "captain", "password": PASSWORD})
        assert answer.status_code == 201
        cookie = answer.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        who = browser.get("/api/session").json()
        assert (who["name"], who["role"]) == ("captain", "owner")
        assert who["page"] in browser.get("/").text, "so that an older page knows that it is old"
        assert browser.get("/").status_code == 200
        kept = browser.cookies["stillair_session"]
        assert browser.delete("/api/session").status_code == 200
        again = service.web.get("/api/now", headers={"cookie": f"stillair_session={kept}"})
        assert again.status_code == 401


def test_a_slow_disk_holds_up_no_loop_when_a_page_is_fetched(tmp_path: Path) -> None:
    asked_in: list[threading.Thread] = []

    class Known:
        def has_owner(self) -> bool:
            asked_in.append(threading.current_thread())
            return True

    (tmp_path / "main.js").write_text("")
    pages = _Pages(tmp_path, PageFiles(tmp_path))
    about = FastAPI()
    about.state.access = Known()
    scope = {"type": "http", "method": "GET", "path": "/main.js", "headers": [], "app": about}
    with pytest.raises(Problem):
        asyncio.run(
            pages({**scope, "query_string": b""}, cast("Receive", None), cast("Send", None))
        )
    assert asked_in
    assert threading.main_thread() not in asked_in


def test_many_who_sign_in_at_once_hold_up_nobody_else() -> None:
    leave = threading.Event()

    class Slow:
        def sign_in(self, name: str, password: str, *, address: str, mark: str) -> str:
            leave.wait(20.0)
            return "token"

        def new_mark(self, name: str) -> str:
            return "mark"

    about = FastAPI()
    about.state.access = Slow()
    about.state.signing_in = asyncio.Semaphore(4)
    about.include_router(session.router)

    @about.get("/now")
    def now() -> str:
        return "watching"

    async def ask() -> None:
        told = {"name": "captain", "password": PASSWORD}
        transport = httpx.ASGITransport(about)
        async with httpx.AsyncClient(transport=transport, base_url="http://shed") as web:
            guesses = [asyncio.create_task(web.post("/api/session", json=told)) for _ in range(60)]
            try:
                answer = await asyncio.wait_for(web.get("/now"), 10.0)
            finally:
                leave.set()
            assert answer.json() == "watching"
            assert {done.status_code for done in await asyncio.gather(*guesses)} == {201}

    asyncio.run(ask())


def test_guessing_is_slowed_down_but_locks_nobody_out(service: RunningService) -> None:
    with httpx.Client(base_url=str(service.web.base_url)) as browser:
        answers = [
            browser.post("/api/session", json={"name": "cox", "password": f"guess number {n}"})
            for n in range(12)
        ]
        assert {answer.status_code for answer in answers} <= {401, 429}
        assert answers[-1].status_code == 429
        assert int(answers[-1].headers["retry-after"]) >= 1
        ours = browser.post("/api/session", json={"name": "captain", "password": PASSWORD})
        assert ours.status_code in (201, 429)


def test_a_browser_is_known_again_by_a_mark_that_opens_nothing(service: RunningService) -> None:
    ours = {"name": "captain", "password": PASSWORD}
    with httpx.Client(base_url=str(service.web.base_url)) as browser:
        wait_until(
            lambda: browser.post("/api/session", json=ours).status_code == 201, within_s=60.0
        )
        mark = browser.cookies["stillair_known"]
        for cookie in browser.post("/api/session", json=ours).headers.get_list("set-cookie"):
            assert "httponly; max-age=" in cookie.lower() and "samesite=strict" in cookie.lower()
        assert browser.delete("/api/session").status_code == 200
        assert browser.cookies["stillair_known"] != mark, "another at each sign-in"
        assert browser.get("/api/now").status_code == 401
    with httpx.Client(base_url=str(service.web.base_url)) as neighbour:
        wrong = [
            neighbour.post("/api/session", json=ours | {"password": f"guess number {n}"})
            for n in range(12)
        ]
        assert wrong[-1].status_code == 429
        neighbour.cookies.set("stillair_known", mark)
        assert neighbour.post("/api/session", json=ours).status_code == 201


def test_no_password_or_token_stands_in_the_log(service: RunningService) -> None:
    log = service.log.read_text()
    assert PASSWORD not in log
    assert "Bearer" not in log


def test_what_somebody_does_is_on_record(service: RunningService, folder: Path) -> None:
    headers = token(folder, "owner", "an owner's other script")
    alarm = service.web.post("/api/alarms/boat-shed-99/acknowledge", headers=headers)
    assert alarm.status_code == 404
    job = begun(service, headers)["id"]
    noted = service.web.post(f"/api/jobs/{job}/note", json={"text": "x"}, headers=headers)
    assert noted.status_code == 200
    found = service.web.get("/api/audit", headers=headers).json()["items"]
    last = found[-1]
    assert (last["what"], last["subject"], last["by"]) == (
        "note added",
        job,
        "an owner's other script",
    )
    assert last["address"] == "127.0.0.1"
    assert "alarm acknowledged" not in [item["what"] for item in found], "it was refused"


def test_who_asks_for_what_they_may_not_is_on_record_now_and_then(
    service: RunningService, folder: Path
) -> None:
    prying, owner = token(folder, "viewer", "a prying script"), token(folder, "owner", "a third")
    for _ in range(6):
        assert service.web.get("/api/audit", headers=prying).status_code == 403
    found = service.web.get("/api/audit", headers=owner).json()["items"]
    told = [(item["what"], item["subject"]) for item in found if item["by"] == "a prying script"]
    assert told == [("refused (1)", "GET /api/audit"), ("refused (5)", "GET /api/audit")]
    assert service.web.get("/api/now", headers=prying).status_code == 200, "it is slowed down"


def test_people_are_let_in_and_out_by_command(service: RunningService, folder: Path) -> None:
    data = ("--data-dir", str(folder))
    done = command("person", "add", "stroke", "--role", "operator", *data, typed=PASSWORD)
    assert done.returncode == 0, done.stderr
    assert "stroke: operator" in command("person", "list", *data).stdout
    with httpx.Client(base_url=str(service.web.base_url)) as browser:
        asked = {"name": "stroke", "password": PASSWORD}
        assert browser.post("/api/session", json=asked).status_code == 201
        assert browser.get("/api/now").status_code == 200
        assert "1 of" in command("person", "sign-out", "stroke", *data).stdout
        assert browser.get("/api/now").status_code == 401
        assert command("person", "remove", "stroke", *data).returncode == 0
        assert browser.post("/api/session", json=asked).status_code == 401
    last = command("person", "remove", "captain", *data)
    assert last.returncode == 1
    assert "last owner" in last.stderr
