"""Real servers on loopback that tests talk to: a mail server, an MQTT broker, a database."""

from __future__ import annotations

import atexit
import os
import random
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Mapping
from contextlib import ExitStack, suppress
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psycopg
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

if TYPE_CHECKING:
    from aiosmtpd.smtp import SMTP, Envelope, Session

START_TIMEOUT_S = 60.0  # of a computer that does other things as well
# Ports that no system gives out by itself, so that what is free stays so until somebody listens
# there, and while a server is away. Each process of tests takes blocks of them for itself.
PORTS = range(12_000, 32_000)
BLOCK_PORTS = 100
_blocks = ExitStack()  # held while this process runs
atexit.register(_blocks.close)
_ports: list[int] = []


def free_loopback_port() -> int:
    """A TCP port of 127.0.0.1 on which nothing listens, and that no other test is given."""
    while True:
        if not _ports:
            _ports.extend(_own_block())
        port = _ports.pop()
        with suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return port


def _own_block() -> range:
    """Ports of this process alone, as the name of a socket says that only one can have."""
    for first in random.sample(PORTS[::BLOCK_PORTS], len(PORTS) // BLOCK_PORTS):
        mark = socket.socket(socket.AF_UNIX)
        try:
            mark.bind(f"\0stillair tests, ports from {first}")
        except OSError:
            mark.close()
            continue
        _blocks.enter_context(mark)
        return range(first, first + BLOCK_PORTS)
    raise RuntimeError("other tests have taken all ports")


# The part of a chamber file by which somebody is told; to be formatted with a server's address.
TOLD_BY_MAIL = """
[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "{host}"
port = {port}
security = "none"
"""


class MailServer:
    """A mail server that keeps what it is sent, or refuses.

    `refuse_with` is None to accept, or the answer that each recipient gets:
    "451 4.3.0 try later" (again can help), "550 5.1.1 no such box" (it can't).
    `refusals` counts those answers. With `password` a sign-in with any other is refused,
    in clear as well, where a real one would allow none.
    """

    def __init__(self, password: str | None = None) -> None:
        self.messages: list[EmailMessage] = []
        self.recipients: list[str] = []
        self.refuse_with: str | None = None
        self.refusals = 0
        self._arrived = threading.Condition()
        self.host = "127.0.0.1"
        self.port = free_loopback_port()
        self.sign_ins = 0
        self._password = password
        self._controller: Controller | None = None

    def start(self) -> None:
        """Begin, also after a stop."""
        self._controller = Controller(
            self,
            hostname=self.host,
            port=self.port,
            authenticator=self._signs_in if self._password is not None else None,
            auth_require_tls=False,
            ready_timeout=START_TIMEOUT_S,
        )
        self._controller.start()

    def stop(self) -> None:
        """Close the port; safe to call twice."""
        if self._controller is not None:
            self._controller.stop(no_assert=True)
            self._controller = None

    def wait_for(self, count: int, timeout_s: float = 60.0) -> list[EmailMessage]:
        """The messages so far, as soon as there are `count`. Fails the test after the timeout."""
        with self._arrived:
            came = self._arrived.wait_for(lambda: len(self.messages) >= count, timeout_s)
        assert came, f"{len(self.messages)} of {count} messages came within {timeout_s:.0f} s"
        return list(self.messages)

    def _signs_in(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, given: object
    ) -> AuthResult:
        self.sign_ins += 1
        assert isinstance(given, LoginPassword)
        return AuthResult(success=given.password.decode() == self._password, handled=False)

    async def handle_RCPT(  # noqa: N802 - aiosmtpd looks the handler up by this name
        self,
        server: SMTP,
        session: Session,
        envelope: Envelope,
        address: str,
        rcpt_options: list[str],
    ) -> str:
        if self.refuse_with is not None:
            self.refusals += 1
            return self.refuse_with
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - aiosmtpd looks the handler up by this name
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        content = envelope.content
        assert isinstance(content, bytes)
        message = message_from_bytes(content, policy=policy.default)
        with self._arrived:
            self.messages.append(message)
            self.recipients.extend(envelope.rcpt_tos)
            self._arrived.notify_all()
        return "250 OK"


class Broker:
    """A real Mosquitto on a loopback port; `stop` and `start` again to play an outage.

    With `users` (their passwords by their names) nobody else comes in. `tls`: certificate and key.
    `queued`: how many messages it keeps for one client, where that is not its own 1,000.

    Raises `RuntimeError` when the program is missing or doesn't come up.
    """

    def __init__(
        self,
        folder: Path,
        *,
        users: Mapping[str, str] | None = None,
        tls: tuple[Path, Path] | None = None,
        queued: int | None = None,
    ) -> None:
        self.host = "127.0.0.1"
        self.port = free_loopback_port()
        self._folder = folder
        self._users = users or {}
        self._tls = tls
        self._queued = queued
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        # /usr/sbin is not on the PATH of an ordinary Debian user
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        if program is None:
            raise RuntimeError(
                "the program mosquitto is missing; deploy/check installs it, "
                "or say: apt-get install mosquitto"
            )
        settings = self._folder / "mosquitto.conf"
        open_to_all = "false" if self._users else "true"
        lines = [f"listener {self.port} {self.host}", f"allow_anonymous {open_to_all}"]
        lines.append("persistence false")
        if self._queued is not None:
            lines.append(f"max_queued_messages {self._queued}")
        if self._tls is not None:
            lines += [f"certfile {self._tls[0]}", f"keyfile {self._tls[1]}"]
        if self._users:
            passwords = self._folder / "passwords"
            passwords.write_text("".join(f"{n}:{word}\n" for n, word in self._users.items()))
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
            lines.append(f"password_file {passwords}")
        if os.geteuid() == 0:
            lines.append("user root")  # else it changes to a user who can't read the folder
        settings.write_text("\n".join(lines) + "\n")
        log = self._folder / "mosquitto.log"
        with log.open("ab") as output:
            self._process = subprocess.Popen(
                [program, "-c", str(settings)], stdout=output, stderr=output
            )
        give_up_s = time.monotonic() + START_TIMEOUT_S
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > give_up_s:
                self.stop()
                raise RuntimeError(f"mosquitto did not come up: {log.read_text()[-500:]}")
            time.sleep(0.02)

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def stop(self) -> None:
        """End the program; safe to call twice."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(START_TIMEOUT_S)
            self._process = None

    def _answers(self) -> bool:
        try:
            with socket.create_connection((self.host, self.port), timeout=1.0):
                return True
        except OSError:
            return False


class DatabaseServer:
    """A real PostgreSQL on a loopback port; `stop` and `start` again to play an outage.

    Who comes by loopback is let in, with any name. Nothing is brought to the disk at once unless
    `durable`. One that is a `copy_of` another, which runs, may only be read and gets all that
    comes there, whenever both run. Raises `RuntimeError` when the program is missing or doesn't
    come up.
    """

    def __init__(self, *, durable: bool = False, copy_of: DatabaseServer | None = None) -> None:
        self.host = "127.0.0.1"
        self.port = free_loopback_port()
        self.durable = durable
        self._folder = Path(tempfile.mkdtemp(prefix="stillair-database-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._databases = 0
        # It refuses to run as root.
        self._user = "postgres" if os.geteuid() == 0 else None
        if self._user is not None:
            shutil.chown(self._folder, self._user)
        if copy_of is not None:
            place = ["-h", copy_of.host, "-p", str(copy_of.port), "-U", "stillair"]
            words = ["-D", self.data, "-R", "--no-sync", "--checkpoint=fast"]
            self._run("pg_basebackup", *place, *words)
            return
        self._run(
            "initdb",
            "-D",
            self.data,
            "-U",
            "stillair",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--locale=C",
            *([] if durable else ["--no-sync"]),
        )

    @property
    def data(self) -> str:
        return str(self._folder / "data")

    @property
    def runs(self) -> bool:
        return self._process is not None

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        sync = "on" if self.durable else "off"
        settings = {
            "listen_addresses": self.host,
            "unix_socket_directories": str(self._folder),
            "fsync": sync,
            "full_page_writes": sync,
            "shared_buffers": "32MB" if not self.durable else "256MB",
            "max_connections": "40",
        }
        words = [word for name, value in settings.items() for word in ("-c", f"{name}={value}")]
        with (self._folder / "log").open("ab") as output:
            self._process = subprocess.Popen(
                [_of_postgresql("postgres"), "-D", self.data, "-p", str(self.port), *words],
                stdout=output,
                stderr=output,
                user=self._user,
                cwd=self._folder,
            )
        give_up_s = time.monotonic() + START_TIMEOUT_S
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > give_up_s:
                self.stop()
                said = (self._folder / "log").read_text()[-500:]
                raise RuntimeError(f"PostgreSQL did not come up: {said}")
            time.sleep(0.02)

    def stop(self) -> None:
        """End the program where it is, whoever is connected; safe to call twice."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(START_TIMEOUT_S)
            self._process = None

    def hang(self) -> None:
        """All of it stands still: whoever is connected stays so, and gets no answer."""
        self._signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """After `hang`."""
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        children = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()
        for pid in (self.pid, *map(int, children)):
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def close(self) -> None:
        """End it for good."""
        self.stop()
        shutil.rmtree(self._folder)

    def address(self, database: str) -> str:
        return f"postgresql://stillair@{self.host}:{self.port}/{database}"

    def new_database(self, template: str = "template0", *, folder: Path | None = None) -> str:
        """The address of an empty database, or of a copy of one that nobody uses.

        With a `folder` its tables lie there, on a disk of their own.
        """
        self._databases += 1
        name = f"shed_{self._databases}"
        space = ""
        if folder is not None:
            place = folder / name
            place.mkdir(mode=0o700)
            if self._user is not None:
                shutil.chown(place, self._user)
            self.say("postgres", f"CREATE TABLESPACE {name} LOCATION '{place}'")
            space = f" TABLESPACE {name}"
        self.say("postgres", f"CREATE DATABASE {name} TEMPLATE {template}{space}")
        return self.address(name)

    def say(self, database: str, order: str) -> list[tuple[Any, ...]]:
        """Carry out a line of SQL, outside of a transaction."""
        with psycopg.connect(self.address(database), autocommit=True) as connection:
            cursor = connection.execute(order.encode())
            return cursor.fetchall() if cursor.description else []

    def _run(self, program: str, *words: str) -> None:
        ended = subprocess.run(
            [_of_postgresql(program), *words],
            capture_output=True,
            user=self._user,
            cwd=self._folder,
            check=False,
        )
        if ended.returncode:
            raise RuntimeError(f"{program}: {ended.stderr.decode()[-500:]}")

    def _answers(self) -> bool:
        try:
            psycopg.connect(self.address("postgres"), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True


def _of_postgresql(program: str) -> str:
    """Debian keeps its programs apart, off everybody's path."""
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"))
    path = str(found[-1]) if found else shutil.which(program)
    if path is None:
        raise RuntimeError(
            "PostgreSQL is missing; deploy/check installs it, or say: apt-get install postgresql"
        )
    return path
