"""E-mail over SMTP: one connection a message, in the caller's thread, within one deadline.

The same message always carries the same Message-ID, made from its key, so
that a mailbox that is handed it twice can show it once; all messages about
one alarm refer to one root, so that they stand together as one story.

References
----------
RFC 5321 (SMTP, reply codes 4.2.1), RFC 3207 (STARTTLS), RFC 8314 (TLS on
connecting), RFC 3834 (Auto-Submitted), RFC 4021 (Importance).
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import re
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP, SMTPUTF8
from email.utils import format_datetime
from typing import BinaryIO, Literal
from zoneinfo import ZoneInfo

from stillair.alarms import figures
from stillair.alerts.routes import Message
from stillair.errors import DeliveryError

log = logging.getLogger(__name__)

Security = Literal["none", "starttls", "tls"]
MOST_ANSWER_BYTES = 65_536  # a mail server says some hundred bytes; one that never ends is cut off
TITLE_LENGTH = 200
PICTURE_BYTES = 500_000  # more isn't sent: a slow line has to carry it within seconds
ATTACHED = (
    "Attached: the camera's picture of that moment. A place outlined in red is what was taken "
    "for smoke or flame. What it doesn't show may burn all the same."
)
ANSWER = "Answer it here, without signing in"
LOOK = "Look at it here"  # where a link lets nobody in by itself
# What to do about a certificate, by OpenSSL's X509_V_ERR_ (x509_vfy.h).
_TRUST = {
    9: "set this computer's clock: the certificate isn't valid yet",
    10: "have the mail server's certificate renewed; see first that this computer's clock is right",
    62: "write into mail.host the name that its certificate is for",
    64: "write into mail.host the name that its certificate is for, not its address",
}
_TRUST_AT_ALL = (
    "give this computer the authority that made it: put it into /usr/local/share/ca-certificates, "
    "then sudo update-ca-certificates"
)
_AS_THE_PROVIDER_SAYS = 'set mail.security and mail.port as the provider says: "tls" is usually 465'
_READY = 220
_PERMANENT = 500
# Narrower than RFC 5321: no quoted names, and nothing that could end a header or a command.
_LOCAL = re.compile(r"[^\s@<>,;:\"()\[\]\\]{1,64}")
_DOMAIN = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*")


@dataclass(frozen=True, slots=True)
class MailSettings:
    """Where and as whom mail is handed in."""

    host: str
    port: int
    security: Security = "starttls"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    sender: str = "stillair@localhost"
    timezone: str | None = None  # of the time in the header; None: the machine's own
    timeout_s: float = 15.0  # for the whole conversation


class MailRoute:
    """Send messages to `mailto:` addresses through one mail server.

    Certificates are checked against the machine's own authorities, or
    against `trust`. `picture` gives the JPEG that goes with an alarm, or None,
    within a few seconds; without it the message goes all the same. `link_ends` says when
    a link that goes now will have run out.
    """

    def __init__(
        self,
        settings: MailSettings,
        *,
        trust: ssl.SSLContext | None = None,
        picture: Callable[[str], bytes | None] = lambda _alarm: None,
        link_ends: Callable[[], datetime] | None = None,
    ) -> None:
        self._settings = settings
        self._picture = picture
        self._link_ends = link_ends
        self._zone = ZoneInfo(settings.timezone) if settings.timezone else None
        self._trust = trust
        self._lock = threading.Lock()
        self._open: set[_Session] = set()
        self._closed = False

    def send(self, message: Message) -> None:
        """Hand one message to the mail server. Raises `DeliveryError`."""
        recipient = message.route.partition(":")[2]
        sender = self._settings.sender
        try:
            mail = compose(
                message,
                sender=sender,
                recipient=recipient,
                zone=self._zone,
                picture=self._picture_of(message),
                link_ends_at=self._link_ends() if self._link_ends else None,
            )
        except ValueError as error:
            reason = f"no mail can be made of this: {_clean(error)}"
            raise DeliveryError(message.route, reason, retry=False) from None
        with self._session(message.route) as session:
            session.send_message(mail, _ascii(sender), [_ascii(recipient)])
            # The server has taken it: whatever becomes of the farewell, it is sent.
            with contextlib.suppress(OSError, smtplib.SMTPException):
                session.quit()

    def check(self) -> str:
        """Connect, sign in and leave; say what answered. Raises `DeliveryError`."""
        settings = self._settings
        where = f"{settings.host}:{settings.port}"
        with self._session(where) as session:
            session.noop()
        return f"mail server {where} answers"

    def close(self) -> None:
        """Cut every connection that is open, so that no thread waits for a server."""
        with self._lock:
            self._closed = True
            for session in self._open:
                session.cut()

    def _picture_of(self, message: Message) -> bytes | None:
        if message.alarm is None:
            return None
        try:
            picture = self._picture(message.alarm)
        except Exception:
            log.exception("message %s goes without its picture", message.key)
            return None
        return picture if picture is None or len(picture) <= PICTURE_BYTES else None

    @contextlib.contextmanager
    def _session(self, route: str) -> Iterator[_Session]:
        """A connection that is secured and signed in; its errors become `DeliveryError`."""
        settings = self._settings
        tls = None
        if settings.security != "none":
            tls = self._trust or ssl.create_default_context()
        session = _Session(settings.timeout_s)
        with self._lock:
            self._open.add(session)
            closed = self._closed
        try:
            if closed:
                raise smtplib.SMTPServerDisconnected("stopping")
            session.begin(settings, tls)
            yield session
        except (OSError, smtplib.SMTPException, ValueError) as error:
            cause = TimeoutError() if session.overdue else error
            raise _delivery_error(route, cause, settings) from None
        finally:
            with self._lock:
                self._open.discard(session)
            session.end()


def compose(
    message: Message,
    *,
    sender: str,
    recipient: str,
    zone: tzinfo | None = None,
    picture: bytes | None = None,
    link_ends_at: datetime | None = None,
) -> EmailMessage:
    """The mail of a message: plain text, UTF-8, marked as sent by a machine; a JPEG attached.

    Its link, if it has one, stands at the end, alone on its line, so that a telephone
    can tap it; `link_ends_at` is when that will have run out.

    Raises `ValueError` for an address or text that no mail can carry.
    """
    sender, recipient = _ascii(sender), _ascii(recipient)
    domain = sender.rpartition("@")[2]
    mail = EmailMessage(policy=SMTP if (sender + recipient).isascii() else SMTPUTF8)
    mail["From"] = Address("Stillair", *sender.rsplit("@", 1))
    mail["To"] = Address("", *recipient.rsplit("@", 1))
    mail["Subject"] = _clean(message.title, longest=TITLE_LENGTH)
    mail["Date"] = format_datetime(message.created_at.astimezone(zone))
    mail["Message-ID"] = f"<{_digest(message.key)}@{domain}>"
    if message.alarm is not None:
        mail["References"] = f"<alarm-{_digest(message.alarm)}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    if message.priority in {"critical", "high"}:
        mail["Importance"] = "high"
    text = "".join(c for c in message.text if c.isprintable() or c in "\n\t")
    if picture is not None:
        text = f"{text.rstrip()}\n\n{ATTACHED}\n"
    if message.link is not None:
        until = f" (until {link_ends_at.astimezone(zone):%H:%M on %A})" if link_ends_at else ""
        words = ANSWER if "/answer/" in message.link else LOOK
        text = f"{text.rstrip()}\n\n{words}{until}:\n{message.link}\n"
    mail.set_content(text, charset="utf-8", cte="quoted-printable")
    if picture is not None:
        mail.add_attachment(picture, maintype="image", subtype="jpeg", filename="picture.jpg")
    return mail


class _Session(smtplib.SMTP):
    """smtplib with one deadline for the whole conversation and a bound on what is answered.

    smtplib's own timeout is per read: a server that sends one byte every few
    seconds would hold the thread for ever.
    """

    def __init__(self, deadline_s: float) -> None:
        super().__init__(local_hostname=_own_name(), timeout=deadline_s)
        self.overdue = False
        self._deadline_s = deadline_s
        self._wire: socket.socket | None = None
        self._deadline = threading.Timer(deadline_s, self._run_out)
        self._deadline.name = "mail deadline"
        self._deadline.daemon = True

    def begin(self, settings: MailSettings, tls: ssl.SSLContext | None) -> None:
        """Connect, secure the connection as the settings say, and sign in."""
        self._deadline.start()
        self._host = settings.host
        address = (settings.host, settings.port)
        self.sock = self._wire = socket.create_connection(address, self._deadline_s)
        # The deadline ends it; a read that gave up first would look as if the server hung up.
        self.sock.settimeout(2.0 * self._deadline_s)
        if tls is not None and settings.security == "tls":
            self._secure(tls)
        code, answer = self.getreply()
        if code != _READY:
            raise smtplib.SMTPConnectError(code, answer)
        self.ehlo_or_helo_if_needed()
        if tls is not None and settings.security == "starttls":
            if not self.has_extn("starttls"):
                raise smtplib.SMTPNotSupportedError("it offers no STARTTLS")
            code, answer = self.docmd("STARTTLS")
            if code != _READY:
                raise smtplib.SMTPResponseException(code, answer)
            self._secure(tls)
            # RFC 3207, 4.2: what was learnt before must be forgotten.
            self.ehlo_resp = self.helo_resp = None
            self.esmtp_features = {}
            self.ehlo_or_helo_if_needed()
        if settings.username is not None:
            self.login(settings.username, settings.password or "")

    def end(self) -> None:
        self._deadline.cancel()
        self.close()

    def cut(self) -> None:
        """End the connection under whoever reads or writes on it, from any thread."""
        wire = self._wire
        if wire is not None:
            with contextlib.suppress(OSError):
                # Not SSLSocket.shutdown, which pulls the TLS state from under the reader.
                socket.socket.shutdown(wire, socket.SHUT_RDWR)

    def getreply(self) -> tuple[int, bytes]:
        if self.file is None and self.sock is not None:
            self.file = _Bounded(self.sock.makefile("rb"))
        return super().getreply()

    def _secure(self, tls: ssl.SSLContext) -> None:
        assert self.sock is not None
        wire = tls.wrap_socket(self.sock, server_hostname=self._host, do_handshake_on_connect=False)
        self.sock = self._wire = wire
        self.file = None
        wire.do_handshake()

    def _run_out(self) -> None:
        self.overdue = True
        self.cut()


class _Bounded:
    """Lines of a mail server, up to a total; then as if it had hung up."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._left = MOST_ANSWER_BYTES

    def readline(self, limit: int) -> bytes:
        line = self._file.readline(min(limit, self._left))
        self._left -= len(line)
        return line

    def close(self) -> None:
        self._file.close()


