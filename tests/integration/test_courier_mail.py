"""Mail through a real server, and through servers that refuse, drip, hang up, lie or flood."""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from servers import MailServer, free_loopback_port
from stillair.alerts.mail import PICTURE_BYTES, MailRoute, MailSettings
from stillair.alerts.routes import Message
from stillair.errors import DeliveryError

DOOR = Message(
    key="north-bench-3:raised:0:7892d57c23b1",
    route="mailto:cox@shed.example",
    title="north bench: Door open",
    text="The door is open. It is 46.2 °C.\n",
    created_at=datetime(2026, 5, 2, 3, 12, tzinfo=UTC),
    alarm="north-bench-3",
)
Handler = Callable[[socket.socket], None]


@contextmanager
def listening(handler: Handler) -> Iterator[int]:
    """A server that gives each connection to `handler`; its port."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        connections: list[socket.socket] = []

        def serve() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                connections.append(connection)
                with suppress(OSError), connection:
                    handler(connection)

        thread = threading.Thread(target=serve, name="scripted server", daemon=True)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            for each in (*connections, server):
                with suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)
            thread.join(5)


def script(**answers: str) -> Handler:
    """A mail server that answers each command as told, and else with 250."""

    def handler(connection: socket.socket) -> None:
        connection.sendall(answers.get("greeting", "220 ready").encode() + b"\r\n")
        with connection.makefile("rb") as lines:
            for line in lines:
                word = line.split()[0].decode("ascii", "replace").upper() if line.split() else ""
                if word == "DATA" and "DATA" not in answers:
                    connection.sendall(b"354 go on\r\n")
                    while lines.readline().rstrip() != b".":
                        pass
                    word = "END"
                answer = answers.get(word, "250 fine")
                if answer == "hang up":
                    return
                connection.sendall(answer.encode() + b"\r\n")

    return handler


def takes_all(connection: socket.socket) -> None:
    while connection.recv(65536):
        pass


def drips(connection: socket.socket) -> None:
    connection.settimeout(0.02)
    for _ in range(500):
        connection.sendall(b"2")
        try:
            if connection.recv(1) == b"":
                return
        except TimeoutError:
            continue


def never_ends(connection: socket.socket) -> None:
    while True:
        connection.sendall(b"220-and another thing\r\n" * 1000)


def settings(port: int, **more: object) -> MailSettings:
    made = MailSettings("127.0.0.1", port, security="none", timeout_s=5.0, sender="a@shed.example")
    return replace(made, **more)  # type: ignore[arg-type]  # only fields of MailSettings


def failure(route: MailRoute) -> DeliveryError:
    with pytest.raises(DeliveryError) as failed:
        route.send(DOOR)
    assert failed.value.route == DOOR.route
    assert "\n" not in str(failed.value)
    return failed.value


def test_a_mail_arrives_as_it_was_written(mail_server: MailServer) -> None:
    MailRoute(settings(mail_server.port)).send(DOOR)
    (mail,) = mail_server.wait_for(1)
    assert mail_server.recipients == ["cox@shed.example"]
    assert mail["Subject"] == DOOR.title
    assert mail.get_content().replace("\r\n", "\n") == DOOR.text
    assert mail["Auto-Submitted"] == "auto-generated"


@pytest.mark.parametrize(
    ("given", "attached"),
    [
        pytest.param(b"\xff\xd8 a picture \r\n.\r\n \xff\xd9", True, id="one"),
        pytest.param(None, False, id="none"),
        pytest.param(bytes(PICTURE_BYTES + 1), False, id="too large"),
        pytest.param(OSError("the disk is gone"), False, id="a defect"),
    ],
)
def test_an_alarm_takes_its_picture_along_if_there_is_one(
    mail_server: MailServer, given: bytes | Exception | None, attached: bool
) -> None:
    asked: list[str] = []

    def picture(alarm: str) -> bytes | None:
        asked.append(alarm)
        if isinstance(given, Exception):
            raise given
        return given

    MailRoute(settings(mail_server.port), picture=picture).send(DOOR)
    (mail,) = mail_server.wait_for(1)
    assert asked == [DOOR.alarm]
    body = mail.get_body()
    assert body is not None and "The door is open. It is 46.2 °C." in body.get_content()
    parts = list(mail.iter_attachments())
    assert [part.get_content_type() for part in parts] == ["image/jpeg"] * attached
    assert [part.get_content() for part in parts] == [given] * attached
    assert ("Attached: the camera's picture" in body.get_content()) is attached


def test_a_server_is_checked_without_a_mail(mail_server: MailServer) -> None:
    route = MailRoute(settings(mail_server.port))
    assert route.check() == f"mail server 127.0.0.1:{mail_server.port} answers"
    assert mail_server.messages == []


@pytest.mark.parametrize(
    ("answers", "retry", "reason"),
    [
        pytest.param({"greeting": "421 busy"}, True, "said 421 busy", id="busy"),
        pytest.param({"greeting": "554 no service"}, True, "said 554 no service", id="no service"),
        pytest.param({"greeting": "banana"}, True, "said -1", id="no mail server at all"),
        pytest.param(
            {"RCPT": "450 later"}, True, "refused the address: 450 later", id="mailbox busy"
        ),
        pytest.param(
            {"RCPT": "550 no such box"}, False, "the address: 550 no such box", id="no mailbox"
        ),
        pytest.param(
            {"MAIL": "451 try again"}, True, "refused the mail: 451 try again", id="sender, later"
        ),
        pytest.param(
            {"MAIL": "550 not from you"}, False, "the mail: 550 not from you", id="sender refused"
        ),
        pytest.param({"DATA": "452 no room"}, True, "the mail: 452 no room", id="no room"),
        pytest.param({"END": "554 looks odd"}, False, "mail: 554 looks odd", id="content refused"),
        pytest.param({"END": "451 later"}, True, "refused the mail: 451 later", id="grey list"),
        pytest.param({"END": "hang up"}, True, "hung up", id="hung up in the middle"),
        pytest.param({"EHLO": "hang up"}, True, "hung up", id="hung up at once"),
        pytest.param(
            {"RCPT": "550 \x1b[31mred\x07 " + "x" * 5000},
            False,
            "550 [31mred xxx",
            id="an answer that would break a terminal",
        ),
    ],
)
def test_what_an_answer_means(answers: dict[str, str], retry: bool, reason: str) -> None:
    with listening(script(**answers)) as port:
        error = failure(MailRoute(settings(port)))
    assert error.retry is retry
    assert reason in str(error)
    assert len(str(error)) < 400


def test_a_farewell_that_fails_unsends_nothing() -> None:
    with listening(script(QUIT="hang up")) as port:
        MailRoute(settings(port)).send(DOOR)


@pytest.mark.parametrize(
    ("handler", "reason"),
    [
        pytest.param(takes_all, "no answer within 0.3 s", id="silent"),
        pytest.param(drips, "no answer within 0.3 s", id="a byte at a time"),
    ],
)
def test_a_slow_server_is_left(handler: Handler, reason: str) -> None:
    with listening(handler) as port:
        error = failure(MailRoute(settings(port, timeout_s=0.3)))
    assert reason in str(error)
    assert error.retry


def test_an_answer_without_end_is_cut_off() -> None:
    with listening(never_ends) as port:
        error = failure(MailRoute(settings(port)))
    assert "hung up" in str(error)


def test_nobody_listens() -> None:
    error = failure(MailRoute(settings(free_loopback_port())))
    assert error.retry
    assert "can't be reached: Connection refused" in str(error)


def test_a_name_that_nobody_knows() -> None:
    error = failure(MailRoute(settings(25, host="mail.invalid")))
    assert error.retry
    assert "the name mail.invalid can't be resolved" in str(error)


def test_closing_cuts_a_conversation_short() -> None:
    begun = threading.Event()

    def silent(connection: socket.socket) -> None:
        begun.set()
        connection.recv(1)

    with listening(silent) as port:
        route = MailRoute(settings(port, timeout_s=60.0))
        errors: list[DeliveryError] = []
        thread = threading.Thread(target=lambda: errors.append(failure(route)))
        thread.start()
        assert begun.wait(5)
        while thread.is_alive():  # the connection may be a moment from being known
            route.close()
            thread.join(0.05)
        assert "hung up" in str(errors[0])
        assert "hung up" in str(failure(route)), "closed for good"


def test_an_address_that_cannot_be_mailed_is_given_up(mail_server: MailServer) -> None:
    with pytest.raises(DeliveryError) as failed:
        MailRoute(settings(mail_server.port)).send(replace(DOOR, route="mailto:cox @ shed"))
    assert not failed.value.retry


# --- secured ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for localhost that nobody but this test trusts, and its key."""
    folder = tmp_path_factory.mktemp("certificate")
    made, key = folder / "certificate.pem", folder / "key.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *("-nodes", "-days", "2", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost"),
            *("-keyout", str(key), "-out", str(made)),
        ],
        check=True,
        capture_output=True,
    )
    return made, key


