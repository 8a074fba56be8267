"""A backup holds everything, and gives it back to a bare directory."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import sqlite3
import subprocess
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from burning import ANNOUNCED_S, burning
from kept_things import BOOT, CHAMBER, outcome
from running import RunningService, stillair, wait_until
from servers import MailServer
from stillair.access.people import Access
from stillair.access.roles import Role
from stillair.errors import StillairError, StoreError
from stillair.media.files import PictureFiles, new_id
from stillair.runtime import backup
from stillair.runtime.backup import BackupError, make, restore
from stillair.runtime.schedule import Housekeeping
from stillair.storage.archive import Archive
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.journal import Journal
from stillair.storage.records import Parcel
from warm_starts import warm_run

AT = datetime(2026, 9, 21, 3, 40, tzinfo=UTC)


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return warm_run(stillair(*words), timeout_s=90)


def rows(folder: Path) -> dict[str, list[Any]]:
    """Every row of every table of every store."""
    found: dict[str, list[Any]] = {}
    for path in sorted(folder.glob("*.db")):
        with closing(sqlite3.connect(path)) as store:
            names = store.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            for (name,) in sorted(names):
                found[f"{path.name} {name}"] = store.execute(f"SELECT * FROM {name}").fetchall()
    return found


def files(folder: Path) -> dict[str, bytes]:
    """Every file that is no store, no backup, no log, and not the key of links in messages."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
        and path.name not in ("in-use", "service.log", "answer-key")
        and path.suffix not in (".db", ".db-wal", ".db-shm")
        and "backups" not in path.parts
    }


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A directory with something of everything that is kept."""
    folder = tmp_path / "data"
    with closing(Journal.open(folder / backup.JOURNAL)) as journal:
        for number in range(1, 5):
            journal.commit(outcome(number), BOOT)
        journal.remember(CHAMBER, "{}")
    with closing(Archive.open(folder / backup.ARCHIVE, row_readings=400)) as archive:
        for second in range(900):
            archive.add(CHAMBER, "top", 1_790_000_000.0 + second, 45.0 + second % 7)
            if second % 100 == 0:
                archive.flush()
    with Access.open(folder) as access:
        access.person_set("rigger", Role.OWNER, "a long oar and a short one", by="test")
        access.token_add("machine", Role.OPERATOR)
        access.sign_in("rigger", "a long oar and a short one", address="127.0.0.1")
    with closing(EmergencyJournal(folder / "emergency.journal")) as emergency:
        emergency.append([Parcel(outcome(9), BOOT)])
    PictureFiles(folder / "pictures", free_bytes=lambda _: 10**12).write(f"{new_id()}.jpg", b"\xff")
    return folder


def pictures_of(service: RunningService) -> list[dict[str, Any]]:
    """All pictures of events that are kept."""
    numbers = {event["event"] for event in service.events()}
    return [
        item
        for number in sorted(numbers)
        for item in service.get(f"/api/events/{number}/pictures")["items"]
    ]


@pytest.mark.timeout(300)  # a service is started more than once
def test_all_that_happened_comes_back_and_is_shown(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server) as stage:
        service = stage.service
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        # What is listed has its row as well: a file is there a moment before.
        picture = wait_until(lambda: pictures_of(service), within_s=ANNOUNCED_S)[0]["id"]
        shown = service.events()
        # While it burns, and everything is being written to.
        done = command(
            "backup", "--to", str(tmp_path / "burning.tar"), "--data-dir", str(service.folder)
        )
        assert done.returncode == 0, done.stderr
        service.stop()
        make(service.folder, None, AT)
        (nightly,) = (service.folder / "backups").iterdir()

        bare = tmp_path / "bare"
        done = command("restore", str(nightly), "--data-dir", str(bare))
        assert done.returncode == 0, done.stderr
        assert rows(bare) == rows(service.folder)
        assert any(rows(bare).values())
        assert files(bare) == files(service.folder)
        assert {path.suffix for path in bare.rglob("*")} >= {".db", ".jpg", ".frames"}

        hot = tmp_path / "hot"
        restore(tmp_path / "burning.tar", hot, AT)
        with RunningService(hot, "--chamber", str(stage.chamber)) as again:
            back = {event["seq"]: event for event in again.events()}
            assert [back[event["seq"]] for event in shown] == shown
            kept = (hot / "pictures" / f"{picture}.jpg").read_bytes()
            assert again.web.get(f"/api/pictures/{picture}").content == kept


def test_every_row_and_file_is_as_it_was_but_nobody_is_signed_in(
    kept: Path, tmp_path: Path
) -> None:
    made = make(kept, tmp_path / "all.tar", AT)
    assert made.path.stat().st_mode & 0o077 == 0
    done = restore(made.path, tmp_path / "bare", AT)
    assert done.files == made.files == 6
    before, after = rows(kept), rows(tmp_path / "bare")
    assert before["access.db session"] and not after.pop("access.db session")
    before.pop("access.db session")
    assert after == before
    assert files(tmp_path / "bare") == files(kept)
    assert all(path.stat().st_mode & 0o077 == 0 for path in (tmp_path / "bare").glob("*.db*"))
    with closing(Archive.open(tmp_path / "bare" / backup.ARCHIVE)) as archive:
        (pieces,) = archive.held(CHAMBER, 0, 10**15).values()
        packed = sum(row[5] for row in after["archive.db stretch"])
        assert packed + sum(len(times_ms) for times_ms, _ in pieces) == 900


def test_a_store_that_is_being_written_to_is_whole_in_its_backup(
    kept: Path, tmp_path: Path
) -> None:
    with closing(Journal.open(kept / backup.JOURNAL)) as journal:
        journal.commit(outcome(5), BOOT)  # it lies in the write-ahead log
        with journal.transaction("x") as connection:
            connection.exec_driver_sql("DELETE FROM ledger")
            make(kept, tmp_path / "all.tar", AT)
    restore(tmp_path / "all.tar", tmp_path / "bare", AT)
    assert len(rows(tmp_path / "bare")["journal.db ledger"]) == 10


def test_a_tail_that_is_packed_meanwhile_is_taken_anew(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copyfile = shutil.copyfile
    gone: list[Path] = []
    monkeypatch.setattr("stillair.storage.archive.PACKED_READINGS", 1)

    def packed_first(source: Path, target: Path) -> None:
        if not gone:
            gone.append(source)
            with closing(Archive.open(kept / backup.ARCHIVE, row_readings=1)) as archive:
                archive.add(CHAMBER, "top", 1_790_001_000.0, 45.0)
                archive.flush()
            assert not source.exists(), "nothing was packed"
        copyfile(source, target)

    monkeypatch.setattr(shutil, "copyfile", packed_first)
    made = make(kept, tmp_path / "all.tar", AT)
    restore(made.path, tmp_path / "bare", AT)
    with closing(Archive.open(tmp_path / "bare" / backup.ARCHIVE)) as archive:
        pieces = archive.held(CHAMBER, 0, 10**15)
        held = sum(len(times_ms) for found in pieces.values() for times_ms, _ in found)
        packed = sum(row[5] for row in rows(tmp_path / "bare")["archive.db stretch"])
    assert held + packed == 901


def test_the_newest_three_are_kept_and_none_inside_another(kept: Path) -> None:
    made = make(kept, None, AT)
    make(kept, kept / "own-backup.tar", AT)
    # What one that was killed has left.
    (kept / "backups" / "backup-1.tar.part").touch()
    (kept / "backups" / "backup-x.part").mkdir()
    for night in range(1, 5):
        made = make(kept, None, AT + timedelta(days=night))
    left = sorted(path.name for path in (kept / "backups").iterdir())
    assert left == [f"backup-202609{day}T034000Z.tar" for day in (23, 24, 25)]
    with tarfile.open(made.path) as tar:
        assert not [name for name in tar.getnames() if "backup" in name]


def test_backups_of_a_clock_that_was_ahead_go_before_all_others(kept: Path) -> None:
    for night in range(3):
        make(kept, None, AT + timedelta(days=4_000 + night))
    made = [make(kept, None, AT + timedelta(days=night)).path.name for night in range(3)]
    assert sorted(path.name for path in (kept / "backups").iterdir()) == made


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_what_root_makes_is_the_services(kept: Path) -> None:
    os.chown(kept, 12_345, 12_345)
    made = make(kept, None, AT)
    assert {made.path.stat().st_uid, made.path.parent.stat().st_uid} == {12_345}


def test_a_file_that_somebody_has_laid_ready_is_not_written_into(
    kept: Path, tmp_path: Path
) -> None:
    ready = tmp_path / "all.tar.part"
    ready.touch(0o666)
    with ready.open("rb") as theirs:
        made = make(kept, tmp_path / "all.tar", AT)
        assert theirs.read() == b""
    assert made.path.stat().st_mode & 0o077 == 0


def test_a_link_in_the_place_of_the_lock_is_not_followed(kept: Path, tmp_path: Path) -> None:
    made = make(kept, tmp_path / "all.tar", AT)
    bare, elsewhere = tmp_path / "bare", tmp_path / "elsewhere"
    bare.mkdir()
    (bare / "in-use").symlink_to(elsewhere)
    with pytest.raises(StillairError):
        restore(made.path, bare, AT)
    assert not elsewhere.exists()


def test_where_there_is_no_room_older_ones_go_but_never_the_last(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for night in range(2):
        make(kept, None, AT + timedelta(days=night))
    monkeypatch.setattr(backup, "FREE_BYTES", 10**18)
    with pytest.raises(BackupError, match="no room"):
        make(kept, None, AT + timedelta(days=3))
    assert [path.name for path in (kept / "backups").iterdir()] == ["backup-20260922T034000Z.tar"]
    assert not backup.make_room(kept, AT, 10**18)
    assert backup.make_room(kept, AT, 1)
    assert len(list((kept / "backups").iterdir())) == 1


def test_one_that_fails_leaves_nothing_behind(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backup, "_others", lambda _: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        make(kept, kept / "backups" / "one.tar", AT)
    assert list((kept / "backups").iterdir()) == []


def test_a_file_that_is_there_is_never_written_over(kept: Path, tmp_path: Path) -> None:
    (tmp_path / "all.tar").write_text("somebody's")
    with pytest.raises(BackupError, match="there already"):
        make(kept, tmp_path / "all.tar", AT)
    assert (tmp_path / "all.tar").read_text() == "somebody's"


def test_what_is_there_is_only_moved_aside_when_that_was_said(kept: Path, tmp_path: Path) -> None:
    made = make(kept, tmp_path / "all.tar", AT)
    with closing(Journal.open(kept / backup.JOURNAL)) as journal:
        journal.commit(outcome(6), BOOT)
    before, present = rows(kept), files(kept)
    with pytest.raises(BackupError, match="--replace"):
        restore(made.path, kept, AT)
    assert (rows(kept), files(kept)) == (before, present)
    done = restore(made.path, kept, AT, replace=True)
    assert done.aside is not None
    assert rows(done.aside) == before
    assert len(rows(kept)["journal.db ledger"]) == 8


def test_what_has_no_room_is_not_unpacked(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = make(kept, tmp_path / "all.tar", AT)
    usage = shutil.disk_usage(tmp_path)._replace(free=1_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    with pytest.raises(BackupError, match="no room"):
        restore(made.path, tmp_path / "bare", AT)
    assert {path.name for path in (tmp_path / "bare").iterdir()} <= {"in-use"}


def test_a_directory_in_use_is_refused(kept: Path, tmp_path: Path) -> None:
    made = make(kept, tmp_path / "all.tar", AT)
    with RunningService(tmp_path / "other") as service:
        done = command("restore", str(made.path), "--replace", "--data-dir", str(service.folder))
        assert done.returncode == 1
        assert "running Stillair" in done.stderr
        assert service.now()["sensors"]


def test_a_newer_one_is_refused(kept: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(kept / "journal.db")) as store, store:
        store.execute("UPDATE alembic_version SET version_num = 'j9999'")
    made = make(kept, tmp_path / "all.tar", AT)
    with pytest.raises(BackupError, match="newer Stillair"):
        restore(made.path, tmp_path / "bare", AT)
    assert not list((tmp_path / "bare").glob("*.db"))


# --- files that are no backup ------------------------------------------------------------


def members(path: Path) -> Iterator[tuple[tarfile.TarInfo, bytes]]:
    with tarfile.open(path) as tar:
        for member in tar:
            content = tar.extractfile(member)
            assert content is not None
            yield member, content.read()


def rewritten(path: Path, change: Callable[[tarfile.TarInfo, bytes], bytes]) -> None:
    """The same backup with every member changed."""
    changed = [(member, change(member, data)) for member, data in members(path)]
    with tarfile.open(path, "w") as tar:
        for member, data in changed:
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))


def another_byte(path: Path) -> None:
    rewritten(path, lambda m, data: data[:-1] + b"?" if m.name.endswith(".jpg") else data)


def out_of_the_folder(path: Path) -> None:
    def change(member: tarfile.TarInfo, data: bytes) -> bytes:
        member.name = member.name.replace("pictures/", "../pictures/")
        return data

    rewritten(path, change)


def a_link(path: Path) -> None:
    def change(member: tarfile.TarInfo, data: bytes) -> bytes:
        if member.name.endswith(".jpg"):
            member.type, member.linkname = tarfile.SYMTYPE, "/etc/passwd"
            return b""
        return data

    rewritten(path, change)


def another_form(path: Path) -> None:
    def change(member: tarfile.TarInfo, data: bytes) -> bytes:
        if member.name != "manifest.json":
            return data
        return json.dumps({**json.loads(data), "form": 2}).encode()

    rewritten(path, change)


def cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def not_listed(path: Path) -> None:
    with tarfile.open(path, "a") as tar:
        tar.addfile(tarfile.TarInfo("unknown"), io.BytesIO())


def holding(name: str, kind: bytes = tarfile.REGTYPE) -> Callable[[Path], None]:
    """A backup with one more file, which its list knows of."""

    def spoil(path: Path) -> None:
        held = list(members(path))
        with tarfile.open(path, "w") as tar:
            for member, data in held:
                if member.name == "manifest.json":
                    told = json.loads(data)
                    told["files"][name] = {"bytes": 0, "sha256": hashlib.sha256().hexdigest()}
                    data = json.dumps(told).encode()
                    more = tarfile.TarInfo(name)
                    more.type = kind
                    tar.addfile(more, io.BytesIO())
                member.size = len(data)
                tar.addfile(member, io.BytesIO(data))

    return spoil


def bigger_than_the_disk(path: Path) -> None:
    with tarfile.open(path, "w") as tar:
        big = tarfile.TarInfo("pictures/big.jpg")
        big.size = 10**17
        tar.addfile(big)


def another_store(path: Path, name: str, content: bytes) -> None:
    """A backup whose list agrees with a store that was exchanged."""

    def change(member: tarfile.TarInfo, data: bytes) -> bytes:
        if member.name == "manifest.json":
            told = json.loads(data)
            told["files"][name] = {
                "bytes": len(content),
                "sha256": hashlib.sha256(content).hexdigest(),
            }
            return json.dumps(told).encode()
        return content if member.name == name else data

    rewritten(path, change)


def of_a_damaged_store(path: Path) -> None:
    whole = next(data for member, data in members(path) if member.name == "journal.db")
    another_store(path, "journal.db", whole[:-4096] + os.urandom(4096))


def of_no_version(path: Path) -> None:
    store = path.with_name("emptied.db")
    store.write_bytes(next(data for member, data in members(path) if member.name == "access.db"))
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("DELETE FROM alembic_version")
        connection.commit()
    another_store(path, "access.db", store.read_bytes())


@pytest.mark.parametrize(
    "spoil",
    [
        another_byte,
        bigger_than_the_disk,
        of_no_version,
        of_a_damaged_store,
        pytest.param(holding("in-use"), id="the lock"),
        pytest.param(holding("backups/other.tar"), id="in the folder of backups"),
        pytest.param(holding("access.db-wal"), id="a log beside a store"),
        pytest.param(holding("pipe", tarfile.FIFOTYPE), id="a pipe"),
        pytest.param(holding("null", tarfile.CHRTYPE), id="a device"),
        pytest.param(holding("holes", tarfile.GNUTYPE_SPARSE), id="a file with holes"),
        out_of_the_folder,
        a_link,
        another_form,
        cut_off,
        not_listed,
        pytest.param(lambda path: path.write_bytes(b""), id="nothing"),
        pytest.param(lambda path: path.write_bytes(bytes(10_240)), id="zeros"),
        pytest.param(lambda path: path.write_text("[[" * 9_999), id="text"),
    ],
)
def test_what_is_no_whole_backup_changes_nothing(
    spoil: Callable[[Path], object], kept: Path, tmp_path: Path
) -> None:
    made = make(kept, tmp_path / "all.tar", AT)
    spoil(made.path)
    with pytest.raises(StillairError):
        restore(made.path, tmp_path / "bare", AT)
    assert {path.name for path in (tmp_path / "bare").iterdir()} <= {"in-use"}
    assert not (tmp_path / "pictures").exists()


def test_an_archive_is_led_to_the_command_that_takes_it(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "shed.zip", "w") as file:
        file.writestr("archive.json", "{}")
    with pytest.raises(BackupError, match=r"stillair bring-in .*shed\.zip"):
        restore(tmp_path / "shed.zip", tmp_path / "bare", AT)


# --- each night ----------------------------------------------------------------------------


def test_housekeeping_is_seen_to_have_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    nothing: Any = None
    keeping = Housekeeping(nothing, lambda: AT, nothing, nothing, nothing)
    monkeypatch.setattr(keeping._scheduler, "_main_loop", lambda: None)
    keeping.start()
    try:
        wait_until(lambda: not keeping.alive, within_s=60)
    finally:
        keeping.stop()
    assert keeping.alive, "it was told to stop"


def test_each_night_one_is_made_and_that_none_could_be_is_told() -> None:
    told: list[tuple[bool, str]] = []
    nights: list[datetime] = []
    fails: list[Exception] = []

    def back_up(at: datetime) -> None:
        nights.append(at)
        if fails:
            raise fails.pop()

    house = Housekeeping(
        None,  # type: ignore[arg-type]  # nothing is given up here
        lambda: AT,
        back_up,
        lambda: None,
        lambda failing, reason: told.append((failing, reason)),
    )
    (job,) = (job for job in house._scheduler.get_jobs() if job.id == "backup")
    first = job.trigger.get_next_fire_time(None, AT)
    assert first is not None
    second = job.trigger.get_next_fire_time(first, first + timedelta(seconds=1))
    assert second - first == timedelta(days=1)
    house.back_up()
    fails.append(StoreError("no room"))
    house.back_up()
    fails.append(RuntimeError("a defect"))
    house.back_up()
    house.back_up()
    assert nights == [AT] * 4
    assert told == [
        (False, ""),
        (True, "no room"),
        (True, "making it failed; see the log"),
        (False, ""),
    ]
