"""The examples in deploy/ for a proxy in front, with the real nginx and the real Caddy."""

from __future__ import annotations

import os
import re
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from running import LiveEvent, RunningService, _events, stillair, wait_until
from servers import free_loopback_port
from stillair.access.certificates import Certificates
from stillair.access.people import Access
from warm_starts import warm_run

DEPLOY = Path(__file__).parents[2] / "deploy"
NAME = "shed.example.org"
PASSWORD = "a long row to the weir"
STRANGER = "127.0.0.2"  # where the browser sits; the proxy is at 127.0.0.1
ENOUGH_S = 30.0


def owned(folder: Path) -> Path:
    """A data directory with an owner."""
    done = warm_run(
        stillair("owner", "add", "captain", "--data-dir", str(folder)), typed=f"{PASSWORD}\n"
    )
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = owned(tmp_path_factory.mktemp("proxied"))
    with RunningService(folder, "--behind-proxy", NAME) as running:
        yield running


class Browser(httpx.Client):
    """A browser that knows the proxy as NAME, and its authority."""

    def __init__(self, port: int, authority: bytes) -> None:
        trust = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        trust.load_verify_locations(cadata=authority.decode())
        self.site = f"https://{NAME}:{port}"
        super().__init__(
            base_url=f"https://127.0.0.1:{port}",
            headers={"host": f"{NAME}:{port}", "origin": self.site},
            transport=httpx.HTTPTransport(verify=trust, local_address=STRANGER),
            timeout=ENOUGH_S,
        )

    def build_request(self, *words: object, **named: object) -> httpx.Request:
        named["extensions"] = {"sni_hostname": NAME, **(named.get("extensions") or {})}  # type: ignore[dict-item]
        return super().build_request(*words, **named)  # type: ignore[arg-type]

    def sign_in(self, **headers: str) -> httpx.Response:
        told = {"name": "captain", "password": PASSWORD}
        return self.post("/api/session", json=told, headers=headers)

    @contextmanager
    def live(self) -> Iterator[Iterator[LiveEvent]]:
        with self.stream("GET", "/api/live") as answer:
            assert answer.status_code == 200
            yield _events(answer.iter_lines())


def replaced(text: str, *changes: tuple[str, str]) -> str:
    """An example with other ports and paths; each change has to find its place."""
    for old, new in changes:
        assert old in text, f"{old} is not in the example"
        text = text.replace(old, new)
    return text


def nginx(folder: Path, port: int, plain_port: int, upstream: int, pem: Path) -> list[str]:
    site = replaced(
        (DEPLOY / "nginx.conf").read_text(),
        ("listen 80;", f"listen 127.0.0.1:{plain_port};"),
        ("listen 443 ", f"listen 127.0.0.1:{port} "),
        ("/etc/ssl/stillair/fullchain.pem", str(pem)),
        ("/etc/ssl/stillair/key.pem", str(pem)),
        ("127.0.0.1:8420", f"127.0.0.1:{upstream}"),
    )
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    temporary = "".join(f"{kind}_temp_path {folder}/{kind};\n" for kind in kinds)
    user = "user root;" if os.geteuid() == 0 else ""
    (folder / "nginx.conf").write_text(
        f"daemon off; {user} pid {folder}/pid; error_log {folder}/error.log;\n"
        "events { worker_connections 256; }\n"
        f"http {{ access_log {folder}/access.log;\n{temporary}{site}}}\n"
    )
    return ["-p", str(folder), "-e", str(folder / "error.log"), "-c", str(folder / "nginx.conf")]


def caddy(folder: Path, port: int, plain_port: int, upstream: int, pem: Path) -> list[str]:
    site = replaced(
        (DEPLOY / "Caddyfile").read_text(),
        (f"\n{NAME} {{", f"\nhttps://{NAME}:{port} {{\n\ttls {pem} {pem}\n\tbind 127.0.0.1"),
        ("127.0.0.1:8420", f"127.0.0.1:{upstream}"),
    )
    options = f"{{\n\tadmin off\n\thttp_port {plain_port}\n\thttps_port {port}\n}}\n"
    (folder / "Caddyfile").write_text(options + site)
    return ["run", "--adapter", "caddyfile", "--config", str(folder / "Caddyfile")]


@pytest.fixture(scope="module", params=["nginx", "caddy"])
def browser(
    request: pytest.FixtureRequest,
    service: RunningService,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Browser]:
    name = str(request.param)
    program = shutil.which(name) or shutil.which(name, path="/usr/sbin")
    if program is None:
        pytest.skip(f"{name} is not installed and could not be by deploy/check: apt-get install it")
    folder = tmp_path_factory.mktemp(name)
    authority, _ = Certificates(folder).make("proxy", [], datetime.now(UTC), asked=[NAME])
    pem = folder / "certificates" / "server.pem"
    port, plain_port = free_loopback_port(), free_loopback_port()
    prepare = {"nginx": nginx, "caddy": caddy}[name]
    words = prepare(folder, port, plain_port, service.port, pem)
    log = folder / "log"
    with log.open("wb") as output:
        process = subprocess.Popen(
            [program, *words],
            stdout=output,
            stderr=output,
            env={**os.environ, "HOME": str(folder), "XDG_DATA_HOME": str(folder)},
        )
    try:
        give_up_s = time.monotonic() + ENOUGH_S
        while not _listens(port):
            assert process.poll() is None and time.monotonic() < give_up_s, log.read_text()
            time.sleep(0.05)
        with Browser(port, authority.public_pem) as client:
            client.plain_port = plain_port  # type: ignore[attr-defined]
            client.folder = folder  # type: ignore[attr-defined]
            yield client
    finally:
        process.terminate()
        process.wait(ENOUGH_S)


