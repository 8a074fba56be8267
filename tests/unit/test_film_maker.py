"""Pictures in a file through crashes, and the films that a program of its own makes of them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from films import opened_film
from stillair.clock import ManualClock
from stillair.errors import InputError, StoreError
from stillair.media import clips
from stillair.media.clips import CARD_S, LAPSE_PER_S, RATE_PER_S, Made, Wanted, asked, made
from stillair.media.cutting import MOST_PICTURES
from stillair.media.files import FREE_BYTES, new_id
from stillair.media.films import FilmFiles
from stillair.media.ring import Shot
from stillair.media.spool import LONGEST_BYTES, Spool, shots
from stillair.model import Timeline
from stillair.runtime.filming import TRY_AGAIN_S, WAITING, FilmMaker, FilmQueue, NotMade
from stillair.storage.clips import Clip, Shown

WIDE, HIGH = 320, 240


@pytest.fixture(autouse=True)
def as_the_program_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in clips.ENVIRONMENT.items():
        monkeypatch.setenv(name, value)


def picture(grey: int, wide: int = WIDE, high: int = HIGH) -> bytes:
    done, data = cv2.imencode(".jpg", np.full((high, wide, 3), grey, np.uint8))
    assert done
    return data.tobytes()


def spool_of(folder: Path, taken: list[Shot]) -> Spool:
    spool = Spool(folder / f"{new_id()}.frames")
    spool.append(taken)
    return spool


def wanted(spool: Spool, **other: Any) -> Wanted:
    given: dict[str, Any] = {
        "spool": str(spool.path),
        "to": str(spool.path.with_suffix(".webm")),
        "part": clips.CLIP,
        "start_s": 100.0,
        "end_s": 130.0,
        "zero_s": 1_700_000_000.0,
    }
    return Wanted(**(given | other))


def greys(path: str | Path) -> tuple[list[float], float, tuple[int, int]]:
    """How bright the middle of each picture of a film is, its rate, and its size."""
    reader = opened_film(path)
    found = []
    size = (0, 0)
    while True:
        done, pixels = reader.read()
        if not done:
            break
        size = pixels.shape[1], pixels.shape[0]
        middle = pixels[size[1] // 4 : size[1] // 2, size[0] // 3 : -size[0] // 3]
        found.append(float(middle.mean()))
    rate = reader.get(cv2.CAP_PROP_FPS)
    reader.release()
    return found, rate, size


# --- pictures through crashes --------------------------------------------------------


def read(spool: Spool) -> list[Shot]:
    with spool.path.open("rb") as file:
        return list(shots(file))


TAKEN = [Shot(n / 2, bytes([n]) * 500) for n in range(10)]


@pytest.mark.parametrize(
    "lost_bytes", [0, 1, 499, 500, 505, 515], ids="{} bytes lost at the end".format
)
def test_what_a_crash_tears_is_cut_off_and_it_goes_on_after_that(
    tmp_path: Path, lost_bytes: int
) -> None:
    spool = spool_of(tmp_path, TAKEN)
    os.truncate(spool.path, spool.size_bytes - lost_bytes)
    again = Spool.found(spool.path)
    whole = 10 if lost_bytes == 0 else 9
    assert (again.count, again.last_s) == (whole, (whole - 1) / 2)
    again.append([Shot(7.0, b"later")])
    assert read(again) == [*TAKEN[:whole], Shot(7.0, b"later")]


def test_a_flipped_bit_ends_it_and_nonsense_is_no_spool(tmp_path: Path) -> None:
    spool = spool_of(tmp_path, TAKEN)
    data = bytearray(spool.path.read_bytes())
    data[3 * 516 + 100] ^= 1
    spool.path.write_bytes(data)
    assert Spool.found(spool.path).count == 3
    spool.path.write_bytes(b"\xff" * 5000)
    assert Spool.found(spool.path).count == 0
    assert Spool.found(tmp_path / "none.frames").count == 0


def test_a_picture_larger_than_any_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        spool_of(tmp_path, [Shot(0.0, bytes(LONGEST_BYTES + 1))])


# --- films ---------------------------------------------------------------------------


def test_second_thirty_of_the_film_is_the_event_though_pictures_come_unevenly(
    tmp_path: Path,
) -> None:
    # Dark until the event at 130 s, bright from then on; rare, then two at once.
    times = [100.0, 104.0, 104.1, 111.0, 129.5, 130.0, 130.5, 131.0]
    spool = spool_of(tmp_path, [Shot(t_s, picture(40 if t_s < 130.0 else 220)) for t_s in times])
    film = made(wanted(spool, end_s=190.0))
    found, rate, size = greys(wanted(spool).to)
    assert (film.start_s, film.end_s, film.length_s) == (100.0, 190.0, 90.0)
    assert film.size_bytes == Path(wanted(spool).to).stat().st_size
    assert (rate, size, len(found)) == (RATE_PER_S, (WIDE, HIGH), 90 * RATE_PER_S)
    turn = next(n for n, grey in enumerate(found) if grey > 130)
    assert turn / rate == pytest.approx(30.0, abs=0.26)
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".frames", ".webm"]


def test_broken_pictures_and_those_of_another_shape_spoil_no_film(tmp_path: Path) -> None:
    ordinary = picture(200)
    taken = [
        Shot(100.0, b"no picture at all"),
        Shot(100.5, ordinary),
        Shot(101.0, ordinary[: len(ordinary) // 3]),
        Shot(101.5, b""),
        Shot(102.0, picture(200, 1920, 1080)),
        Shot(102.5, picture(200, 33, 77)),
        Shot(103.0, picture(200, 1, 1)),
    ]
    spool = spool_of(tmp_path, taken)
    film = made(wanted(spool, end_s=104.0))
    found, _, size = greys(wanted(spool).to)
    assert film.start_s == 100.5
    assert size == (WIDE, HIGH)
    assert len(found) == film.length_s * RATE_PER_S == 14


def test_of_no_sound_picture_there_is_no_film(tmp_path: Path) -> None:
    spool = spool_of(tmp_path, [Shot(100.0, b"none")])
    with pytest.raises(InputError, match="no picture"):
        made(wanted(spool))
    assert not Path(wanted(spool).to).exists()


@pytest.mark.parametrize(
    ("wide", "high", "size"),
    [
        pytest.param(1920, 1080, (1280, 720), id="large ones are made smaller"),
        pytest.param(641, 481, (640, 480), id="odd sides are made even"),
    ],
)
def test_a_film_s_size(tmp_path: Path, wide: int, high: int, size: tuple[int, int]) -> None:
    spool = spool_of(tmp_path, [Shot(100.0, picture(100, wide, high))])
    made(wanted(spool, end_s=101.0))
    assert greys(wanted(spool).to)[2] == size


def test_a_film_that_a_pause_ended_says_so_at_its_end(tmp_path: Path) -> None:
    spool = spool_of(tmp_path, [Shot(100.0 + n / 2, picture(200)) for n in range(20)])
    film = made(wanted(spool, end_s=110.0, paused=((110.0, None),)))
    found, _, _ = greys(wanted(spool).to)
    card = round(CARD_S * RATE_PER_S)
    assert film.length_s == 10.0 + CARD_S
    assert all(grey > 150 for grey in found[:-card])
    assert all(grey < 100 for grey in found[-card:])


def test_a_time_lapse_shows_each_picture_once_and_a_card_for_a_pause(tmp_path: Path) -> None:
    taken = [Shot(100.0 * n, picture(200)) for n in range(100)]
    spool = spool_of(tmp_path, taken)
    film = made(wanted(spool, part=clips.TIME_LAPSE, paused=((4950.0, 4990.0),)))
    found, rate, _ = greys(wanted(spool).to)
    card = round(CARD_S * LAPSE_PER_S)
    assert rate == LAPSE_PER_S
    assert len(found) == 100 + card
    assert [n for n, grey in enumerate(found) if grey < 100] == list(range(50, 50 + card))
    assert (film.start_s, film.end_s) == (0.0, 9900.0)


def test_of_very_many_a_time_lapse_shows_as_many_as_fit_the_newest_among_them(
    tmp_path: Path,
) -> None:
    """The first hour's lie closer together; those left over stay where they are."""
    times_s = [*range(0, 3600, 10), *range(3600, 36_000, 100), 36_050]
    spool = spool_of(
        tmp_path,
        [Shot(float(t_s), picture(40 if t_s < 36_050 else 220, 64, 64)) for t_s in times_s],
    )
    film = made(wanted(spool, part=clips.TIME_LAPSE))
    found, _, _ = greys(wanted(spool).to)
    assert MOST_PICTURES / 2 <= len(found) <= MOST_PICTURES
    assert (film.end_s, film.length_s) == (36_050.0, len(found) / LAPSE_PER_S)
    assert [grey > 150 for grey in found] == [False] * (len(found) - 1) + [True]
    assert Spool.found(spool.path).count == len(times_s)


