"""A whole history is taken out and brought in beside another: equal, once, all or nothing."""

from __future__ import annotations

import fcntl
import io
import json
import os
import sqlite3
import subprocess
import zipfile
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from archived import BOX, WEBM, contents, head, job_of, rich, without_films
from kept_things import BOOT, CHAMBER, event, job, outcome
from running import RunningService, stillair
from stillair.config.reading import default_chamber
from stillair.model import JobPhase, Outcome, Timeline
from stillair.runtime import season_file
from stillair.runtime.archive_file import export
from stillair.runtime.archive_form import ArchiveError, Counts
from stillair.runtime.bringing_in import BroughtIn, bring_in
from stillair.runtime.job_file import Asked, write_job_file
from stillair.runtime.settings_told import chamber_file
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.retention import forget_quiet
from warm_starts import warm_run

ELSEWHERE = Timeline("boot-2", 1_780_000_000.0)
NOTHING = Counts()


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return rich(tmp_path_factory.mktemp("kept") / "data")


@pytest.fixture(scope="module")
def archive(source: Path) -> Path:
    return export(source, source.parent / "all.zip").path


def rows(folder: Path, query: str, *values: Any) -> list[Any]:
    with closing(sqlite3.connect(folder / "journal.db")) as store:
        return store.execute(query, values).fetchall()


def own(folder: Path, jobs: int = 2) -> Path:
    """A board with a history of its own of the same chamber."""
    return rich(folder, jobs=jobs, boot=ELSEWHERE)


def test_it_says_what_it_holds(source: Path, archive: Path) -> None:
    told = head(archive)
    assert told["counts"] == {
        "jobs": 3,
        "entries": len(rows(source, "SELECT 1 FROM ledger")),
        "readings": 2 * (900 + 900 + 200 - 100),  # of an instant only one is there
        "pictures": 2,
        "films": 2,
        "toolpaths": 2,
        "settings": 1,
    }
    assert told["chambers"][0]["boxes"] == [BOX]
    assert told["left_out"] == 0
    assert {name.split("/")[0] for name in contents(archive)} == {"README.txt", "chambers"}


def test_in_an_empty_folder_it_is_all_there_again(archive: Path, tmp_path: Path) -> None:
    done = bring_in(archive, tmp_path / "bare")
    assert done.already == NOTHING
    assert done.added == Counts(**head(archive)["counts"])
    again = export(tmp_path / "bare", tmp_path / "again.zip").path
    assert contents(again) == contents(archive)
    assert head(again)["counts"] == head(archive)["counts"]


def test_twice_adds_nothing(archive: Path, tmp_path: Path) -> None:
    bring_in(archive, tmp_path)
    before = rows(tmp_path, "SELECT * FROM ledger")
    done = bring_in(archive, tmp_path)
    assert done.added == NOTHING
    assert done.already == Counts(**head(archive)["counts"])
    assert rows(tmp_path, "SELECT * FROM ledger") == before


def test_its_own_history_is_there_already(source: Path, archive: Path, tmp_path: Path) -> None:
    folder = rich(tmp_path / "same")
    file = export(folder, tmp_path / "own.zip").path
    assert bring_in(file, folder).added == NOTHING
    assert contents(export(folder, tmp_path / "after.zip").path) == contents(file)


def test_a_season_comes_along_whole_and_can_be_removed_there(tmp_path: Path) -> None:
    now = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
    assert season_file.bring_in(tmp_path / "here", season_file.shipped(), now) == 32
    file = export(tmp_path / "here", tmp_path / "all.zip").path
    assert head(file)["left_out"] == 0
    done = bring_in(file, tmp_path / "there")
    assert (done.already, done.added) == (NOTHING, Counts(**head(file)["counts"]))
    assert bring_in(file, tmp_path / "here").added == NOTHING
    journal = Journal(tmp_path / "there" / "journal.db")
    with closing(journal):
        assert len(season_file.jobs_of_season(journal)) == 32


