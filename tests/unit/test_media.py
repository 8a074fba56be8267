"""Pictures as evidence: the ring in memory, marks, files, what is kept, and what is said of it."""

from __future__ import annotations

import math
import os
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from stillair.errors import StoreError
from stillair.fire.regions import Region
from stillair.media.files import FREE_BYTES, PictureFiles, new_id
from stillair.media.judging import (
    Saw,
    ignored_by,
    others_in,
    said,
    saw_in,
    saw_kept,
    saw_of,
    together,
)
from stillair.media.marking import (
    MARKED_BYTES,
    Marked,
    as_jpeg,
    decoded,
    joined,
    marked,
    regions_of,
    sharpness,
)
from stillair.media.moments import (
    EVIDENCE,
    NEWEST_EVENTS,
    STILL_BYTES_PER_S,
    STILLS_BYTES,
    Heights,
    Held,
    given_up,
    moments,
)
from stillair.media.ring import LEAST_SHOTS, RING_BYTES, SHOT_BYTES, FrameRing
from stillair.model import JsonValue, Kind, Sense, Sign


def noise(width: int = 640, height: int = 480, seed: int = 1) -> NDArray[np.uint8]:
    """A picture as large as any: nothing in it repeats."""
    return np.random.default_rng(seed).integers(0, 256, (height, width, 3), np.uint8)


def grey(width: int = 640, height: int = 480) -> NDArray[np.uint8]:
    return np.full((height, width, 3), 128, np.uint8)


def sign(t_s: float = 5.0, strength: float = 0.62, **detail: JsonValue) -> Sign:
    return Sign(Sense.CAMERA, "smoke", t_s, t_s - 3.0, strength, ("camera",), detail=detail)


# --- the ring ------------------------------------------------------------------


def test_the_ring_holds_two_pictures_a_second_of_the_last_thirty_four() -> None:
    ring = FrameRing()
    for number in range(60 * 15):  # a minute at 15 a second
        ring.take(number / 15, jpeg=b"x" * 100)
    shots = ring.shots()
    assert 59.9 - 34.5 <= shots[0].t_s <= 59.9 - 33.0
    assert shots[-1].t_s >= 59.4
    assert 63 <= len(shots) <= 69
    apart = [b.t_s - a.t_s for a, b in pairwise(shots)]
    assert min(apart) >= 0.49


@given(st.lists(st.integers(1, SHOT_BYTES), min_size=1, max_size=120))
def test_the_ring_never_holds_more_than_its_bound(sizes: list[int]) -> None:
    ring = FrameRing()
    for number, size in enumerate(sizes):
        ring.take(float(number) / 2, jpeg=bytes(size))
        assert ring.held_bytes <= RING_BYTES
    assert ring.newest_s() == (len(sizes) - 1) / 2


@pytest.mark.parametrize(
    ("size_bytes", "per_s", "signs", "within_s"),
    [
        pytest.param(60_000, 15.0, (), 1.0, id="an ordinary camera"),
        pytest.param(SHOT_BYTES, 15.0, (), 4.0, id="pictures as large as they may be"),
        pytest.param(60_000, 15.0, ("smoke",), 1.0, id="every picture with a sign in it"),
    ],
)
def test_the_ring_reaches_thirty_seconds_back_whatever_pictures_weigh(
    size_bytes: int, per_s: float, signs: tuple[str, ...], within_s: float
) -> None:
    ring = FrameRing()
    for number in range(round(60 * per_s)):
        t_s = number / per_s
        ring.take(t_s, jpeg=bytes(size_bytes), signs=tuple(sign(t_s) for _ in signs))
    shots = ring.shots()
    newest_s = shots[-1].t_s
    assert shots[0].t_s <= newest_s - 30.0
    assert max(b.t_s - a.t_s for a, b in pairwise(shots)) <= within_s
    assert ring.held_bytes <= RING_BYTES


def test_a_large_picture_of_the_source_is_made_smaller() -> None:
    done, data = cv2.imencode(".jpg", noise(1920, 1080))
    assert done and len(data) > SHOT_BYTES
    ring = FrameRing()
    ring.take(0.0, jpeg=data.tobytes())
    (shot,) = ring.shots()
    assert len(shot.jpeg) < len(data)
    small = decoded(shot.jpeg)
    assert small is not None and small.shape == (360, 640, 3)


def test_the_source_s_own_bytes_are_handed_through() -> None:
    own = as_jpeg(grey())
    assert own is not None
    ring = FrameRing()
    ring.take(0.0, jpeg=own)
    assert ring.shots()[0].jpeg is own


