"""`inspect` looks through real cameras: a file, a stream, one that hangs."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from integration.mjpeg_server import Manner, MjpegServer, packed
from stillair.clock import SystemClock
from stillair.fire.fitness import LOOK_S, Fault, Fitness
from stillair.model import CameraCondition
from stillair.runtime import viewing
from stillair.runtime.found import Found, State
from stillair.runtime.inspection import inspect_all
from stillair.sensing.protocols import Frame
from unit.fire_pictures import Paint, film
from unit.test_fitness import (
    as_it_is,
    blurred,
    by_a_hand,
    dark,
    in_a_plain_box,
    looked_through,
    white,
)

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
        pytest.param(blurred, "sharpness", "focus the lens", id="blurred"),
        pytest.param(in_a_plain_box(12.0), "sharpness", "focus the lens", id="very blurred"),
        pytest.param(by_a_hand, "detail", "take away what is before the lens", id="covered"),
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
    assert by_thing["view, detail"].state is not State.FIT  # nothing can be said of it yet
    whole = by_thing["view"]
    assert whole.remedy == f"see to its {facet} first"
    assert whole.told.endswith("; could show neither flame nor smoke")
    assert whole.told.startswith(("the camera's picture is ", "something covers the camera's"))
    assert "_" not in whole.told
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
    assert 0.05 < hidden < 0.3
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
    """A camera whose driver hangs in the call of this name, or after some pictures."""

    source = "hung"

    def __init__(self, hangs_in: str, pictures: int = 0) -> None:
        self._hangs_in, self._left = hangs_in, pictures
        self.freed, self.closed = threading.Event(), threading.Event()
        self._inside: str | None = None

    def open(self) -> None:
        self._call("open", hangs=True)

    def grab(self) -> Frame:
        self._left -= 1
        self._call("grab", hangs=self._left < 0)
        return Frame(time.monotonic(), 1, pixels=np.zeros((48, 64, 3), np.uint8))

    def describe(self) -> str:
        return "a camera that hangs"

    def close(self) -> None:
        assert self._inside is None, f"closed under {self._inside}"
        self._call("close", hangs=True)
        self.closed.set()

    def _call(self, name: str, *, hangs: bool) -> None:
        self._inside = name
        if hangs and name == self._hangs_in:
            self.freed.wait()
        self._inside = None


class Adapting:
    """A camera that is dark until what it adapts is held, after so many pictures."""

    source = "adapting"

    def __init__(self, held_after: int) -> None:
        self._left = held_after
        self._pictures = film(as_it_is, 60.0, per_s=30.0)

    def open(self) -> None:
        pass

    def grab(self) -> Frame:
        time.sleep(0.02)
        self._left -= 1
        _, picture = next(self._pictures)
        shown = np.asarray(picture // 25 if self._left > 0 else picture, np.uint8)
        return Frame(time.monotonic(), 1, pixels=shown, is_settling=self._left > 0)

    def describe(self) -> str:
        return "a camera that adapts"

    def close(self) -> None:
        pass


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


@pytest.mark.parametrize(
    ("hangs_in", "pictures", "waits", "told"),
    [
        pytest.param("open", 0, ("FIRST_S",), "no picture within 0.2 s", id="opening"),
        pytest.param("grab", 0, ("FIRST_S",), "no picture within 0.2 s", id="the first picture"),
        pytest.param(
            "grab",
            3,
            ("HOLD_S", "LOOK_S", "SPARE_S"),
            "gave 3 pictures, and then hung",
            id="after some pictures",
        ),
        pytest.param(
            "close", 10**6, ("HOLD_S", "LOOK_S", "SPARE_S"), "and then hung", id="closing"
        ),
    ],
)
def test_a_driver_that_hangs_is_given_up_and_closed_by_nobody_else(
    monkeypatch: pytest.MonkeyPatch,
    hangs_in: str,
    pictures: int,
    waits: tuple[str, ...],
    told: str,
) -> None:
    for name in waits:
        monkeypatch.setattr(viewing, name, 0.2)
    camera = Hung(hangs_in, pictures)
    try:
        with pytest.raises(TimeoutError, match=told):
            viewing.look(lambda: camera, SystemClock(), own_pace=True)
        assert not camera.closed.is_set()
    finally:
        camera.freed.set()
    assert camera.closed.wait(5.0)  # once its driver comes back, by the thread that used it
    for thread in threading.enumerate():
        if thread.name == viewing.THREAD_NAME:
            thread.join(5.0)


@pytest.mark.parametrize(
    ("source", "told", "remedy"),
    [
        pytest.param("/dev/video99", "no such device", "plug it in", id="a device"),
        pytest.param("nowhere.mp4", "no such file", "the path is right", id="a file"),
        pytest.param("chamber.toml", "no video", "plays elsewhere", id="a file that is no video"),
        pytest.param("command:no-such-program", "no such program", "install it", id="a program"),
        pytest.param("command:false", "exit status 1", "run it by hand", id="a program that ends"),
        pytest.param("http://127.0.0.1:9/", "nothing listens", "it is on", id="a stream"),
        pytest.param("rtsp://127.0.0.1:9/", "nothing listens", "it is on", id="an rtsp stream"),
    ],
)
def test_a_camera_that_is_missing_has_its_own_remedy(
    tmp_path: Path, source: str, told: str, remedy: str
) -> None:
    (camera,) = found(tmp_path, source).values()
    assert camera.state is State.UNFIT
    assert told in camera.told
    assert source.removeprefix("command:") in camera.told  # which one is meant
    assert remedy in camera.remedy


@pytest.mark.parametrize(
    ("manner", "remedy"),
    [
        pytest.param(Manner.LOCKED, "NAME:PASSWORD", id="wants a password"),
        pytest.param(Manner.MISSING, "manual", id="no such stream"),
        pytest.param(Manner.WRONG_TYPE, "of the stream itself", id="a page"),
    ],
)
def test_a_stream_that_is_refused_has_its_own_remedy(
    tmp_path: Path, manner: Manner, remedy: str
) -> None:
    with MjpegServer([b"no picture"]) as server:
        server.manner = manner
        (camera,) = found(tmp_path, server.address).values()
    assert remedy in camera.remedy


def test_small_pictures_are_unfit_in_plain_words(tmp_path: Path) -> None:
    frames = [
        packed(np.asarray(cv2.resize(picture, (48, 36)), np.uint8))
        for _, picture in film(as_it_is, 1.0, per_s=PER_S)
    ]
    with MjpegServer(frames, frames_per_s=PER_S) as server:
        by_thing = found(tmp_path, server.address)
    assert by_thing["view, pictures"].state is State.UNFIT
    assert "looked at as 48 x 36, and less than 64 x 48" in by_thing["view, pictures"].told
    assert by_thing["view"].told.endswith("could show neither flame nor smoke")
    assert by_thing["view"].remedy == "see to its pictures first"


def test_who_can_show_only_one_says_so() -> None:
    shows = looked_through(as_it_is)
    assert viewing_told(shows).count("and") == 1
    no_smoke = replace(shows, smoke_hidden=None, smoke_share=0.0)
    assert viewing_told(no_smoke).endswith(" on, but no smoke")
    no_flame = replace(shows, flame_width=None)
    assert viewing_told(no_flame).endswith(" of its places, but no flame")


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        pytest.param((), (), id="none"),
        pytest.param((Fault.DARK, Fault.BLUR, Fault.NOISE), (Fault.DARK,), id="dark hides others"),
        pytest.param((Fault.BLUR, Fault.BARE), (Fault.BLUR,), id="blur hides structure"),
        pytest.param((Fault.SLOW, Fault.GLARE), (Fault.SLOW, Fault.GLARE), id="two of two sides"),
        pytest.param((Fault.FROZEN, Fault.FLICKER), (Fault.FROZEN,), id="a still picture"),
    ],
)
def test_who_aims_is_told_what_comes_first(
    faults: tuple[Fault, ...], said: tuple[Fault, ...]
) -> None:
    told = viewing.advice(replace(looked_through(as_it_is, seconds=0.5), faults=faults))
    assert tuple(each.fault for each in told) == said
    assert all(each.said and each.todo for each in told)


def test_every_fault_has_words_of_its_own() -> None:
    plain = looked_through(as_it_is, seconds=0.5)
    told = [viewing.advice(replace(plain, faults=(fault,))) for fault in Fault]
    assert len({each.said for (each,) in told}) == len(Fault)


def viewing_told(of: Fitness) -> str:
    return list(viewing.facets(of, None))[-1].told


@pytest.mark.parametrize("condition", [c for c in CameraCondition if c is not CameraCondition.FIT])
def test_no_word_of_the_program_itself_is_shown(condition: CameraCondition) -> None:
    unfit = replace(looked_through(as_it_is, seconds=0.5), condition=condition, flame_width=None)
    told = " ".join(facet.told for facet in viewing.facets(unfit, 400.0))
    assert "_" not in told


def test_what_this_computer_draws_too_slowly_is_not_called_fit() -> None:
    few = replace(looked_through(as_it_is), frames_per_s=1.3)
    drawn = {facet.name: facet for facet in viewing.facets(few, None, own_pace=False)}
    assert not drawn["pictures"].is_judged
    assert drawn["pictures"].told.startswith("1.3 a second")
    assert not drawn[""].is_judged
    enough = replace(looked_through(as_it_is), frames_per_s=12.0)
    assert all(facet.is_judged for facet in viewing.facets(enough, None, own_pace=False))