def items(folder: Path) -> dict[str, list[Any]]:
    """What other programs see, as the pages ask for it."""
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        jobs = [entry.body for entry in history.jobs(0, 1000).entries]
        return {
            "jobs": jobs,
            "events": [e.body for e in history.entries(0, 1000, "event").entries],
            "alarms": [e.body for e in history.alarms(0, 1000).entries],
            "pins": [history.courses().pins(str(each["id"])) for each in jobs],
            "pauses": [history.courses().steps(str(each["id"])) for each in jobs],
            "logs": [history.logs().of([str(each["id"])]) for each in jobs],
            "toolpaths": [history.toolpaths().of_job(str(each["id"])) for each in jobs],
            "films": [history.clips().of_job(str(each["id"])) for each in jobs],
            "settings": [history.settings().of_job(str(each["id"])) for each in jobs],
        }
    finally:
        history.close()


def numberless(found: Any) -> Any:
    """Without the numbers of entries, which differ from board to board."""
    if isinstance(found, dict):
        without = ("seq", "brought", "annunciation", "condition")
        return {name: numberless(value) for name, value in found.items() if name not in without}
    return [numberless(each) for each in found] if isinstance(found, list) else found


def test_pages_show_the_same_there(source: Path, archive: Path, tmp_path: Path) -> None:
    bring_in(archive, tmp_path)
    here, there = items(tmp_path), items(source)
    pins = [[(pin.height_mm, pin.seen_s, pin.by) for pin in of] for of in here.pop("pins")]
    assert pins == [[(p.height_mm, p.seen_s, p.by) for p in of] for of in there.pop("pins")]
    assert pins == [[(9.0, BOOT.wall_at_zero_s + 1000.0 * n + 121, "cox")] for n in (1, 2, 3)]
    assert numberless(here) == numberless(there)
    assert [each["brought"] for each in here["jobs"]] == [True] * 3
    assert [each["outcome"] for each in here["jobs"]] == ["flawed"] * 3


def test_films_and_settings_of_jobs_are_there(archive: Path, tmp_path: Path) -> None:
    folder = own(tmp_path / "own")
    bring_in(archive, folder)
    found = items(folder)
    one, *_ = found["jobs"]
    film, none = found["films"][0]
    assert {film["job"], none["job"]} == {one["id"]}
    assert (film["state"], none["state"], none["why"]) == ("kept", "lost", "No picture came.")
    (raised, _) = [each for each in found["events"] if each["job"] == one["id"]]
    assert film["event"] == film["events"][0] == raised["event"] < 0
    mine = {each["event"] for each in found["events"] if each["seq"] > 0}
    assert film["events"][1] not in mine, "nor is one that is told of nowhere else one of its own"
    assert [each["film_s"] for each in film["moments"]] == [29.5, 30.75]
    assert film["paused"][0]["end_at"] and film["paused"][1]["end_at"] is None
    path = folder / "clips" / f"{film['id']}.webm"
    assert path.read_bytes() == WEBM + film["id"].encode()
    assert path.stat().st_mode & 0o777 == 0o600
    assert not (folder / "clips" / f"{none['id']}.webm").exists()
    history = History(folder / "journal.db", folder / "archive.db")
    every, more = history.clips().of_chamber(CHAMBER, 0, 10)
    history.close()
    assert len(every) == 4 and more is None and every[0]["id"] == film["id"]
    (under,) = found["settings"][0]
    assert under.told["name"] == default_chamber().chamber.name
    assert "limit_c" in chamber_file(under.told, "readings.csv", {})
    to = io.BytesIO()
    names = write_job_file(folder, Asked(str(one["id"]), 1_800_000_000.0), to)
    assert "clips/0001-clip-door_open.webm" in names and "settings.toml" in names
    told = json.loads(zipfile.ZipFile(to).read("job.json"))
    assert [each["why"] for each in told["not_filmed"]] == ["No picture came."]