def test_a_picture_with_a_sign_is_never_left_out() -> None:
    ring = FrameRing()
    ring.take(0.0, jpeg=b"x")
    ring.take(0.1, jpeg=b"y")
    ring.take(0.2, jpeg=b"z", signs=(sign(0.2),))
    assert [shot.t_s for shot in ring.shots()] == [0.0, 0.2]
    assert ring.signs(EVIDENCE[Kind.SMOKE], -10.0, 1.0) == [sign(0.2)]
    assert ring.signs(EVIDENCE[Kind.FLAME], -10.0, 1.0) == []


def test_of_a_chamber_played_fast_the_last_pictures_stay() -> None:
    ring = FrameRing()
    for number in range(10):
        ring.take(number * 1000.0, jpeg=b"x")
    assert [s.t_s for s in ring.shots()] == [6000.0, 7000.0, 8000.0, 9000.0]
    assert len(ring.shots()) == LEAST_SHOTS


def test_a_broken_picture_is_left_out_and_a_grey_one_isn_t() -> None:
    ring = FrameRing()
    ring.take(0.0, pixels=np.zeros((0, 0), np.uint8))
    ring.take(1.0, jpeg=b"\xff\xd8" + bytes(SHOT_BYTES))
    assert ring.shots() == []
    ring.take(2.0, pixels=np.zeros((48, 64), np.uint8))
    assert len(ring.shots()) == 1


@pytest.mark.parametrize("bad", [{"span_s": 0.0}, {"every_s": -1.0}, {"most_bytes": 0}])
def test_a_ring_of_nothing_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        FrameRing(**bad)  # type: ignore[arg-type]


# --- marks ------------------------------------------------------------------------


def test_a_mark_is_an_outline_in_red_with_its_word_and_the_inside_stays_as_it_was() -> None:
    jpeg = as_jpeg(grey())
    assert jpeg is not None
    copy = marked(jpeg, [Marked((0.25, 0.5, 0.5, 0.75), "smoke")])
    assert copy is not None
    picture = decoded(copy)
    assert picture is not None and picture.shape == (480, 640, 3)
    blue, _, red = (int(v) for v in picture[300, 160])
    assert red > 150 and red > blue + 80, "its left edge"
    assert abs(int(picture[300, 240].mean()) - 128) < 6, "its inside"
    word = picture[218:238, 162:210].reshape(-1, 3).astype(int)
    assert ((word[:, 2] - word[:, 0]) > 80).mean() > 0.3, "the ground of its word"


@pytest.mark.parametrize("size", [(640, 480), (1280, 720), (64, 48), (1, 1)])
def test_a_caption_stands_below_and_covers_nothing(size: tuple[int, int]) -> None:
    jpeg = as_jpeg(grey(*size))
    assert jpeg is not None
    bare, told = marked(jpeg, []), marked(jpeg, [], "Simulated: nothing here is real.")
    assert bare is not None and told is not None
    one, other = decoded(bare), decoded(told)
    assert one is not None and other is not None
    assert other.shape[0] == one.shape[0] + 24
    assert other.shape[1] == one.shape[1] <= 640
    assert np.abs(other[:-24].astype(int) - one.astype(int)).mean() < 6


def test_a_marked_picture_is_small_enough_to_be_sent() -> None:
    done, data = cv2.imencode(".jpg", noise(), [cv2.IMWRITE_JPEG_QUALITY, 100])
    assert done
    copy = marked(data.tobytes(), [Marked((0.0, 0.0, 1.0, 1.0), "flame")])
    assert copy is not None and len(copy) <= MARKED_BYTES


def test_what_is_no_picture_is_not_marked() -> None:
    assert marked(b"no picture", [Marked((0.0, 0.0, 1.0, 1.0), "flame")]) is None
    assert marked(b"", []) is None


@pytest.mark.parametrize(
    ("value", "regions"),
    [
        pytest.param([[0.1, 0.2, 0.3, 0.4]], [(0.1, 0.2, 0.3, 0.4)], id="one"),
        pytest.param([[-1, 0, 2, 1]], [(0.0, 0.0, 1.0, 1.0)], id="cut to the picture"),
        pytest.param([[0.3, 0, 0.1, 1]], [], id="inside out"),
        pytest.param([[0, 0, 1]], [], id="three edges"),
        pytest.param([[0, 0, 1, math.nan]], [], id="no number"),
        pytest.param([[0, 0, 1, "1"]], [], id="text"),
        pytest.param("0011", [], id="text for all"),
        pytest.param(None, [], id="nothing"),
        pytest.param([[0, 0, 1, 1]] * 40, [(0.0, 0.0, 1.0, 1.0)] * 16, id="too many"),
    ],
)
def test_only_what_is_a_region_counts(
    value: object, regions: list[tuple[float, float, float, float]]
) -> None:
    assert regions_of(value) == regions


