"""The real service over TLS: a client that believes the board's authority alone."""

from __future__ import annotations

import hashlib
import re
import shutil
import socket
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from cryptography import x509

from running import RunningService, stillair, wait_until
from warm_starts import warm_run

PASSWORD = "a long row to the weir"
ENOUGH_S = 20.0


def command(*words: str, typed: str | None = None) -> str:
    done = warm_run(stillair(*words), typed=typed or "")
    assert done.returncode == 0, done.stderr
    return done.stdout


def trust(folder: Path) -> ssl.SSLContext:
    """A client that believes what the command gives out, and nobody else."""
    pem = command("certificate", "show", "--pem", "--data-dir", str(folder))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(cadata=pem)
    return context


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("https")
    here = ("--data-dir", str(made))
    command("owner", "add", "captain", *here, typed=f"{PASSWORD}\n")
    command("certificate", "make", "--name", "shed.example.org", *here)
    return made


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[RunningService]:
    with RunningService(folder, trust=trust(folder)) as running:
        yield running


def shown(service: RunningService) -> x509.Certificate:
    """The certificate with which a new connection is met."""
    pem = ssl.get_server_certificate(("127.0.0.1", service.port), timeout=ENOUGH_S)
    return x509.load_pem_x509_certificate(pem.encode())


def test_a_person_signs_in_with_a_cookie_that_never_goes_in_clear(service: RunningService) -> None:
    told = {"name": "captain", "password": PASSWORD}
    answer = service.web.post("/api/session", json=told)
    assert answer.status_code == 201
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-stillair_session=")  # which browsers take from no other host
    for word in ("; secure", "; httponly", "; samesite=strict", "; path=/;"):
        assert word in cookie.lower(), word
    assert "domain" not in cookie.lower()
    assert service.get("/api/session")["name"] == "captain"
    with service.live() as events:
        assert next(events).kind == "now"
    token = cookie.partition("=")[2].partition(";")[0]
    service.web.cookies.clear()
    planted = {"cookie": f"stillair_session={token}"}  # as another host could set it
    assert service.web.get("/api/session", headers=planted).status_code == 401
    own = {"cookie": f"__Host-stillair_session={token}"}
    left = service.web.delete("/api/session", headers=own).headers["set-cookie"].lower()
    assert "secure" in left, "else a browser keeps it"
    assert service.web.get("/api/session", headers=own).status_code == 401


def test_who_speaks_in_clear_is_told_nothing(service: RunningService) -> None:
    with pytest.raises(httpx.TransportError):
        httpx.get(f"http://127.0.0.1:{service.port}/api/health", timeout=ENOUGH_S)
    assert service.get("/api/health")["status"] == "ok"


@pytest.mark.parametrize("version", ["tls1", "tls1_1"])
def test_old_tls_is_refused(service: RunningService, version: str) -> None:
    assert "Cipher is (NONE)" in asked_by_openssl(service, version)


@pytest.mark.parametrize("version", ["tls1_2", "tls1_3"])
def test_newer_tls_is_spoken_with_forward_secrecy(service: RunningService, version: str) -> None:
    said = asked_by_openssl(service, version)
    assert f"New, TLSv{version[3:].replace('_', '.')}, Cipher is" in said
    assert "Server Temp Key: X25519" in said


def asked_by_openssl(service: RunningService, version: str) -> str:
    """What another client says of a handshake with whatever it still knows of one version."""
    done = subprocess.run(
        [
            *("openssl", "s_client", "-connect", f"127.0.0.1:{service.port}", f"-{version}"),
            *("-cipher", "ALL:@SECLEVEL=0"),
        ],
        input="",
        capture_output=True,
        text=True,
        timeout=ENOUGH_S,
        check=False,
    )
    return done.stdout


def test_an_asked_name_is_known_and_another_is_not(service: RunningService) -> None:
    for name, status in (("shed.example.org", 200), ("evil.example.org", 421)):
        answer = service.web.get("/api/health", headers={"host": f"{name}:{service.port}"})
        assert answer.status_code == status


