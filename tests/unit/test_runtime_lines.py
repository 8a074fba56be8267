"""Log lines: their fields in the journal's own form, and never a wait."""

from __future__ import annotations

import logging
import socket
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from stillair.runtime.lines import JournalHandler, request


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "journal"))
        listener.settimeout(10)
        yield listener


@pytest.fixture
def handler(journal: socket.socket) -> Iterator[JournalHandler]:
    handler = JournalHandler(str(journal.getsockname()))
    yield handler
    handler.close()


def fields(datagram: bytes) -> dict[str, str]:
    found = {}
    while datagram:
        name, _, rest = datagram.partition(b"\n")
        (length,) = struct.unpack("<Q", rest[:8])
        found[name.decode()] = rest[8 : 8 + length].decode()
        assert rest[8 + length : 9 + length] == b"\n"
        datagram = rest[9 + length :]
    return found


def record(message: str, **about: object) -> logging.LogRecord:
    return logging.makeLogRecord(
        {"name": "stillair.story", "levelno": logging.WARNING, "msg": message, **about}
    )


def test_a_line_can_be_found_by_alarm_job_and_request(
    journal: socket.socket, handler: JournalHandler
) -> None:
    token = request.set("17")
    try:
        handler.emit(record("it was told", alarm="north-bench-12", job="north-bench-3"))
    finally:
        request.reset(token)
    found = fields(journal.recv(100_000))
    assert found["MESSAGE"] == "it was told"
    assert found["PRIORITY"] == "4"
    assert found["STILLAIR_ALARM"] == "north-bench-12"
    assert found["STILLAIR_JOB"] == "north-bench-3"
    assert found["STILLAIR_REQUEST"] == "17"
    assert "STILLAIR_EVENT" not in found


def test_no_text_passes_for_another_field(journal: socket.socket, handler: JournalHandler) -> None:
    handler.emit(record("named\nSTILLAIR_ALARM=forged\n\ud800"))
    found = fields(journal.recv(100_000))
    assert found["MESSAGE"] == "named\nSTILLAIR_ALARM=forged\n?"
    assert "STILLAIR_ALARM" not in found


def test_a_journal_that_takes_nothing_holds_nobody_up(
    journal: socket.socket, handler: JournalHandler
) -> None:
    for number in range(2000):  # far more than a socket holds
        handler.emit(record(f"line {number}"))
    assert fields(journal.recv(100_000))["MESSAGE"] == "line 0"


def test_a_journal_that_was_begun_again_gets_the_next_line(tmp_path: Path) -> None:
    path = str(tmp_path / "journal")
    first = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    first.bind(path)
    handler = JournalHandler(path)
    first.close()
    Path(path).unlink()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as second:
        second.bind(path)
        second.settimeout(10)
        handler.emit(record("after"))
        assert fields(second.recv(100_000))["MESSAGE"] == "after"
    handler.close()
