"""An archive that anybody may have made: refused whole, with a sentence, or brought in whole."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from archived import FINGERPRINT, WEBM, contents, head, rich
from kept_things import CHAMBER
from stillair.model import Timeline
from stillair.runtime import bringing_in
from stillair.runtime.archive_file import export
from stillair.runtime.archive_form import ArchiveError, Counts
from stillair.runtime.bringing_in import bring_in, finish
from stillair.storage.summaries import refresh

Files = dict[str, bytes]
HERE = Timeline("boot-3", 1_770_000_000.0)
ENTRIES = f"chambers/{CHAMBER}/entries.jsonl"
PICTURES = f"chambers/{CHAMBER}/pictures.jsonl"
FILMS, SETTINGS = f"chambers/{CHAMBER}/films.jsonl", f"chambers/{CHAMBER}/settings.jsonl"
MARK = f"{CHAMBER} {FINGERPRINT}31"
TOOLPATHS = f"chambers/{CHAMBER}/toolpaths.jsonl"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = rich(tmp_path_factory.mktemp("kept") / "data", jobs=1)
    return export(folder, folder.parent / "all.zip").path


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Another board, which nothing may change."""
    return rich(tmp_path_factory.mktemp("board") / "data", jobs=1, boot=HERE)


def seen(folder: Path) -> dict[str, Any]:
    """All rows of all tables, and all files that are no store."""
    found: dict[str, Any] = {}
    for path in sorted(folder.glob("*.db")):
        with closing(sqlite3.connect(path)) as store:
            names = store.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            for (name,) in sorted(names.fetchall()):
                if not name.startswith("sqlite_"):
                    rows = store.execute(f"SELECT * FROM {name}").fetchall()
                    found[f"{path.name} {name}"] = sorted(map(repr, rows))
    for path in folder.rglob("*"):
        if path.is_file() and ".db" not in path.name and path.name != "in-use":
            found[str(path.relative_to(folder))] = path.read_bytes()
    return found


def written(to: Path, files: Files, told: dict[str, Any], *, listed: bool = True) -> Path:
    """An archive of these files whose list is right, unless told otherwise."""
    if listed:
        told["files"] = {
            name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in files.items()
        }
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)
        packed.writestr("archive.json", json.dumps(told))
    return to


def lines_of(data: bytes) -> list[dict[str, Any]]:
    return [json.loads(line) for line in data.splitlines()]


def joined(lines: list[dict[str, Any]]) -> bytes:
    return b"".join(json.dumps(line).encode() + b"\n" for line in lines)


def entry(of: str, /, **more: Any) -> Callable[[Files, dict[str, Any]], None]:
    """The first line of a topic says something else."""

    def change(files: Files, _: dict[str, Any]) -> None:
        lines = lines_of(files[ENTRIES])
        line = next(each for each in lines if each["topic"] == of)
        for name, value in more.items():
            if name in line["kept"]:
                line["kept"][name] = value
            else:
                line[name] = value
        files[ENTRIES] = joined(lines)

    return change


def first_of(name: str, /, **more: Any) -> Callable[[Files, dict[str, Any]], None]:
    """The first line of a file says something else."""

    def change(files: Files, _: dict[str, Any]) -> None:
        first, *others = lines_of(files[name])
        files[name] = joined([first | more, *others])

    return change


def replaced(name: str, make: Callable[[bytes], bytes]) -> Callable[[Files, dict[str, Any]], None]:
    def change(files: Files, _: dict[str, Any]) -> None:
        (found,) = [each for each in files if each.endswith(name)][:1]
        files[found] = make(files[found])

    return change


def added(name: str, data: bytes = b"x") -> Callable[[Files, dict[str, Any]], None]:
    return lambda files, _: files.update({name: data})


def told(**more: Any) -> Callable[[Files, dict[str, Any]], None]:
    return lambda _, head: head.update(more)


def counted(files: Files, found: dict[str, Any]) -> None:
    found["chambers"][0]["counts"]["jobs"] += 1