@contextmanager
def secured(
    certificate: tuple[Path, Path], *, starttls: bool
) -> Iterator[tuple[int, list[tuple[bytes, bytes]]]]:
    """A server that wants TLS and the password "oar"; its port, and who tried to sign in."""
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(*certificate)
    tried: list[tuple[bytes, bytes]] = []

    class Keeper:
        async def handle_DATA(self, server: SMTP, session: object, envelope: object) -> str:  # noqa: N802 - aiosmtpd looks it up by this name
            return "250 OK"

    def authenticate(
        server: SMTP, session: object, envelope: object, mechanism: str, login: object
    ) -> AuthResult:
        name, password = login.login, login.password  # type: ignore[attr-defined]  # LoginPassword
        tried.append((name, password))
        return AuthResult(success=password == b"oar", handled=False)

    controller = Controller(
        Keeper(),
        hostname="127.0.0.1",
        port=free_loopback_port(),
        ssl_context=None if starttls else tls,
        tls_context=tls if starttls else None,
        require_starttls=starttls,
        authenticator=authenticate,
        auth_required=True,
        auth_require_tls=starttls,
    )
    controller.start()
    try:
        yield controller.port, tried
    finally:
        controller.stop()


def trusting(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=certificate[0])


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning")
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_secured_and_signed_in(certificate: tuple[Path, Path], security: str) -> None:
    with secured(certificate, starttls=security == "starttls") as (port, tried):
        plan = settings(port, host="localhost", security=security, username="cox", password="oar")
        MailRoute(plan, trust=trusting(certificate)).send(DOOR)
        assert tried == [(b"cox", b"oar")]
        error = failure(MailRoute(replace(plan, password="ore"), trust=trusting(certificate)))
        assert "refused the name or password" in str(error)
        assert error.retry, "people can put it right"
        assert error.remedy.startswith("put the right username and password")
        assert "ore" not in str(error).replace("refused", "")


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning")
@pytest.mark.parametrize("security", ["starttls", "tls"])
@pytest.mark.parametrize(
    ("trusted", "host", "remedy"),
    [
        pytest.param(False, "localhost", "give this computer the authority", id="stranger"),
        pytest.param(True, "127.0.0.1", "write into mail.host the name", id="other"),
    ],
)
def test_no_password_goes_to_a_server_that_is_not_who_it_says(
    certificate: tuple[Path, Path], security: str, trusted: bool, host: str, remedy: str
) -> None:
    trust = trusting(certificate) if trusted else None
    with secured(certificate, starttls=security == "starttls") as (port, tried):
        plan = settings(port, host=host, security=security, username="cox", password="oar")
        error = failure(MailRoute(plan, trust=trust))
        assert "a certificate that can't be trusted" in str(error)
        assert error.remedy.startswith(remedy)
        assert error.retry
        assert tried == []


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning")
@pytest.mark.parametrize(
    ("begins_d", "remedy"),
    [
        pytest.param(-30, "have the mail server's certificate renewed", id="ended"),
        pytest.param(30, "set this computer's clock", id="not yet"),
    ],
)
def test_a_certificate_of_another_time_has_its_own_remedy(
    tmp_path: Path, begins_d: int, remedy: str
) -> None:
    begins_at = datetime.now(UTC) + timedelta(days=begins_d)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(begins_at)
        .not_valid_after(begins_at + timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    certificate = tmp_path / "certificate.pem", tmp_path / "key.pem"
    certificate[0].write_bytes(made.public_bytes(Encoding.PEM))
    certificate[1].write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    with secured(certificate, starttls=False) as (port, tried):
        plan = settings(port, host="localhost", security="tls", username="cox", password="oar")
        error = failure(MailRoute(plan, trust=trusting(certificate)))
        assert error.remedy.startswith(remedy)
        assert tried == []


def test_a_server_without_starttls_gets_neither_password_nor_mail() -> None:
    said: list[bytes] = []

    def handler(connection: socket.socket) -> None:
        connection.sendall(b"220 ready\r\n")
        with connection.makefile("rb") as lines:
            for line in lines:
                said.append(line)
                connection.sendall(b"250-fine\r\n250 AUTH PLAIN LOGIN\r\n")

    with listening(handler) as port:
        plan = settings(port, security="starttls", username="cox", password="oar")
        error = failure(MailRoute(plan))
    assert "it offers no STARTTLS" in str(error)
    assert [line.split()[0].lower() for line in said] == [b"ehlo"]


def test_a_handshake_that_never_ends_is_left(certificate: tuple[Path, Path]) -> None:
    with listening(takes_all) as port:
        plan = settings(port, security="tls", timeout_s=0.3)
        error = failure(MailRoute(plan, trust=trusting(certificate)))
    assert "no answer within 0.3 s" in str(error)