def test_a_sharp_picture_is_told_from_a_moved_one() -> None:
    picture = grey()
    picture[::32] = 0
    picture[:, ::32] = 255
    sharp = as_jpeg(picture)
    moved = as_jpeg(np.asarray(cv2.blur(picture, (25, 25)), np.uint8))
    assert sharp is not None and moved is not None
    assert sharpness(sharp) > 3.0 * sharpness(moved)
    assert sharpness(b"broken") == 0.0


# --- files ------------------------------------------------------------------------


def test_a_file_is_written_read_and_removed(tmp_path: Path) -> None:
    files = PictureFiles(tmp_path / "pictures")
    name = f"{new_id()}.jpg"
    assert files.read(name) is None
    files.write(name, b"picture")
    assert files.read(name) == b"picture"
    files.remove(name)
    files.remove(name)
    assert files.read(name) is None
    assert list((tmp_path / "pictures").iterdir()) == []


@pytest.mark.parametrize("name", ["../journal.db", "a.jpg", "", "/etc/passwd", "0" * 32, "é" * 32])
def test_a_name_from_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    files = PictureFiles(tmp_path)
    for action in (files.read, files.remove, lambda n: files.write(n, b"x")):
        with pytest.raises(StoreError, match="no picture's name"):
            action(name)


def test_a_disk_that_is_nearly_full_keeps_its_room_for_the_journal(tmp_path: Path) -> None:
    files = PictureFiles(tmp_path, free_bytes=lambda _: FREE_BYTES)
    with pytest.raises(StoreError, match="nearly full"):
        files.write(f"{new_id()}.jpg", b"x")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_can_t_be_made_is_a_store_error(tmp_path: Path) -> None:
    (tmp_path / "pictures").write_text("no folder")
    with pytest.raises(StoreError, match="can't be kept"):
        PictureFiles(tmp_path / "pictures").write(f"{new_id()}.jpg", b"x")


def test_what_a_crash_left_is_swept_and_whole_pictures_stay(tmp_path: Path) -> None:
    files = PictureFiles(tmp_path)
    known, unknown = f"{new_id()}.jpg", f"{new_id()}.jpg"
    for name in (known, unknown):
        files.write(name, b"x")
    (tmp_path / "half.part").write_bytes(b"x")
    (tmp_path / "notes.txt").write_text("somebody's own")
    assert files.sweep({known}) == 1
    assert {path.name for path in tmp_path.iterdir()} == {known, unknown, "notes.txt"}


def test_of_pictures_that_nobody_knows_the_oldest_go_when_they_are_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.media.files.UNKNOWN_BYTES", 25)
    files = PictureFiles(tmp_path)
    names = [f"{new_id()}.jpg" for _ in range(4)]
    for age, name in enumerate(names):
        files.write(name, bytes(10))
        os.utime(tmp_path / name, (1000.0 - age, 1000.0 - age))
    assert files.sweep({names[3]}) == 1
    assert {path.name for path in tmp_path.iterdir()} == {names[0], names[1], names[3]}
    assert files.sweep(set()) == 1


def test_a_folder_that_isn_t_there_needs_no_sweeping(tmp_path: Path) -> None:
    assert PictureFiles(tmp_path / "pictures").sweep(set()) == 0


# --- which are kept ---------------------------------------------------------------


def test_danger_has_more_pictures_than_a_door() -> None:
    smoke, door = moments(Kind.SMOKE), moments(Kind.DOOR_OPEN)
    assert smoke is not None and door is not None
    assert len(smoke.before_s) >= 2 and len(smoke.after_s) >= 2
    assert len(door.before_s) + len(door.after_s) < len(smoke.before_s) + len(smoke.after_s)
    assert moments(Kind.CLOCK_FAULT) is None