def _delivery_error(route: str, error: Exception, settings: MailSettings) -> DeliveryError:
    """What a failure of the conversation means: only a 5xx to this very mail is for good.

    A refused password, certificate or connection is for people to put right
    meanwhile, so the message waits.
    """
    where = f"the mail server {settings.host}:{settings.port}"
    remedy = ""
    match error:
        case smtplib.SMTPAuthenticationError():
            reason = f"{where} refused the name or password"
            remedy = (
                "put the right username and password into [mail]; many providers want a password "
                "made for programs"
            )
        case smtplib.SMTPRecipientsRefused():
            code, said = next(iter(error.recipients.values()))
            reason = f"{where} refused the address: {_answer(code, said)}"
            return DeliveryError(route, reason, retry=not _for_good(code))
        case smtplib.SMTPSenderRefused() | smtplib.SMTPDataError():
            reason = f"{where} refused the mail: {_answer(error.smtp_code, error.smtp_error)}"
            return DeliveryError(route, reason, retry=not _for_good(error.smtp_code))
        case smtplib.SMTPResponseException():
            reason = f"{where} said {_answer(error.smtp_code, error.smtp_error)}"
        case smtplib.SMTPServerDisconnected():
            reason = f"{where} hung up"
        case smtplib.SMTPNotSupportedError():
            reason = f"{where}: {_clean(error)}"
            remedy = _AS_THE_PROVIDER_SAYS
        case smtplib.SMTPException():
            reason = f"{where}: {_clean(error)}"
        case ssl.SSLCertVerificationError():
            reason = f"{where} has a certificate that can't be trusted: {error.verify_message}"
            remedy = _TRUST.get(error.verify_code, _TRUST_AT_ALL)
        case ssl.SSLError():
            reason = f"{where} doesn't speak TLS as expected: {_clean(error.reason)}"
            remedy = _AS_THE_PROVIDER_SAYS
        case TimeoutError():
            reason = f"{where} gave no answer within {settings.timeout_s:g} s"
        case socket.gaierror():
            reason = f"the name {settings.host} can't be resolved"
            remedy = "see whether mail.host is spelt right and the board reaches a name server"
        case OSError():
            reason = f"{where} can't be reached: {_clean(error.strerror or error)}"
            remedy = "see whether mail.host and mail.port are right, and the network is there"
        case _:
            reason = f"{where} can't be spoken to with these settings: {_clean(error)}"
    return DeliveryError(route, reason, retry=True, remedy=remedy)


def _for_good(code: int) -> bool:
    # 521 and 421 are about the server, not the mail (RFC 7504, RFC 5321).
    return code >= _PERMANENT and code != 521


def _answer(code: int, answer: bytes | str) -> str:
    words = answer.decode("ascii", "replace") if isinstance(answer, bytes) else answer
    return f"{code} {_clean(words)}".strip()


def _clean(words: object, *, longest: int = 200) -> str:
    return figures.clause(words, longest=longest)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:32]


def _ascii(address: str) -> str:
    """A bare address as it goes over the wire, its domain in IDNA. Raises `ValueError`."""
    local, _, domain = address.rpartition("@")
    wire = domain if domain.isascii() else domain.encode("idna").decode("ascii")
    if not (_LOCAL.fullmatch(local) and local.isprintable() and _DOMAIN.fullmatch(wire)):
        raise ValueError(f"{_clean(address) or 'nothing'} is no e-mail address")
    return f"{local}@{wire}"


def _own_name() -> str:
    # The plain host name: asking for the full one may wait for a name server.
    name = socket.gethostname()
    return name if re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?", name) else "localhost"