def test_the_page_of_trust_shows_what_the_console_shows(
    service: RunningService, folder: Path
) -> None:
    page = service.web.get("/trust")
    assert page.status_code == 200
    assert "default-src 'none'" in page.headers["content-security-policy"]
    given = service.web.get(re.findall(r'href="(/[^"]+\.crt)"', page.text)[0])
    assert given.headers["content-type"] == "application/x-x509-ca-cert"
    fingerprint = hashlib.sha256(given.content).digest().hex(":").upper()
    assert fingerprint in page.text
    assert fingerprint in service.log.read_text()
    assert fingerprint in command("certificate", "show", "--data-dir", str(folder))
    assert x509.load_der_x509_certificate(given.content).issuer == shown(service).issuer
    assert "PRIVATE" not in page.text
    # What the page needs is given to strangers as well; what it doesn't need is not.
    for path in re.findall(r'(?:href|src)="(/web/[^"]+)"', page.text):
        assert service.web.get(path).status_code == 200, path
    assert service.web.get("/web/trust.html").status_code == 401
    assert service.web.get("/api/now").status_code == 401


def test_a_certificate_made_while_it_runs_is_shown_without_a_restart(tmp_path: Path) -> None:
    command("certificate", "make", "--data-dir", str(tmp_path))
    # Each minute is each second here; nothing else is different.
    before = (
        "from stillair.runtime.schedule import Housekeeping\n"
        "Housekeeping.each_minute = lambda self, name, job, **_:"
        " self._scheduler.add_job(job, 'cron', second='*', id=name)"
    )
    with RunningService(tmp_path, trust=trust(tmp_path), before=before, loaded=True) as service:
        first = shown(service)
        with service.live() as events:
            assert next(events).kind == "now"
            command("certificate", "make", "--name", "boat.local", "--data-dir", str(tmp_path))
            second = wait_until(
                lambda: found if (found := shown(service)) != first else None, within_s=ENOUGH_S
            )
            assert next(events).data  # the connection that stood still stands
        names = second.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        assert "boat.local" in names.get_values_for_type(x509.DNSName)
        host = {"host": f"boat.local:{service.port}"}
        wait_until(
            lambda: service.web.get("/api/health", headers=host).status_code == 200,
            within_s=ENOUGH_S,
        )

        # What can't be renewed is told on the page, and the old one is shown.
        (tmp_path / "certificates" / "authority.pem").write_bytes(b"")
        told = wait_until(
            lambda: [e for e in service.events() if e["kind"] == "delivery_fault"],
            within_s=ENOUGH_S,
        )
        assert "authority.pem is damaged" in told[0]["detail"]["reason"]
        alarms = wait_until(lambda: service.get("/api/alarms")["items"], within_s=ENOUGH_S)
        said = [alarm["text"] for alarm in alarms if alarm["kind"] == "delivery_fault"]
        assert any("certificate by which telephones know" in text for text in said), alarms
        assert shown(service) == second
        assert service.get("/api/health")["status"] == "impaired"


def test_without_its_files_it_never_speaks_in_clear_again(tmp_path: Path) -> None:
    at = ("--data-dir", str(tmp_path))
    command("owner", "add", "captain", *at, typed=PASSWORD)
    command("certificate", "make", *at)
    unproven = ssl.create_default_context()
    unproven.check_hostname = False
    unproven.verify_mode = ssl.CERT_NONE
    with RunningService(tmp_path, trust=unproven):
        pass
    shutil.rmtree(tmp_path / "certificates")
    with RunningService(tmp_path, trust=unproven) as service:
        with pytest.raises(httpx.TransportError):
            httpx.get(f"http://127.0.0.1:{service.port}/api/health", timeout=ENOUGH_S)
        service.post("/api/session", {"name": "captain", "password": PASSWORD})

        def told() -> list[str]:
            alarms = service.get("/api/alarms")["items"]
            return [a["text"] for a in alarms if a["kind"] == "delivery_fault"]

        [text] = wait_until(told, within_s=ENOUGH_S)
        assert "certificate make" in text
        found = {line["thing"]: line for line in service.get("/api/setting-up")["items"]}
        assert found["certificate"]["state"] == "unfit", found


def test_it_stops_in_time_with_streams_and_half_a_handshake_open(tmp_path: Path) -> None:
    command("certificate", "make", "--data-dir", str(tmp_path))
    with RunningService(tmp_path, trust=trust(tmp_path)) as service, service.live() as events:
        assert next(events).kind == "now"
        with socket.create_connection(("127.0.0.1", service.port)) as silent:
            silent.sendall(b"\x16\x03\x01")
            assert service.stop(within_s=5.0) == 0
