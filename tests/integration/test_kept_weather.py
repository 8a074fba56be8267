"""The weather of a finished job is kept, and computed anew when something new is known."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from kept_things import BOOT, CHAMBER, event, job
from stillair.errors import StoreError
from stillair.model import Change, HeightPin, JobPhase, Kind, Outcome
from stillair.runtime.kept_weather import KeptWeather, rests_on
from stillair.runtime.weathering import Weathered
from stillair.storage import toolpaths
from stillair.storage.history import History
from weathered_jobs import ASKED, Shed, service_beside

OVER_S = 9000.0
NOW = replace(ASKED, now_s=BOOT.epoch_s(86_400.0))
BUILT = replace(job(1, JobPhase.FINISHED, 0.0), material="ASA", finished_s=OVER_S)


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path)
    made.journal.commit(Outcome(CHAMBER, OVER_S, jobs=(BUILT,)), BOOT)
    made.follow()
    yield made
    made.archive.close()
    made.journal.close()


def mark_of(shed: Shed, asked: Weathered = NOW) -> str | None:
    with closing(History(shed.folder / "journal.db", shed.folder / "archive.db")) as history:
        return rests_on(history, asked)


def corrected(shed: Shed) -> None:
    shed.journal.commit(
        Outcome(CHAMBER, OVER_S + 60.0, jobs=(replace(BUILT, material="PC"),)), BOOT
    )


def pinned(shed: Shed) -> None:
    pin = HeightPin(job=BUILT.id, t_s=OVER_S + 60.0, height_mm=3.0, seen_s=2000.0, by="cox")
    shed.journal.commit(Outcome(CHAMBER, OVER_S + 60.0, pins=(pin,)), BOOT)


def another_toolpath(shed: Shed) -> None:
    toolpaths.follow(shed.journal, BUILT.id, None, 0)


def opened(shed: Shed) -> None:
    """An event within the job that belongs to none, told late."""
    late = replace(event(7, Change.RAISED, 3000.0), onset_s=3000.0, kind=Kind.DOOR_OPEN, job=None)
    shed.journal.commit(Outcome(CHAMBER, OVER_S + 60.0, events=(late,)), BOOT)


@pytest.mark.parametrize(
    "becomes_known",
    [
        pytest.param(corrected, id="the job is corrected"),
        pytest.param(pinned, id="a pin"),
        pytest.param(another_toolpath, id="another toolpath"),
        pytest.param(opened, id="an event of that time"),
    ],
)
def test_what_becomes_known_makes_another_mark(
    shed: Shed, becomes_known: Callable[[Shed], None]
) -> None:
    before = mark_of(shed)
    assert before is not None
    assert mark_of(shed, replace(NOW, now_s=NOW.now_s + 3600.0)) == before
    becomes_known(shed)
    assert mark_of(shed) not in (None, before)


@pytest.mark.parametrize(
    "asked",
    [
        pytest.param(replace(NOW, now_s=BOOT.epoch_s(OVER_S + 60.0)), id="just over"),
        pytest.param(replace(NOW, job="x-1"), id="a job that never was"),
    ],
)
def test_what_still_changes_has_no_mark(shed: Shed, asked: Weathered) -> None:
    assert mark_of(shed, asked) is None


def test_a_running_job_has_no_mark(shed: Shed) -> None:
    runs = replace(job(2, JobPhase.RUNNING, OVER_S + 10.0), material="ASA")
    shed.journal.commit(Outcome(CHAMBER, OVER_S + 10.0, jobs=(runs,)), BOOT)
    assert mark_of(shed, replace(NOW, job=runs.id)) is None


def test_other_sensors_in_the_air_make_another_mark(shed: Shed) -> None:
    assert mark_of(shed, replace(NOW, air=("top",))) != mark_of(shed)


def test_what_is_kept_is_given_for_its_mark_alone(tmp_path: Path) -> None:
    kept = KeptWeather(tmp_path / "weather")
    assert kept.get("bench-1", "a") is None
    kept.put("bench-1", "a", {"below_c": [80.5, None]})
    assert kept.get("bench-1", "a") == {"below_c": [80.5, None]}
    assert kept.get("bench-1", "b") is None
    kept.put("bench-1", "b", {"below_c": []})
    assert kept.get("bench-1", "a") is None
    kept.forget("bench-1")
    assert kept.get("bench-1", "b") is None
    assert list((tmp_path / "weather").iterdir()) == []
    kept.forget("bench-1")


def test_the_files_are_bounded(tmp_path: Path) -> None:
    kept = KeptWeather(tmp_path, most=3)
    for number in range(6):
        kept.put(f"bench-{number}", "a", {})
    assert len(list(tmp_path.iterdir())) == 3
    assert kept.get("bench-5", "a") == {}


@pytest.mark.parametrize(
    "damaged",
    [
        pytest.param(b"", id="empty"),
        pytest.param(b"no gzip", id="another file"),
        pytest.param(b"\x1f\x8b\x08\x00\x00\x00\x00\x00", id="cut short"),
    ],
)
def test_a_damaged_file_counts_for_nothing(tmp_path: Path, damaged: bytes) -> None:
    kept = KeptWeather(tmp_path)
    kept.put("bench-1", "a", {})
    (file,) = tmp_path.iterdir()
    file.write_bytes(damaged)
    assert kept.get("bench-1", "a") is None
    kept.put("bench-1", "a", {"x": 1})
    assert kept.get("bench-1", "a") == {"x": 1}


def test_a_folder_that_cannot_be_written_harms_nothing(tmp_path: Path) -> None:
    (tmp_path / "weather").write_text("a file is in the way")
    kept = KeptWeather(tmp_path / "weather")
    kept.put("bench-1", "a", {})
    assert kept.get("bench-1", "a") is None
    with pytest.raises(StoreError, match="can't be erased"):
        kept.forget("bench-1")


def test_the_page_is_answered_from_it_until_a_pin_is_set_or_the_job_erased(tmp_path: Path) -> None:
    path = f"/api/jobs/{BUILT.id}/weather"
    data = tmp_path / "data"
    with service_beside(tmp_path) as service:
        first = service.web.get(path, timeout=60).json()
        (file,) = (data / "weather").iterdir()
        written_ns = file.stat().st_ino
        assert service.web.get(path, timeout=60).json() == first
        assert file.stat().st_ino == written_ns  # not written again, so not computed again
        seen_at = datetime.fromtimestamp(first["start_s"][100] + 300.0, UTC).isoformat()
        pin = {"height_mm": first["height_mm"][100], "at": seen_at}
        assert service.web.post(f"/api/jobs/{BUILT.id}/pins", json=pin).status_code == 200
        moved = service.web.get(path, timeout=60).json()
        assert moved["start_s"][100] > first["start_s"][100] + 200.0
        mended = service.web.request(
            "PATCH", f"/api/jobs/{BUILT.id}", json={"material": "PC", "name": "Bushings"}
        )
        assert mended.status_code == 200
        assert service.web.get(path, timeout=60).json()["firm_c"] == 147.0
        assert service.web.delete(f"/api/jobs/{BUILT.id}").status_code == 200
        assert list((data / "weather").iterdir()) == []
        assert service.web.get(path).status_code == 404