def test_words_are_written_into_it(tmp_path: Path) -> None:
    spool = spool_of(tmp_path, [Shot(100.0, picture(128))])
    for word in ("", "Simulated"):
        made(wanted(spool, to=str(tmp_path / f"{word}.webm"), end_s=101.0, word=word))
    feet = []
    for word in ("", "Simulated"):
        done, pixels = opened_film(tmp_path / f"{word}.webm").read()
        assert done
        feet.append(pixels[-12:].astype(int))
    assert feet[0].max() > 150, "the time of day"
    assert np.abs(feet[1] - feet[0]).max() > 100, "and that nothing in it is real"


# --- a program of its own --------------------------------------------------------------


def answer(question: str, before: str = "") -> subprocess.CompletedProcess[str]:
    code = f"{before}\nfrom stillair.media import clips; raise SystemExit(clips.main())"
    return subprocess.run(
        [sys.executable, "-c", code], input=question, text=True, capture_output=True, check=False
    )


def test_a_disk_that_takes_no_more_is_told_and_leaves_nothing_behind(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (HIGH, WIDE, 3), np.uint8)
    done, jpeg = cv2.imencode(".jpg", noise)
    assert done
    spool = spool_of(tmp_path, [Shot(100.0 + n, jpeg.tobytes()) for n in range(30)])
    few = "from stillair.media import clips; clips.FILM_BYTES = 30_000"
    told = answer(wanted(spool).question(), few)
    assert "disk" in json.loads(told.stdout)
    assert list(tmp_path.iterdir()) == [spool.path]


