"""Log lines with fields: to systemd's journal where it listens, else as text.

A line in the journal carries what it is about as fields of its own, so that
`journalctl -u stillair STILLAIR_ALARM=north-bench-12` finds all of an alarm:
STILLAIR_REQUEST, STILLAIR_CHAMBER, STILLAIR_JOB, STILLAIR_ALARM and
STILLAIR_EVENT. A log call gives them in `extra`, a request's number comes by
itself with whatever is logged while it is answered.

Source: the journal's native protocol, systemd.io/JOURNAL_NATIVE_PROTOCOL.
"""

from __future__ import annotations

import logging
import os
import socket
import struct
from collections.abc import Mapping
from contextvars import ContextVar

from stillair.model import Outcome
from stillair.runtime.saying import UnhurriedLog

JOURNAL = "/run/systemd/journal/socket"
FIELDS = ("request", "chamber", "job", "alarm", "event")
LINE_BYTES = 64 * 1024  # a datagram has to hold it; the end of a longer one is cut off
SYSLOG = {logging.CRITICAL: 2, logging.ERROR: 3, logging.WARNING: 4, logging.INFO: 6}

request: ContextVar[str | None] = ContextVar("request", default=None)
story = logging.getLogger("stillair.story")


class JournalHandler(logging.Handler):
    """Send each line as one datagram, and never wait: a log that is stuck holds nothing up.

    Raises `OSError` where no journal listens.
    """

    def __init__(self, path: str = JOURNAL) -> None:
        super().__init__()
        self._socket = socket.socket(
            socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC
        )
        self._path = path
        try:
            self._socket.connect(path)
        except OSError:
            self._socket.close()
            raise

    def emit(self, record: logging.LogRecord) -> None:
        """Give one record to the journal; lost where it takes none."""
        try:
            datagram = _datagram(self.format(record), record)
            try:
                self._socket.send(datagram)
            except (ConnectionError, FileNotFoundError):
                self._socket.connect(self._path)  # the journal was begun again
                self._socket.send(datagram)
        except OSError:
            return  # none listens, or it is stuck; standard error, its other end, may be as well
        except Exception:
            self.handleError(record)

    def close(self) -> None:
        """Hang up."""
        self._socket.close()
        super().close()


def _datagram(message: str, record: logging.LogRecord) -> bytes:
    fields = {
        "MESSAGE": message,
        "PRIORITY": str(SYSLOG.get(record.levelno, 7)),
        "SYSLOG_IDENTIFIER": "stillair",
        "LOGGER": record.name,
        "THREAD_NAME": record.threadName or "",
    }
    for name in FIELDS:
        value = getattr(record, name, None)
        if name == "request" and value is None:
            value = request.get()
        if value is not None:
            fields[f"STILLAIR_{name.upper()}"] = str(value)
    return b"".join(_field(name, value) for name, value in fields.items())


def _field(name: str, value: str) -> bytes:
    """One field; with its length before it, so that no text can pass for another field."""
    content = value.encode(errors="replace")[:LINE_BYTES]
    return name.encode() + b"\n" + struct.pack("<Q", len(content)) + content + b"\n"


def begin(
    environment: Mapping[str, str] = os.environ, path: str = JOURNAL, *, descriptor: int = 2
) -> None:
    """Have everything logged: to the journal where it takes standard error, else as text there.

    `descriptor` is standard error, where 2 is not.
    """
    handler: logging.Handler | None = None
    if environment.get("JOURNAL_STREAM"):
        try:
            handler = JournalHandler(path)
        except OSError:
            handler = None  # text on standard error, which goes to the journal as well
    # The story is for a journal, which never blocks; a person has the page.
    story.setLevel(logging.INFO if handler else logging.CRITICAL)
    if handler:
        logging.basicConfig(
            level=logging.INFO, format="%(message)s", handlers=[handler], force=True
        )
    else:
        UnhurriedLog.begin("%(levelname)s %(name)s: %(message)s", descriptor=descriptor)
    for talker in ("alembic", "apscheduler", "uvicorn"):
        logging.getLogger(talker).setLevel(logging.WARNING)


def tell(outcome: Outcome) -> None:
    """Log what has happened, with the numbers by which it is found again."""
    about: dict[str, object] = {"chamber": outcome.chamber}
    for event in outcome.events:
        story.info(
            "%s %s %s",
            outcome.chamber,
            event.kind.value,
            event.change.value,
            extra={**about, "event": event.event, "job": event.job},
        )
    for alarm in outcome.alarms:
        story.info(
            "%s alarm %s: %s",
            outcome.chamber,
            alarm.kind.value,
            alarm.annunciation.value,
            extra={**about, "alarm": alarm.id, "event": alarm.event, "job": alarm.job},
        )
    for job in outcome.jobs:
        story.info("job %s is %s", job.id, job.state.value, extra={**about, "job": job.id})