def reading(value: bytes) -> Callable[[bytes], bytes]:
    def change(data: bytes) -> bytes:
        top, first, *others = data.splitlines(keepends=True)
        return b"".join([top, first.partition(b",")[0] + b"," + value + b"\n", *others])

    return change


def backwards(data: bytes) -> bytes:
    top, first, second, *others = data.splitlines(keepends=True)
    return b"".join([top, second, first, *others])


DEEP = b'{"a":' * 5000 + b"1" + b"}" * 5000 + b"\n"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        pytest.param(told(form=3), "reads 1 to 2; install a newer Stillair", id="a newer form"),
        pytest.param(told(form="one"), "reads 1 to 2", id="a form that is none"),
        pytest.param(told(form=1), "and says", id="films in a form that has none"),
        pytest.param(told(form=True), "form 'True'", id="a form that is true"),
        pytest.param(told(chambers="all"), "list", id="chambers that are none"),
        pytest.param(
            told(chambers=[{"key": "../up", "name": "", "boxes": [], "counts": {}}]),
            "no chamber's key",
            id="a key that climbs",
        ),
        pytest.param(counted, "and says", id="fewer than it says"),
        pytest.param(added("../../etc/passwd"), "which no archive does", id="a name that climbs"),
        pytest.param(added("/etc/passwd"), "which no archive does", id="a name from the root"),
        pytest.param(added("chambers/../x.csv"), "which no archive does", id="a name with dots"),
        pytest.param(
            added("chambers/south/entries.jsonl", b""), "names no chamber", id="a chamber unnamed"
        ),
        pytest.param(
            added(f"chambers/{CHAMBER}/pictures/{'0' * 31}9.jpg"), "speaks of", id="not spoken of"
        ),
        pytest.param(entry("event", kind="comet"), "line .*event.kind", id="a kind unknown"),
        pytest.param(entry("event", onset_s="soon"), "onset_s should be a number", id="no time"),
        pytest.param(entry("event", at_s=1e300), "at_s should be a number", id="no such time"),
        pytest.param(entry("event", at_s=10**400), "at_s should be a number", id="beyond floats"),
        pytest.param(entry("job", name="\ud800"), "surrogates", id="half a character"),
        pytest.param(entry("event", event=True), "event.event", id="true is no number"),
        pytest.param(entry("event", text=[[[[]]] * 10_001]), "shorter", id="much of the new"),
        pytest.param(entry("job", id="south-1"), "the id of no job", id="another chamber's job"),
        pytest.param(
            entry("job", id=f"{CHAMBER}-../1"), "the id of no job", id="an id that climbs"
        ),
        pytest.param(entry("job", name="x" * 20_001), "too long", id="a long name"),
        pytest.param(entry("job", chamber="south"), "another chamber", id="a line from elsewhere"),
        pytest.param(entry("job", topic="notice"), "no topic", id="a topic unknown"),
        pytest.param(entry("job", topic="stop"), "no topic", id="a duty"),
        pytest.param(entry("note", parcel="a b"), "no mark of a row", id="no parcel"),
        pytest.param(entry("note", at_us=-1), "no time", id="before 1970"),
        pytest.param(entry("note", mono_s=None), "mono_s", id="no second"),
        pytest.param(entry("note", job=None), "a text", id="of no job"),
        pytest.param(replaced(ENTRIES, lambda _: DEEP), "nested", id="nested for ever"),
        pytest.param(replaced(ENTRIES, lambda d: d + b"{}"), "cut off", id="a line cut off"),
        pytest.param(
            replaced(ENTRIES, lambda d: d + b"[]\n"), "no record", id="a line that is none"
        ),
        pytest.param(
            replaced(ENTRIES, lambda d: d.replace(b"12.4", b"NaN")), "NaN is no", id="no number"
        ),
        pytest.param(
            replaced(ENTRIES, lambda d: b" " * 2**21 + d), "too long", id="a line without end"
        ),
        pytest.param(replaced(".jpg", lambda _: b"<script>"), "no picture", id="no picture"),
        pytest.param(replaced(PICTURES, lambda _: b""), "says", id="pictures forgotten"),
        pytest.param(
            replaced(PICTURES, lambda d: d.replace(b"photograph", b"passport")),
            "no part",
            id="no such picture",
        ),
        pytest.param(
            first_of(FILMS, id="../../journal"), "no film's name", id="a film that climbs"
        ),
        pytest.param(
            first_of(FILMS, id="0" * 32), "missing or too large", id="a film without file"
        ),
        pytest.param(first_of(FILMS, state="making"), "no state", id="a film being made"),
        pytest.param(first_of(FILMS, part="horror"), "no part", id="no such film"),
        pytest.param(first_of(FILMS, origin="<b>"), "no origin", id="a film from nowhere"),
        pytest.param(first_of(FILMS, job="south-1"), "the id of no job", id="another's film"),
        pytest.param(first_of(FILMS, length_s=-1.0), "so long", id="a film of less than nothing"),
        pytest.param(first_of(FILMS, end_s=1e14), "its own time", id="a film without end"),
        pytest.param(first_of(FILMS, shown=[[1, "fire"]]), "rows of 3", id="an event unseen"),
        pytest.param(first_of(FILMS, shown=[[1, "fire", 1.0]] * 51), "a list", id="many events"),
        pytest.param(first_of(FILMS, paused=[["a", 1.0]]), "a number", id="a pause that is none"),
        pytest.param(first_of(FILMS, paused=None), "a list", id="no pauses"),
        pytest.param(
            replaced(FILMS, lambda d: d + d.splitlines(True)[1]), "twice", id="film twice"
        ),
        pytest.param(replaced(FILMS, lambda _: b""), "says", id="films forgotten"),
        pytest.param(replaced(".webm", lambda _: b"<script>" + WEBM), "no film", id="a page"),
        pytest.param(
            replaced(".webm", lambda d: d.replace(b"V_VP8", b"V_AV1")), "no film", id="another kind"
        ),
        pytest.param(replaced(".webm", lambda _: b""), "no film", id="an empty film"),
        pytest.param(
            added(f"chambers/{CHAMBER}/films/{'0' * 31}9.webm", WEBM), "speaks of", id="a film more"
        ),
        pytest.param(first_of(SETTINGS, mark="a b"), "no mark of settings", id="no mark"),
        pytest.param(first_of(SETTINGS, settings=[]), "a record", id="no settings"),
        pytest.param(
            replaced(SETTINGS, lambda d: d.replace(b'"correction_k":0.0', b'"correction_k":"0"')),
            "correction_k should be a number",
            id="a correction that is none",
        ),
        pytest.param(replaced(SETTINGS, lambda d: d + d), "twice", id="settings twice"),
        pytest.param(replaced("09-21.csv", reading(b"nan")), "no temperature", id="not a number"),
        pytest.param(
            replaced("09-21.csv", reading(b"1_0")), "no temperature", id="Python's number"
        ),
        pytest.param(replaced("09-21.csv", reading(b"99999999")), "no temperature", id="hotter"),
        pytest.param(replaced("09-21.csv", reading(b"1,2")), "no temperature", id="two values"),
        pytest.param(
            replaced("09-21.csv", lambda d: d.replace(b"time_s,", b'time_s,"')),
            "begins with no head",
            id="a head without end",
        ),
        pytest.param(replaced("1.csv", backwards), "not after", id="time goes back"),
        pytest.param(replaced("aa.json", lambda _: b"{}"), "whole number", id="no outlines"),
        pytest.param(
            replaced("aa.json", lambda d: d.replace(b'"width": 4', b'"width": 9')),
            "other bits",
            id="other outlines",
        ),
        pytest.param(
            replaced(TOOLPATHS, lambda d: d.replace(b'"tools":[0]', b'"tools":"all"')),
            "tools",
            id="no tools",
        ),
    ],
)
def test_what_is_not_as_it_should_be_is_refused_whole(
    change: Callable[[Files, dict[str, Any]], None],
    said: str,
    archive: Path,
    board: Path,
    tmp_path: Path,
) -> None:
    files, found = contents(archive), head(archive)
    change(files, found)
    before = seen(board)
    with pytest.raises(ArchiveError, match=f"(?s)nothing was brought in.*{said}") as refused:
        bring_in(written(tmp_path / "bad.zip", files, found), board)
    assert len(str(refused.value)) < 1000 and "\n" not in str(refused.value)
    assert seen(board) == before
    assert not (board / "bringing-in").exists()


