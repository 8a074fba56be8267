"""`inspect` looks through real cameras: a file, a stream, one that hangs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from integration.mjpeg_server import Manner, MjpegServer, packed
from stillair.clock import SystemClock
from stillair.errors import CameraError
from stillair.fire.fitness import LOOK_S, Fault
from stillair.runtime import viewing
from stillair.runtime.inspection import Found, State, inspect_all
from stillair.sensing.camera_video import DeviceCamera
from stillair.sensing.protocols import Camera, Frame
from unit.fire_pictures import Paint, film
from unit.test_fitness import as_it_is, blurred, dark, white

PER_S = 15.0
FACETS = ("pictures", "light", "lamp", "sharpness", "noise", "detail")


def chamber(folder: Path, source: str) -> Path:
    path = folder / "chamber.toml"
    path.write_text(
        '[chamber]\nname = "North bench"\nwidth_mm = 500\n[[sensor]]\nname = "top"\n'
        f'driver = "onewire"\naddress = "28-0000075c2f11"\nbus_dir = "{folder}"\n'
        f'[camera]\nsource = "{source}"\n'
    )
    return path


def found(folder: Path, source: str) -> dict[str, Found]:
    """What `inspect` says of the camera and its view."""
    everything = inspect_all((chamber(folder, source),), folder)
    return {f.thing: f for f in everything if f.thing.startswith(("camera", "view"))}


def clip(folder: Path, paint: Paint) -> Path:
    path = folder / "clip.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), PER_S, (320, 240))
    for _, picture in film(paint, LOOK_S + 2.0, per_s=PER_S):
        writer.write(picture)
    writer.release()
    return path


@pytest.mark.parametrize(
    ("paint", "facet", "remedy"),
    [
        pytest.param(dark, "light", "light the chamber", id="dark"),
        pytest.param(white, "light", "dim the lamp", id="washed out"),
        pytest.param(blurred, "sharpness", "focus on the wall", id="blurred"),
    ],
)
def test_a_file_with_an_unfit_view_gives_one_remedy(
    tmp_path: Path, paint: Paint, facet: str, remedy: str
) -> None:
    by_thing = found(tmp_path, str(clip(tmp_path, paint)))
    assert by_thing["camera"].state is State.FIT
    unfit = {thing for thing, f in by_thing.items() if f.state is State.UNFIT}
    assert unfit == {f"view, {facet}", "view"}
    assert by_thing[f"view, {facet}"].remedy.startswith(remedy)
    whole = by_thing["view"]
    assert whole.remedy == f"see to its {facet} first"
    assert "no flame" in whole.told
    assert "no smoke" in whole.told
    assert whole.figures["flame_width"] is None


def test_a_stream_with_a_fit_view_says_what_it_could_show(tmp_path: Path) -> None:
    frames = [packed(picture) for _, picture in film(as_it_is, 3.1, per_s=PER_S)]
    with MjpegServer(frames, frames_per_s=PER_S) as server:
        by_thing = found(tmp_path, server.address)
    assert [f.state for f in by_thing.values()] == [State.FIT] * (len(FACETS) + 2)
    assert tuple(by_thing) == ("camera", *(f"view, {name}" for name in FACETS), "view")
    assert by_thing["view, pictures"].figures["frames_per_s"] == pytest.approx(PER_S, rel=0.3)
    figures = by_thing["view"].figures
    width, hidden = figures["flame_width"], figures["smoke_hidden"]
    assert width is not None
    assert 0.005 < width < 0.06
    assert hidden is not None
    assert 0.05 < hidden < 0.2
    assert "mm where that is 500 mm" in by_thing["view"].told
    record = by_thing["view"].record()
    assert record["figures"] == dict(figures)
    assert record["remedy"] is None


def test_a_stream_that_falls_silent_is_told_in_time(tmp_path: Path) -> None:
    frames = [packed(picture) for _, picture in film(as_it_is, 1.0, per_s=PER_S)]
    with MjpegServer(frames, frames_per_s=PER_S) as server:

        def fall_silent() -> None:
            server.wait_until_sent(5)
            server.manner = Manner.STALL

        thread = threading.Thread(target=fall_silent)
        thread.start()
        by_thing = found(tmp_path, server.address)
        thread.join()
    assert list(by_thing) == ["camera"]
    assert by_thing["camera"].state is State.UNFIT
    assert "no picture" in by_thing["camera"].told or "5 s" in by_thing["camera"].told
    assert by_thing["camera"].remedy


class Hung:
    """A camera whose driver hangs, at once or after some pictures."""

    source = "hung"

    def __init__(self, pictures: int) -> None:
        self._left = pictures
        self.freed = threading.Event()

    def open(self) -> None:
        if not self._left:
            self.freed.wait()

    def grab(self) -> Frame:
        self._left -= 1
        if self._left < 0:
            self.freed.wait()
            raise CameraError(self.source, "closed", retry=True)
        return Frame(time.monotonic(), 1, pixels=np.zeros((48, 64, 3), np.uint8))

    def describe(self) -> str:
        return "a camera that hangs"

    def close(self) -> None:
        self.freed.set()


class Adapting(DeviceCamera):
    """A device that is dark until what it adapts is held, after so many pictures."""

    def __init__(self, held_after: int) -> None:
        super().__init__("/dev/video9", SystemClock(), size=(320, 240), frames_per_s=30.0)
        self._left = held_after
        self._pictures = film(as_it_is, 60.0, per_s=30.0)

    def open(self) -> None:
        pass

    def grab(self) -> Frame:
        time.sleep(0.02)
        self._left -= 1
        _, picture = next(self._pictures)
        shown = picture // 25 if self.is_settling else picture
        return Frame(time.monotonic(), 1, pixels=np.asarray(shown, np.uint8))

    @property
    def is_settling(self) -> bool:
        return self._left > 0


def test_a_device_is_judged_once_it_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(viewing, "LOOK_S", 0.5)
    _, fitness = viewing.look(lambda: Adapting(20), SystemClock(), own_pace=True)
    assert fitness.brightness > 0.3
    assert Fault.DARK not in fitness.faults


def test_a_device_that_never_settles_is_judged_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(viewing, "LOOK_S", 0.5)
    monkeypatch.setattr(viewing, "HOLD_S", 0.2)
    _, fitness = viewing.look(lambda: Adapting(10**6), SystemClock(), own_pace=True)
    assert fitness.faults[-1] is Fault.DARK


@pytest.fixture
def hung() -> Iterator[Callable[[int], Camera]]:
    made: list[Hung] = []

    def make(pictures: int) -> Camera:
        made.append(Hung(pictures))
        return made[-1]

    yield make
    for thread in threading.enumerate():
        if thread.name == viewing.THREAD_NAME:
            thread.join(5.0)
    assert all(camera.freed.is_set() for camera in made)  # whoever is given up is closed


@pytest.mark.parametrize(
    ("pictures", "waits", "told"),
    [
        pytest.param(0, ("FIRST_S",), "no picture within 0.2 s", id="at once"),
        pytest.param(
            3,
            ("HOLD_S", "LOOK_S", "SPARE_S"),
            "gave 3 pictures, and then hung",
            id="after some pictures",
        ),
    ],
)
def test_a_driver_that_hangs_is_given_up(
    monkeypatch: pytest.MonkeyPatch,
    hung: Callable[[int], Camera],
    pictures: int,
    waits: tuple[str, ...],
    told: str,
) -> None:
    for name in waits:
        monkeypatch.setattr(viewing, name, 0.2)
    with pytest.raises(TimeoutError, match=told):
        viewing.look(lambda: hung(pictures), SystemClock(), own_pace=True)