@pytest.mark.parametrize(
    "question",
    ["", "{", "[]", '{"paused": 3}', '{"paused": []}', "null", '{"paused": [[1]], "spool": 2}'],
)
def test_nonsense_is_refused(question: str) -> None:
    with pytest.raises(InputError):
        asked(question)


def wait_for(maker: FilmMaker) -> Made | None:
    assert maker._process is not None
    maker._process.wait(60.0)
    return maker.made()


def test_a_film_is_made_by_another_process_which_is_not_waited_for(tmp_path: Path) -> None:
    spool = spool_of(tmp_path, [Shot(100.0, picture(128))])
    maker = FilmMaker(ManualClock())
    assert maker.made() is None
    maker.begin("one", wanted(spool))
    assert maker.making == "one"
    assert maker.made() is None, "it has only just begun"
    assert wait_for(maker) == Made(100.0, 130.0, 30.0, Path(wanted(spool).to).stat().st_size)
    assert maker.making == ""


def test_one_that_takes_too_long_is_given_up(tmp_path: Path) -> None:
    clock = ManualClock()
    maker = FilmMaker(clock, patience_s=5.0)
    spool = spool_of(tmp_path, [Shot(100.0 + n, picture(n)) for n in range(200)])
    maker.begin("one", wanted(spool, end_s=700.0))
    process = maker._process
    assert process is not None
    clock.advance(6.0)
    with pytest.raises(NotMade) as given_up:
        maker.made()
    assert not given_up.value.again
    assert process.poll() is not None
    assert maker.made() is None


def test_one_that_is_killed_may_be_tried_again(tmp_path: Path) -> None:
    maker = FilmMaker(ManualClock())
    spool = spool_of(tmp_path, [Shot(100.0 + n, picture(n)) for n in range(200)])
    maker.begin("one", wanted(spool, end_s=700.0))
    assert maker._process is not None
    maker._process.kill()
    with pytest.raises(NotMade) as killed:
        wait_for(maker)
    assert killed.value.again


# --- files -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("free_bytes", "danger", "kept"),
    [
        pytest.param(FREE_BYTES - 1, True, False, id="nearly full"),
        pytest.param(FREE_BYTES + 1, True, True, id="room for danger"),
        pytest.param(FREE_BYTES + 1, False, False, id="none for a small matter"),
        pytest.param(2 * FREE_BYTES, False, True, id="room for all"),
    ],
)
def test_a_disk_that_is_nearly_full_keeps_danger_longest(
    tmp_path: Path, free_bytes: int, danger: bool, kept: bool
) -> None:
    files = FilmFiles(tmp_path, free_bytes=lambda _: free_bytes)
    if kept:
        files.need_room(danger=danger)
        return
    with pytest.raises(StoreError, match="nearly full"):
        files.need_room(danger=danger)


@pytest.mark.parametrize("name", ["", "../x", "a" * 31, "A" * 32, "a" * 32 + "/", "a" * 33])
def test_a_film_s_name_from_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(StoreError):
        FilmFiles(tmp_path).film(name)