def changed_after(file: Path) -> bytes:
    """One byte of a reading is another, and every sum in the zip is right again."""
    files, found = contents(file), head(file)
    (name,) = [each for each in files if each.endswith(".csv") and "readings" in each][:1]
    files[name] = files[name].replace(b"45.", b"46.", 1)
    to = file.with_name("changed.zip")
    return written(to, files, found, listed=False).read_bytes()


def bomb(file: Path) -> bytes:
    files, found = contents(file), head(file)
    files[ENTRIES] = b" " * (90 * 10**6)
    to = file.with_name("bomb.zip")
    return written(to, files, found).read_bytes()


def lying(file: Path) -> bytes:
    """Its directory says that a file is small."""
    data = bytearray(file.read_bytes())
    at = data.rfind(b"PK\1\2")
    data[at + 24 : at + 28] = (5).to_bytes(4, "little")
    return bytes(data)


def locked(file: Path) -> bytes:
    data = bytearray(file.read_bytes())
    at = data.find(b"PK\1\2")
    data[at + 8] |= 1
    return bytes(data)


def crowded(_: Path) -> bytes:
    """A million files, all of them empty, told by its last bytes alone."""
    end = b"PK\5\6" + bytes(4) + b"\xff\xff" * 2 + b"\xff" * 8 + bytes(2)
    big = b"PK\6\6" + (44).to_bytes(8, "little") + bytes(12)
    big += (10**6).to_bytes(8, "little") * 2 + (10**8).to_bytes(8, "little") + bytes(8)
    where = b"PK\6\7" + bytes(4) + bytes(8) + (1).to_bytes(4, "little")
    return big + where + end