def _listens(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=1.0):
            return True
    except OSError:
        return False


def test_a_person_signs_in_and_the_cookie_never_goes_in_clear(
    browser: Browser, service: RunningService
) -> None:
    assert browser.get("/api/now").status_code == 401
    # What a stranger says of where they come from is not believed.
    lie = {"x-forwarded-for": "203.0.113.5", "x-forwarded-proto": "http"}
    answer = browser.sign_in(**lie)
    assert answer.status_code == 201, answer.text
    assert "; secure" in answer.headers["set-cookie"].lower()
    assert browser.get("/api/now").status_code == 200
    with Access.open(service.folder) as access:
        signed_in = [entry for entry in access.audit() if "sign" in entry.what]
    assert signed_in[-1].address == STRANGER


def test_live_pages_hear_at_once(browser: Browser) -> None:
    assert browser.sign_in().status_code == 201
    with browser.live() as events:
        assert next(events).kind == "now"
        # The scripted machine begins it.
        (job, *_) = wait_until(lambda: browser.get("/api/jobs").json()["items"], within_s=ENOUGH_S)
        note = f"an oar was leant on the box at {time.monotonic_ns()}"
        answer = browser.post(f"/api/jobs/{job['id']}/note", json={"text": note})
        assert answer.status_code < 300, answer.text
        begun_s = time.monotonic()
        for event in events:
            if note in str(event.data):
                break
            assert time.monotonic() - begun_s < ENOUGH_S


def test_a_page_of_another_site_changes_nothing(browser: Browser) -> None:
    told = {"name": "captain", "password": PASSWORD}
    answer = browser.post(
        "/api/session", json=told, headers={"origin": "https://elsewhere.example.net"}
    )
    assert answer.status_code == 403


def test_a_large_body_is_refused(browser: Browser) -> None:
    answer = browser.post("/api/session", content=b"x" * 200_000)
    assert answer.status_code == 413


def test_a_message_s_link_opens_and_stands_in_no_log(browser: Browser) -> None:
    for path in ("/answer/a-long-row.home", "/api/answer/a-long-row.home/picture"):
        assert browser.get(path).status_code == 404
        assert browser.post(f"{path}/seen").status_code in (404, 405)
    assert browser.get("/sign-in").status_code == 200
    folder: Path = browser.folder  # type: ignore[attr-defined]
    logs = [path for path in folder.rglob("*") if path.name in ("access.log", "error.log", "log")]
    assert logs

    def told() -> str:
        return " ".join(path.read_text() for path in logs)

    if (folder / "access.log").exists():  # of nginx all else stands there, after a moment
        wait_until(lambda: "GET /sign-in" in told(), within_s=60)
    assert "a-long-row" not in told()


def test_plain_http_leads_to_https(browser: Browser) -> None:
    port = browser.plain_port  # type: ignore[attr-defined]
    answer = httpx.get(f"http://127.0.0.1:{port}/trust", headers={"host": NAME}, timeout=ENOUGH_S)
    assert answer.status_code in (301, 308)
    assert re.match(f"https://{NAME}(:[0-9]+)?/trust$", answer.headers["location"])


# --- what is believed, and of whom ----------------------------------------------


def test_without_the_option_nobody_is_believed(tmp_path: Path) -> None:
    with RunningService(owned(tmp_path)) as service:
        answer = service.web.post(
            "/api/session",
            json={"name": "captain", "password": PASSWORD},
            headers={"x-forwarded-proto": "https", "x-forwarded-for": "203.0.113.5"},
        )
        assert answer.status_code == 201
        assert "secure" not in answer.headers["set-cookie"].lower()
        with Access.open(tmp_path) as access:
            assert {entry.address for entry in access.audit()} <= {"", "127.0.0.1"}
        refused = service.web.get("/api/health", headers={"host": NAME})
        assert refused.status_code == 421


@pytest.mark.parametrize(
    ("owner", "words", "said"),
    [
        pytest.param(False, (), "no owner yet", id="before there is an owner"),
        pytest.param(True, ("--host", "0.0.0.0"), "127.0.0.1 alone", id="to the network as well"),
        pytest.param(True, ("--behind-proxy", "a b"), "neither a host name", id="no name"),
    ],
)
def test_a_proxy_that_would_let_strangers_in_is_refused(
    tmp_path: Path, owner: bool, words: tuple[str, ...], said: str
) -> None:
    if owner:
        owned(tmp_path)
    run = ("run", "--data-dir", str(tmp_path), "--port", str(free_loopback_port()))
    done = warm_run(stillair(*run, "--behind-proxy", NAME, *words))
    assert done.returncode == 1
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_without_its_people_it_watches_and_nobody_comes_through_the_proxy(tmp_path: Path) -> None:
    with RunningService(tmp_path):
        pass
    with RunningService(tmp_path, "--behind-proxy", NAME) as service:
        assert "Letting nobody in through the proxy" in service.log.read_text()
        assert "owner add NAME" in service.log.read_text()
        # A proxy may also say nothing of whom it asks for.
        for headers in ({"host": NAME}, {"x-forwarded-for": "203.0.113.5"}, {}):
            assert service.web.get("/api/now", headers=headers).status_code == 401
        assert wait_until(
            lambda: service.web.get("/api/health").json() == {"status": "impaired"}, within_s=60
        )
        owned(tmp_path)  # at once, without another start
        signed = {"name": "captain", "password": PASSWORD}
        assert service.web.post("/api/session", json=signed).status_code == 201
        assert service.get("/api/now")["chambers"]
