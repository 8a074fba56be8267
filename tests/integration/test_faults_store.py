"""Somebody spoils a file of the history while a fire develops: it is announced, and told."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from burning import ANNOUNCED_S, Stage, burning
from running import wait_until
from servers import MailServer

pytestmark = pytest.mark.timeout(300)  # a service is started more than once


def shown(stage: Stage) -> set[tuple[str, str]]:
    """The instants and kinds of all events that a page has been shown as kept."""
    return {(event["at"], event["kind"]) for event in stage.service.events()}


def into_the_file(path: Path) -> None:
    """Have all of a store lie in its main file, as it does after an hour."""
    with closing(sqlite3.connect(path, timeout=10.0)) as other:
        busy, *_ = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        assert not busy


def test_a_page_of_the_journal_that_is_corrupted(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server) as stage:
        stage.something_is_kept()
        journal = stage.service.folder / "journal.db"
        into_the_file(journal)
        kept = shown(stage)
        with closing(sqlite3.connect(journal)) as other:
            (page,) = other.execute(
                "SELECT rootpage FROM sqlite_master WHERE name = 'standing_event'"
            ).fetchone()
            (page_bytes,) = other.execute("PRAGMA page_size").fetchone()
        with journal.open("r+b") as file:
            file.seek((page - 1) * page_bytes)
            file.write(os.urandom(page_bytes))
            os.fsync(file.fileno())
        # What SQLite holds in memory hides it until somebody else has written to the file.
        with closing(sqlite3.connect(journal, timeout=10.0)) as other, other:
            other.execute("PRAGMA user_version = 7")
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        assert kept <= shown(stage)
        wait_until(lambda: stage.events("store_fault"), within_s=ANNOUNCED_S)
        told = str([event["detail"] for event in stage.events("store_fault")])
        assert "damaged" in told or "malformed" in told, told
        assert list(stage.service.folder.glob("journal.db.damaged-*"))


def test_a_journal_that_somebody_deletes(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server) as stage:
        stage.something_is_kept()
        kept = shown(stage)
        (stage.service.folder / "journal.db").unlink()
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        assert kept <= shown(stage)
        wait_until(lambda: stage.events("store_fault"), within_s=ANNOUNCED_S)
        stage.service.kill()
        stage.service.start()
        assert kept <= shown(stage)
        assert stage.events("fire")


def test_readings_that_somebody_deletes(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server) as stage:
        job = wait_until(lambda: stage.service.now()["job"], within_s=ANNOUNCED_S)["id"]
        wait_until(lambda: (stage.service.folder / "archive.db").exists(), within_s=ANNOUNCED_S)
        for path in stage.service.folder.glob("archive.db*"):
            path.unlink()
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        wait_until(lambda: stage.events("store_fault"), within_s=ANNOUNCED_S)
        columns = stage.service.get(f"/api/jobs/{job}/readings", points=500)
        assert any(value is not None for value in columns["sensors"]["top"])


def test_a_journal_that_another_program_locks(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server) as stage:
        journal = stage.service.folder / "journal.db"
        with closing(sqlite3.connect(journal, timeout=10.0, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            stage.light()
            stage.fire_is_announced()
            wait_until(lambda: not stage.service.get("/api/now")["stored"], within_s=ANNOUNCED_S)
            assert stage.service.get("/api/health")["status"] == "impaired"
            other.execute("ROLLBACK")
        stage.fire_is_kept()
        wait_until(lambda: stage.events("store_fault"), within_s=ANNOUNCED_S)