@pytest.mark.parametrize(
    ("make", "said"),
    [
        pytest.param(lambda _: b"", "cut off", id="empty"),
        pytest.param(lambda _: os.urandom(5000), "no zip file", id="noise"),
        pytest.param(lambda f: f.read_bytes()[:-300], "", id="cut off at its end"),
        pytest.param(lambda f: f.read_bytes()[:2000], "no zip file", id="cut off early"),
        pytest.param(lambda f: b"PK\3\4" + zlib.compress(f.read_bytes()), "", id="packed again"),
        pytest.param(changed_after, "is not what it was", id="changed"),
        pytest.param(bomb, "far more than", id="a bomb"),
        pytest.param(lying, "", id="a small size that is none"),
        pytest.param(locked, "packed in a way", id="locked"),
        pytest.param(crowded, "more files", id="a million files"),
    ],
)
def test_a_file_that_is_none_is_refused(
    make: Callable[[Path], bytes], said: str, archive: Path, board: Path, tmp_path: Path
) -> None:
    before = seen(board)
    bad = tmp_path / "bad.zip"
    bad.write_bytes(make(archive))
    with pytest.raises(ArchiveError, match=f"(?s)nothing was brought in.*{said}"):
        bring_in(bad, board)
    assert seen(board) == before


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="No such file"):
        bring_in(tmp_path / "none.zip", tmp_path / "data")


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(at=st.floats(0, 1), byte=st.integers(1, 255))
def test_any_byte_that_was_changed_is_noticed_or_says_nothing(
    at: float, byte: int, archive: Path, board: Path, tmp_path: Path
) -> None:
    data = bytearray(archive.read_bytes())
    data[min(int(at * len(data)), len(data) - 1)] ^= byte
    bad = tmp_path / "bad.zip"
    bad.write_bytes(data)
    before = seen(board)
    try:
        done = bring_in(bad, board)
    except ArchiveError:
        assert seen(board) == before
    else:  # of a date in the zip say; then it is what it was
        assert done.added + done.already == Counts(**head(archive)["counts"])
        undo(board, before)