def test_a_still_is_due_after_the_first_layer_and_with_each_millimetre() -> None:
    heights = Heights()

    def stills(job: str, *told_mm: float) -> list[float]:
        due = []
        for mm in told_mm:
            if heights.due(job, mm, 0.0):
                heights.took(0)
                due.append(mm)
        return due

    told = [0.0, 0.3, 0.6, 0.9, 1.2, 1.5, 1.9, 2.1, 5.0, math.nan, 5.4]
    assert stills("n-1", *told) == [0.3, 1.2, 2.1, 5.0]
    assert stills("n-1", 0.3) == [0.3], "a second piece begins again"
    assert stills("n-2", 0.3) == [0.3], "another job"


def test_a_still_that_did_not_come_stays_due_in_its_millimetre() -> None:
    """As of a first layer that is told before the camera gives its first picture."""
    heights = Heights()
    assert heights.due("n-1", 0.2, 0.0)
    assert heights.due("n-1", 0.4, 0.0)
    heights.took(0)
    assert not heights.due("n-1", 0.6, 0.0)


@pytest.mark.parametrize(
    ("size_bytes", "mm_per_h", "stills"),
    [
        pytest.param(12_000, 24.0, 240, id="small ones, with each millimetre"),
        pytest.param(30_000, 24.0, 240, id="as many of 30 kB"),
        pytest.param(150_000, 24.0, 52, id="large ones, further apart"),
        pytest.param(150_000, 4.0, 40, id="also with each, where the part grows slowly"),
    ],
)
def test_stills_come_no_faster_than_a_card_bears(
    size_bytes: int, mm_per_h: float, stills: int
) -> None:
    heights = Heights()
    count = 0
    for layer in range(1, round(10 * mm_per_h * 5) + 1):  # ten hours of layers of 0.2 mm
        t_s = layer * 720.0 / mm_per_h
        if heights.due("n-1", 0.2 * layer + 1e-9, t_s):
            heights.took(size_bytes)
            count += 1
    assert count == pytest.approx(stills, abs=2)
    assert count * size_bytes <= STILLS_BYTES + 36_000.0 * STILL_BYTES_PER_S + size_bytes


def held(number: int, event: int | None, *, danger: bool) -> Held:
    return Held(f"p{number}", number, 10, event, danger)


def test_small_matters_and_stills_go_before_dangers_and_the_oldest_first() -> None:
    pictures = [
        held(1, 1, danger=True),
        held(2, None, danger=False),
        held(3, 7, danger=False),
        *(held(10 + n, 20 + n, danger=True) for n in range(NEWEST_EVENTS)),
    ]
    assert given_up(pictures, 80) == []
    assert given_up(pictures, 70) == ["p2"]
    assert given_up(pictures, 60) == ["p2", "p3"]
    assert given_up(pictures, 50) == ["p2", "p3", "p1"]
    assert given_up(pictures, 0) == ["p2", "p3", "p1"], "never the newest events' own"


# --- what is said of them -----------------------------------------------------------

EVENT: dict[str, JsonValue] = {
    "cause": "clear",
    "evidence": [
        {
            "sign": "smoke",
            "sense": "camera",
            "strength": 0.62,
            "share": 0.12,
            "regions": [[0.3, 0.4, 0.6, 0.7]],
        },
        {"sign": "rapid_rise", "sense": "heat", "strength": 0.5},
    ],
}


def test_an_event_s_detail_tells_what_the_camera_saw_and_who_else_spoke() -> None:
    (saw,) = saw_in(EVENT)
    assert saw == Saw("smoke", 0.62, ((0.3, 0.4, 0.6, 0.7),), 0.12)
    assert others_in(EVENT) == ["heat"]
    assert saw_kept({"saw": [saw.item()]}) == [saw]
    assert said([saw]) == "A veil as of smoke over up to 12 % of the picture; at most 62 % sure."


@pytest.mark.parametrize(
    "detail",
    [
        {},
        {"evidence": None},
        {"evidence": "smoke"},
        {"evidence": [1, None, []]},
        {"evidence": [{"sign": 1, "sense": "camera", "strength": 0.5}]},
        {"evidence": [{"sign": "smoke", "sense": "camera", "strength": "much"}]},
    ],
)
def test_a_detail_of_another_shape_tells_nothing(detail: dict[str, JsonValue]) -> None:
    assert saw_in(detail) == []
    assert ignored_by(saw_in(detail)) == ([], "")


@pytest.mark.parametrize(
    ("strength", "value"),
    [(0.62, 0.65), (0.65, 0.7), (0.5, 0.55), (0.7, 0.75), (0.84, 0.85), (0.1, 0.3)],
)
def test_the_setting_that_would_have_ignored_it_is_above_its_strength(
    strength: float, value: float
) -> None:
    found, warning = ignored_by([Saw("smoke", strength)])
    assert [(each.setting, each.value) for each in found] == [("camera.smoke_from", value)]
    assert "a real fire" in warning