def test_a_film_that_comes_while_folders_are_swept_stays(tmp_path: Path) -> None:
    files = FilmFiles(tmp_path)

    def known() -> set[str]:  # its row was not there yet when this was answered
        files.film("c" * 32).write_bytes(b"brought in")
        return set()

    assert files.sweep(known) == 0
    assert files.film("c" * 32).exists()


def test_what_a_crash_left_is_swept_and_what_is_known_or_foreign_stays(tmp_path: Path) -> None:
    known, gone, busy = new_id(), new_id(), new_id()
    stay = [f"{known}.webm", f"{known}.frames", f"{busy}.17.webm", "notes.txt"]
    go = [f"{known}.17.part", f"{known}.17.webm", f"{known}.part", f"{gone}.webm", f"{gone}.frames"]
    for name in (*stay, *go):
        (tmp_path / name).touch()
    assert FilmFiles(tmp_path).sweep(lambda: {known}, busy) == len(go)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(stay)
    assert FilmFiles(tmp_path / "none").sweep(set) == 0


# --- in turn -----------------------------------------------------------------------------


class Kitchen:
    """A queue over real files whose rows are in a list, and may fail."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock()
        self.files = FilmFiles(folder, free_bytes=lambda _: 10**12)
        self.rows: list[Clip] = []
        self.erased: set[str] = set()
        self.fails = False
        self.queue = FilmQueue(
            self.files, self._keep, lambda clip_id: clip_id in self.erased, self.clock
        )

    def _keep(self, clip: Clip) -> None:
        if self.fails:
            raise StoreError("the journal doesn't answer")
        if clip.id not in self.erased:
            self.rows.append(clip)

    def put(self, kind: str = "door_open", *, part: str = clips.CLIP, end_s: float = 101.0) -> str:
        clip = Clip(
            id=new_id(),
            chamber="north",
            part=part,
            state="making",
            timeline=Timeline("boot", 0.0),
            start_s=100.0,
            end_s=end_s,
            origin="real",
            kind=kind,
            shown=(Shown(1, kind, 100.5),),
        )
        spool = self.files.spool(clip.id)
        spool.append([Shot(100.0, picture(128))])
        self.queue.put(clip, spool)
        return clip.id

    def all_made(self) -> list[str]:
        """Have all made; returns their ids in order."""
        found: list[str] = []
        while self.queue.ids:
            made = self.queue.go_on(self._wanted)
            if made is not None:
                found.append(made.id)
            process = self.queue._maker._process
            if process is not None:
                process.wait(60.0)
        return found

    def _wanted(self, clip: Clip) -> Wanted:
        spool = Spool(self.files.spool_path(clip.id))
        return wanted(spool, to=str(self.files.film(clip.id)), end_s=clip.end_s)


def test_danger_is_made_first_then_events_by_age_then_time_lapses(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path)
    lapse = kitchen.put("door_open", part=clips.TIME_LAPSE)
    later, door = kitchen.put(end_s=103.0), kitchen.put(end_s=102.0)
    fire = kitchen.put("fire", end_s=104.0)
    # Too few for a time-lapse's own rule, which the queue knows nothing of.
    assert kitchen.all_made() == [fire, door, later, lapse]
    assert [row.state for row in kitchen.rows[-4:]] == ["kept"] * 4
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".webm"] * 4


def test_a_film_whose_row_can_t_be_kept_is_noted_later_and_made_once(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path)
    film = kitchen.put()
    kitchen.fails = True
    with pytest.raises(StoreError):
        kitchen.all_made()
    made = kitchen.files.film(film).stat().st_mtime_ns
    assert kitchen.queue.go_on(kitchen._wanted) is None, "not at once again"
    kitchen.fails = False
    kitchen.clock.advance(TRY_AGAIN_S + 1.0)
    assert kitchen.all_made() == [film]
    assert kitchen.files.film(film).stat().st_mtime_ns == made


def test_of_too_many_that_wait_the_least_urgent_has_no_film(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path)
    fires = {kitchen.put("fire") for _ in range(WAITING)}
    door = kitchen.put()
    assert kitchen.queue.ids == fires
    assert kitchen.rows[-1].id == door
    assert (kitchen.rows[-1].state, kitchen.queue.lost) == ("lost", 1)
    assert not kitchen.files.spool_path(door).exists()


def test_one_that_was_erased_is_not_made(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path)
    film = kitchen.put()
    kitchen.erased.add(film)
    assert kitchen.all_made() == []
    assert list(tmp_path.iterdir()) == []