def test_an_archive_of_before_films_is_brought_in(archive: Path, tmp_path: Path) -> None:
    old = without_films(archive, tmp_path / "old.zip")
    done = bring_in(old, tmp_path / "data")
    assert done.added == replace(Counts(**head(archive)["counts"]), films=0, settings=0)
    assert not (tmp_path / "data" / "clips").exists()


def test_beside_a_history_of_its_own(archive: Path, tmp_path: Path) -> None:
    folder = own(tmp_path / "own")
    before = items(folder)
    done = bring_in(archive, folder)
    assert done.already == NOTHING and done.added == Counts(**head(archive)["counts"])
    after = items(folder)
    jobs = [each for each in after["jobs"] if not each["brought"]]
    assert jobs == before["jobs"]
    names = [str(each["id"]) for each in after["jobs"]]
    assert len(set(names)) == 5 and names[3:] == [f"{CHAMBER}-1", f"{CHAMBER}-2"]
    assert all("x" in name.removeprefix(CHAMBER) for name in names[:3])
    # Oldest first, though that board's jobs were later: they come before its own first row.
    assert [each["started_at"] for each in after["jobs"][:3]] == sorted(
        str(each["started_at"]) for each in after["jobs"][:3]
    )
    assert after["events"][-len(before["events"]) :] == before["events"]
    mine = {each["event"] for each in before["events"]}
    assert not mine & {each["event"] for each in after["events"] if each["seq"] < 0}
    assert bring_in(archive, folder).added == NOTHING
    # What was brought in is taken out as well, and comes back to where it is from as known.
    round_trip = export(folder, tmp_path / "both.zip").path
    assert head(round_trip)["counts"]["jobs"] == 5


def test_the_watch_begins_where_nothing_is_taken(archive: Path, tmp_path: Path) -> None:
    bring_in(archive, tmp_path)
    with closing(Journal.open(tmp_path / "journal.db")) as journal:
        memory = journal.memory(CHAMBER, ELSEWHERE)
        assert (memory.next_job, memory.next_event) == (4, 5)
        assert memory.job is None and not memory.alarms and not memory.events
        assert memory.burnt == 0 and memory.last_seen_s is None and not memory.duties
        (entry,) = journal.commit(Outcome(CHAMBER, 1.0, jobs=(job(4, started_s=1.0),)), ELSEWHERE)
    assert entry.seq == 1


def test_where_somebody_watched_the_numbers_go_on(archive: Path, tmp_path: Path) -> None:
    folder = own(tmp_path)
    bring_in(archive, folder)
    with closing(Journal.open(folder / "journal.db")) as journal:
        memory = journal.memory(CHAMBER, ELSEWHERE)
    assert (memory.next_job, memory.next_event) == (3, 4)
    assert [each.event for each in memory.events] == [3]  # its own, which has not ended