def test_what_was_too_sure_is_ignored_by_a_rectangle_alone() -> None:
    found, _ = ignored_by(
        [Saw("flame", 0.97, ((0.3, 0.4, 0.4, 0.5),))], already=[(0.0, 0.0, 0.1, 0.1)]
    )
    (only,) = found
    assert only.setting == "camera.ignore"
    assert only.value == [[0.0, 0.0, 0.1, 0.1], [0.28, 0.38, 0.42, 0.52]]
    assert "[0.28, 0.38, 0.42, 0.52]" in only.text


def test_places_that_touch_become_one_and_nearly_all_of_the_picture_is_never_offered() -> None:
    touching = ((0.1, 0.1, 0.2, 0.2), (0.2, 0.15, 0.3, 0.3))
    found, _ = ignored_by([Saw("smoke", 0.99, touching)])
    assert found[0].value == [[0.08, 0.08, 0.32, 0.32]]
    assert ignored_by([Saw("smoke", 0.99, ((0.0, 0.0, 1.0, 0.9),))]) == ([], "")


def test_a_fire_that_others_spoke_for_says_so() -> None:
    _, warning = ignored_by(saw_in(EVENT), others=others_in(EVENT))
    assert warning.startswith("Heat spoke for it too, which no setting of the camera ignores.")


@given(
    st.lists(
        st.builds(
            Saw,
            st.sampled_from(["smoke", "flame"]),
            st.floats(0.0, 1.0),
            st.lists(
                st.tuples(*[st.floats(0.0, 0.4)] * 2, *[st.floats(0.5, 1.0)] * 2), max_size=6
            ).map(tuple),
        ),
        max_size=5,
    )
)
def test_every_setting_that_is_named_would_really_have_ignored_it(seen: list[Saw]) -> None:
    one_each = together(seen)
    found, _ = ignored_by(one_each)
    for each in found:
        if each.setting == "camera.ignore":
            assert isinstance(each.value, list)
            for saw in one_each:
                for left, top, right, bottom in saw.regions:
                    assert any(
                        r[0] <= left and r[1] <= top and r[2] >= right and r[3] >= bottom
                        for r in regions_of(each.value)
                    )
        else:
            name = each.setting.removeprefix("camera.").removesuffix("_from")
            strongest = max(saw.strength for saw in seen if saw.sign == name)
            assert isinstance(each.value, float)
            assert strongest < each.value <= 0.85


def test_a_sign_s_figures_are_kept_beside_its_picture() -> None:
    saw = saw_of(sign(share=0.1234567, regions=[[0, 0, 0.5, 0.5]], other="x"))
    assert saw.item() == {
        "sign": "smoke",
        "strength": 0.62,
        "regions": [[0.0, 0.0, 0.5, 0.5]],
        "share": 0.1235,
    }


@pytest.mark.parametrize(
    ("near", "places", "left"),
    [
        pytest.param(0.0, [(0.1, 0.1, 0.3, 0.3), (0.2, 0.2, 0.5, 0.4)], 1, id="overlapping"),
        pytest.param(0.0, [(0.1, 0.1, 0.3, 0.3), (0.31, 0.1, 0.5, 0.3)], 2, id="apart"),
        pytest.param(0.02, [(0.1, 0.1, 0.3, 0.3), (0.31, 0.1, 0.5, 0.3)], 1, id="near"),
        pytest.param(
            0.0,
            [(0.1, 0.1, 0.2, 0.2), (0.5, 0.5, 0.6, 0.6), (0.15, 0.15, 0.55, 0.55)],
            1,
            id="a third one joins two",
        ),
        pytest.param(
            0.0,
            [
                (0.0, 0.4, 0.1, 0.6),
                (0.4, 0.0, 0.6, 0.1),
                (0.05, 0.5, 0.5, 0.9),
                (0.3, 0.05, 0.5, 0.2),
            ],
            2,
            id="two pairs",
        ),
    ],
)
def test_places_that_belong_together_are_one_place(
    near: float, places: list[Region], left: int
) -> None:
    found = joined(places, near=near)
    assert len(found) == left
    for place in places:
        assert any(
            f[0] <= place[0] and f[1] <= place[1] and f[2] >= place[2] and f[3] >= place[3]
            for f in found
        )