def undo(board: Path, before: dict[str, Any]) -> None:
    """Take away what was brought in all the same."""
    with closing(sqlite3.connect(board / "journal.db")) as store, store:
        for table, key in (("ledger", "seq"), ("job", "first_seq"), ("alarm", "first_seq")):
            store.execute(f"DELETE FROM {table} WHERE {key} < 0")
        for table in ("picture", "clip", "toolpath"):
            store.execute(f"DELETE FROM {table} WHERE number < 0")
        store.execute("DELETE FROM job_said WHERE seq < 0")
        store.execute("DELETE FROM job_toolpath WHERE job LIKE '%x%'")
        store.execute(f"DELETE FROM settings WHERE id = '{MARK}'")
    with closing(sqlite3.connect(board / "archive.db")) as store, store:
        came = "FROM stretch WHERE start_ms > 1780000000000"
        places = store.execute(f"SELECT chamber, sensor, start_ms, end_ms {came}").fetchall()
        store.execute(f"DELETE {came}")
        refresh(store, places)
    for name in set(seen(board)) - set(before):
        (board / name).unlink()
    assert seen(board) == before


# --- stopped in the middle ---------------------------------------------------------------

KILLED = """
import os, signal, sys
from pathlib import Path
from stillair.runtime import bringing_in
from stillair.storage import brought

archive, *cases = sys.argv[1:]
for board, name, count in zip(cases[::3], cases[1::3], map(int, cases[2::3])):
    if child := os.fork():
        _, status = os.waitpid(child, 0)
        print(os.WTERMSIG(status), flush=True)
        continue
    owner = brought if hasattr(brought, name) else brought.Stage
    real = getattr(owner, name)

    def stop(*words, **more):
        global count
        count -= 1
        if count == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*words, **more)

    setattr(owner, name, stop)
    bringing_in.bring_in(Path(archive), Path(board))
    os._exit(0)
"""
STOPS = {
    "while lines come": ("take_line", 3, False),
    "while pictures come": ("take_picture", 2, False),
    "while films come": ("take_film", 2, False),
    "when all have come": ("settle", 1, False),
    "before it is committed": ("sync", 1, False),
    "before files are in their folders": ("bring_home", 1, True),
    "before readings have their names": ("reveal", 1, True),
}


@pytest.fixture(scope="module")
def killed(archive: Path, board: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of boards, each like that one, and each killed at another place."""
    folder = tmp_path_factory.mktemp("killed")
    words = [sys.executable, "-c", KILLED, str(archive)]
    for name, (where, count, _) in STOPS.items():
        shutil.copytree(board, folder / name)
        words += [str(folder / name), where, str(count)]
    done = subprocess.run(words, timeout=200, capture_output=True)
    told = done.stdout.decode().split()
    assert told == [str(int(signal.SIGKILL))] * len(STOPS), done.stderr.decode()
    return folder


@pytest.mark.parametrize("where", STOPS)
def test_killed_in_the_middle_it_is_nothing_or_all(
    where: str, killed: Path, archive: Path, board: Path, tmp_path: Path
) -> None:
    here, whole = killed / where, STOPS[where][2]
    assert (here / "bringing-in").exists()
    finish(here)
    assert not (here / "bringing-in").exists()
    if not whole:
        assert seen(here) == seen(board)
    again = bring_in(archive, here)
    assert bool(again.added) is not whole
    assert again.added + again.already == Counts(**head(archive)["counts"])
    file = export(here, tmp_path / "both.zip").path
    assert head(file)["counts"]["readings"] == 2 * head(archive)["counts"]["readings"]
    shown = {n: d for n, d in contents(archive).items() if n.endswith((".jpg", ".webm"))}
    assert shown.items() <= contents(file).items()


def test_two_at_once_are_one_after_the_other(archive: Path, tmp_path: Path) -> None:
    with (
        bringing_in._one_at_a_time(tmp_path),
        pytest.raises(ArchiveError, match="just being brought in"),
    ):
        bring_in(archive, tmp_path)


def test_without_room_nothing_is_begun(
    archive: Path, board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = seen(board)
    full = type("Usage", (), {"free": 10**6})
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)
    with pytest.raises(ArchiveError, match="no room"):
        bring_in(archive, board)
    assert seen(board) == before