def test_nothing_of_it_stands_runs_or_is_sent(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    with closing(Journal.open(folder / "journal.db")) as journal:
        journal.commit(Outcome(CHAMBER, 50.0, jobs=(job(),)), BOOT)
        journal.commit(outcome(), BOOT)
        journal.commit(
            Outcome(CHAMBER, 160.0, jobs=(job(state=JobPhase.RUNNING, started_s=50.0),)), BOOT
        )
    Archive.open(folder / "archive.db").close()
    file = export(folder, tmp_path / "running.zip").path
    text = b"".join(contents(file).values())
    assert b"captain@example.org" not in text and b"mailto" not in text
    bare = tmp_path / "bare"
    bring_in(file, bare)
    assert rows(bare, "SELECT * FROM notice") == []
    assert rows(bare, "SELECT standing FROM alarm") == [(0,)]
    assert rows(bare, "SELECT unfinished FROM job") == [(0,)]
    found = items(bare)
    assert found["jobs"][0]["state"] == "finished"
    assert found["jobs"][0]["finished_at"] is not None
    assert found["alarms"][0]["annunciation"] == "normal"
    # It is taken out as it was told there.
    assert contents(export(bare, tmp_path / "back.zip").path) == contents(file)


def test_more_of_the_same_board_later(tmp_path: Path) -> None:
    folder = rich(tmp_path / "there", jobs=2)
    first = export(folder, tmp_path / "first.zip").path
    bring_in(first, tmp_path / "here")
    with closing(Journal.open(folder / "journal.db")) as journal:
        job_of(journal, 3, 20_000.0)
    second = export(folder, tmp_path / "second.zip").path
    done = bring_in(second, tmp_path / "here")
    assert (done.added.jobs, done.already.jobs) == (1, 2)
    assert [each["id"] for each in items(tmp_path / "here")["jobs"]] == [
        f"{CHAMBER}-{number}" for number in (1, 2, 3)
    ]
    assert contents(export(tmp_path / "here", tmp_path / "x.zip").path) == contents(second)


def test_times_can_be_moved(archive: Path, source: Path, tmp_path: Path) -> None:
    bring_in(archive, tmp_path, shift_s=86_400.0)
    there, here = items(source)["jobs"], items(tmp_path)["jobs"]
    assert here[0]["started_at"] == str(there[0]["started_at"]).replace("09-21", "09-22")
    for folder, begin_s in ((source, 0.0), (tmp_path, 86_400.0)):
        history = History(folder / "journal.db", folder / "archive.db")
        span = history.job_span(f"{CHAMBER}-1")
        found = list(history.iter_job_readings(f"{CHAMBER}-1", *span).rows)  # type: ignore[arg-type]
        history.close()
        assert found[0][0] == BOOT.wall_at_zero_s + begin_s + 1000.016


@pytest.mark.parametrize(
    ("as_chamber", "said"),
    [
        pytest.param(None, "another box", id="the same key, another box"),
        pytest.param("North Bench", "no chamber's key", id="no key"),
        pytest.param("south=east", "it holds north-bench", id="not in it"),
    ],
)
def test_boxes_are_not_mixed(
    as_chamber: str | None, said: str, archive: Path, tmp_path: Path
) -> None:
    folder = rich(tmp_path, boot=ELSEWHERE, box="simulated ffffffffffff")
    before = rows(folder, "SELECT * FROM ledger")
    with pytest.raises(ArchiveError, match=said):
        bring_in(archive, folder, as_chamber=as_chamber)
    assert rows(folder, "SELECT * FROM ledger") == before


def test_another_box_comes_under_a_key_of_its_own(archive: Path, tmp_path: Path) -> None:
    folder = rich(tmp_path, boot=ELSEWHERE, box="simulated ffffffffffff")
    done: BroughtIn = bring_in(archive, folder, as_chamber="south-bench")
    assert done.chambers == {CHAMBER: "south-bench"}
    found = [each for each in items(folder)["jobs"] if each["brought"]]
    assert [each["id"] for each in found] == [f"south-bench-{number}" for number in (1, 2, 3)]
    assert {each["origin"] for each in found} == {"real"}
    assert {each["chamber"] for each in found} == {"south-bench"}
    history = History(folder / "journal.db", folder / "archive.db")
    assert history.places.brought() == {"south-bench": CHAMBER}
    span = history.job_span("south-bench-1")
    assert history.job_readings("south-bench-1", *span)["time_s"]  # type: ignore[arg-type]
    history.close()


def test_a_running_watch_gives_none_of_its_numbers(archive: Path, tmp_path: Path) -> None:
    """Where the folder is in use the numbers are such as no watch gives, watched before or not."""
    Journal.open(tmp_path / "journal.db").close()
    Archive.open(tmp_path / "archive.db").close()
    lock = os.open(tmp_path / "in-use", os.O_RDWR | os.O_CREAT)
    fcntl.flock(lock, fcntl.LOCK_EX)
    try:
        bring_in(archive, tmp_path)
    finally:
        os.close(lock)
    assert all(number < 0 for (number,) in rows(tmp_path, "SELECT event FROM ledger WHERE event"))
    with closing(Journal.open(tmp_path / "journal.db")) as journal:
        memory = journal.memory(CHAMBER, ELSEWHERE)
        assert (memory.next_job, memory.next_event) == (1, 1)
        journal.commit(Outcome(CHAMBER, 9.0, events=(event(1, at_s=9.0),)), ELSEWHERE)


def test_nothing_is_worked_out_or_given_up_because_of_it(archive: Path, tmp_path: Path) -> None:
    folder = own(tmp_path)
    bring_in(archive, folder)
    history = History(folder / "journal.db", folder / "archive.db")
    with closing(sqlite3.connect(folder / "journal.db")) as store, store:
        store.execute("DELETE FROM job_said WHERE topic = 'diagnosis'")
    mine = [f"{CHAMBER}-2", f"{CHAMBER}-1"]
    assert [each.id for each in history.undiagnosed(CHAMBER, BOX, 50)] == mine
    # The last job of its own has none after it; the last that was brought in began later.
    assert history.next_start_s(mine[0]) is None
    brought = [entry.body for entry in history.jobs(0, 100).entries][2]
    assert brought["brought"] and history.next_start_s(str(brought["id"])) is None
    history.close()
    jobs = "SELECT seq FROM ledger WHERE job IS NOT NULL"
    kept = rows(folder, jobs)
    pictures = rows(folder, "SELECT id FROM picture")
    with closing(Journal.open(folder / "journal.db")) as journal:
        assert forget_quiet(journal, datetime(2100, 1, 1, tzinfo=UTC)) > 0
    assert rows(folder, jobs) == kept and rows(folder, "SELECT id FROM picture") == pictures


@pytest.mark.timeout(200)
def test_what_is_brought_in_where_somebody_watches_can_be_spoken_of(
    archive: Path, tmp_path: Path
) -> None:
    with RunningService(tmp_path / "data") as service:
        key = service.web.get("/api/now").json()["chambers"][0]["chamber"]
        answer = service.web.post(
            "/api/archive",
            params={"as": key},
            content=archive.read_bytes(),
            headers={"content-type": "application/octet-stream"},
            timeout=60,
        )
        assert answer.json()["chambers"] == {CHAMBER: key}
        jobs = service.web.get("/api/jobs").json()["items"]
        one = next(each for each in jobs if each["brought"])
        assert "x" in one["id"].removeprefix(key) and one["origin"] == "real"
        told = service.web.post(f"/api/jobs/{one['id']}/outcome", json={"outcome": "sound"})
        assert told.status_code == 200, told.text
        assert service.web.get(f"/api/jobs/{one['id']}").json()["outcome"] == "sound"
        for nobody in (f"{key}-7xabcdef", f"{key}-x", f"{key}-1x"):
            told = service.web.post(f"/api/jobs/{nobody}/note", json={"text": "who?"})
            assert told.status_code == 404, nobody
        # It is one more word on that job: what is taken out here has both.
        taken = service.web.get("/api/archive", timeout=60)
        (tmp_path / "out.zip").write_bytes(taken.content)
    assert head(tmp_path / "out.zip")["left_out"] == 0


@pytest.mark.timeout(200)
def test_a_running_service_gives_and_takes_it(archive: Path, tmp_path: Path) -> None:
    """Over the network, beside a simulated chamber; its pages show what nobody watches here."""
    with RunningService(tmp_path / "data") as service:
        last = service.web.get("/api/now").json()["seq"]
        answer = service.web.post(
            "/api/archive",
            content=archive.read_bytes(),
            headers={"content-type": "application/octet-stream"},
            timeout=60,
        )
        assert answer.status_code == 200, answer.text
        assert answer.json()["added"] == head(archive)["counts"]
        now = service.web.get("/api/now").json()
        assert now["elsewhere"] == {CHAMBER: CHAMBER}
        jobs = service.web.get("/api/jobs").json()["items"]
        found = [each["id"] for each in jobs if each["brought"]]
        assert len(found) == 3 and all(each["seq"] < 0 for each in jobs if each["brought"])
        page = service.web.get("/api/jobs", params={"limit": 1}).json()
        following = service.web.get("/api/jobs", params={"after": page["next"]}).json()
        assert [each["id"] for each in page["items"] + following["items"]] == [
            each["id"] for each in jobs
        ]
        one = found[0]
        assert service.web.get(f"/api/jobs/{one}").json()["pauses"]
        assert service.web.get(f"/api/jobs/{one}/readings").json()["time_s"]
        assert service.web.get(f"/api/jobs/{one}/log").json()["log"]["batch"] == "B7"
        (picture,) = service.web.get(f"/api/jobs/{one}/photographs").json()["items"]
        assert service.web.get(f"/api/pictures/{picture['id']}").content.startswith(b"\xff\xd8")
        film, none = service.web.get(f"/api/jobs/{one}/clips").json()["items"]
        shown = service.web.get(f"/api/clips/{film['id']}")
        assert shown.headers["content-type"] == "video/webm" and shown.content.startswith(WEBM)
        assert service.web.get(f"/api/clips/{none['id']}").status_code == 404
        (under,) = service.web.get(f"/api/jobs/{one}/settings").json()["items"]
        assert under["kept"]
        events = service.web.get("/api/events", params={"job": one}).json()["items"]
        assert [each["change"] for each in events] == ["raised", "cleared"]
        for path, code in (
            (f"/api/jobs/{one}/heights", 200),
            (f"/api/jobs/{one}/unlike", 200),
            (f"/api/events/{events[0]['event']}/evidence?chamber={CHAMBER}", 200),
            (f"/api/events?chamber={CHAMBER}", 200),
            (f"/api/jobs/{one}/weather", 409),
        ):
            assert service.web.get(path).status_code == code, path
        refused = service.web.post(f"/api/jobs/{one}/outcome", json={"outcome": "sound"})
        assert refused.status_code == 409 and "not watched here" in refused.json()["detail"]
        # Nobody is told of it as of news.
        with service.web.stream("GET", "/api/live", headers={"last-event-id": str(last)}) as live:
            lines = live.iter_lines()
            told = [next(lines) for _ in range(2)]
        assert not any(CHAMBER in line for line in told if line.startswith("event: job"))
        bad = service.web.post(
            "/api/archive", content=b"x", headers={"content-type": "application/octet-stream"}
        )
        assert bad.status_code == 409 and str(tmp_path) not in bad.text
        taken = service.web.get("/api/archive", timeout=60)
        assert taken.status_code == 200 and taken.headers["content-type"] == "application/zip"
        (tmp_path / "out.zip").write_bytes(taken.content)
        assert not list((service.folder / "moving").iterdir())
    kept = {n: d for n, d in contents(tmp_path / "out.zip").items() if f"/{CHAMBER}/" in n}
    assert kept.keys() == {n for n in contents(archive) if f"/{CHAMBER}/" in n}
    names = {each["key"]: each["name"] for each in head(tmp_path / "out.zip")["chambers"]}
    assert len(names) == 2 and names[CHAMBER] == CHAMBER


def test_the_shell_says_what_was_done(source: Path, tmp_path: Path) -> None:
    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return warm_run(stillair(*words), timeout_s=90)

    file = tmp_path / "all.zip"
    done = run("archive", "--to", str(file), "--data-dir", str(source))
    assert done.returncode == 0 and "3 jobs" in done.stdout and not done.stderr
    folder = str(tmp_path / "here")
    done = run("bring-in", str(file), "--as", "south-bench", "--data-dir", folder)
    assert done.returncode == 0 and "north-bench is south-bench here." in done.stdout
    assert "There already: nothing." in done.stdout
    done = run("bring-in", str(file), "--as", "south-bench", "--data-dir", folder)
    assert "Brought in: nothing." in done.stdout
    file.write_bytes(file.read_bytes()[:-100])
    done = run("bring-in", str(file), "--data-dir", folder)
    assert done.returncode == 1 and "nothing was brought in" in done.stderr
    assert done.stderr.count("\n") == 1
