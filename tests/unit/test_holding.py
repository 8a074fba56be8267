"""Holding a device's exposure, white balance and focus, on devices as V4L2 has them."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.vision import Vision
from stillair.model import CameraCondition
from stillair.sensing.holding import LASTING_S, LET_GO_EVERY_S, LONGEST_SETTLE_S, Holding
from stillair.sensing.protocols import Frame
from unit.fire_pictures import Picture, wall

SWITCH = {
    "exposure": cv2.CAP_PROP_AUTO_EXPOSURE,
    "white balance": cv2.CAP_PROP_AUTO_WB,
    "focus": cv2.CAP_PROP_AUTOFOCUS,
}
VALUE = {
    "exposure": cv2.CAP_PROP_EXPOSURE,
    "white balance": cv2.CAP_PROP_WB_TEMPERATURE,
    "focus": cv2.CAP_PROP_FOCUS,
}
NAMES = {key: name for name, key in (*SWITCH.items(), *VALUE.items())}
PER_S = 5.0
FOUND = {"exposure": 156.0, "white balance": 4600.0, "focus": 30.0}
SCENE = wall(3)
SMALL = SCENE[::10, ::10]


@dataclass
class Device:
    """A camera whose automatic exposure makes up for the light.

    Its picture is the light times the exposure. `modes` are what its exposure's switch means
    by automatic and by manual, and all that it takes.
    """

    modes: tuple[float, float] = (3.0, 1.0)
    has: tuple[str, ...] = ("exposure", "white balance", "focus")
    refuses: frozenset[int] = frozenset()  # keys that can't be set
    throws: frozenset[int] = frozenset()
    deaf: frozenset[int] = frozenset()  # says that it takes them, and doesn't
    step: float = 1.0  # of the exposure
    told: float | None = None  # an exposure that it tells whatever it has
    light: float = 1.0
    t_s: float = 0.0
    exposure: float = 60.0
    scene: NDArray[np.float32] = field(default_factory=lambda: SMALL)
    values: dict[int, float] = field(default_factory=dict)
    sets: list[tuple[float, str, int, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.noise = np.random.default_rng(5).normal(0.0, 2.0, (8, *self.scene.shape))
        for name in self.has:
            manual = self.modes[1] if name == "exposure" else 0.0
            self.values[SWITCH[name]] = manual
            self.values[VALUE[name]] = FOUND[name]

    def is_automatic(self, name: str) -> bool:
        automatic = self.modes[0] if name == "exposure" else 1.0
        return self.values.get(SWITCH[name]) == automatic

    def get(self, key: int, /) -> float:
        if key in self.throws:
            raise cv2.error("the cable is loose")
        if key == cv2.CAP_PROP_EXPOSURE and key in self.values:
            return self.exposure if self.told is None else self.told
        return self.values.get(key, -1.0)

    def set(self, key: int, value: float, /) -> bool:
        self.sets.append((self.t_s, NAMES[key], key, value))
        if key in self.throws:
            raise cv2.error("the cable is loose")
        if key not in self.values or key in self.refuses:
            return False
        if key == cv2.CAP_PROP_AUTO_EXPOSURE and value not in self.modes:
            return False
        if key in VALUE.values() and self.is_automatic(NAMES[key]):
            return False  # as the kernel's driver does
        if key in self.deaf:
            return True
        if key == cv2.CAP_PROP_EXPOSURE:
            self.exposure = round(value / self.step) * self.step
        self.values[key] = value
        return True

    def picture(self) -> Picture:
        self.t_s += 1.0 / PER_S
        if self.is_automatic("exposure"):
            wanted = 156.0 / self.light
            self.exposure += 0.2 * (min(2500.0, wanted) - self.exposure)
        number = round(self.t_s * PER_S)
        light = self.scene * (self.light * self.exposure / 156.0)
        light = light + np.roll(self.noise[number % 8], 7 * number, axis=1)
        return np.asarray(np.clip(light, 0.0, 255.0), np.uint8)


class Watched:
    """A device that is held while its pictures come; perhaps looked at as well."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.vision: Vision | None = None
        self.holding = Holding(device, "/dev/video0")
        self.signs: list[str] = []
        self.unfit: set[CameraCondition] = set()

    def run(self, seconds: float) -> Watched:
        for _ in range(round(seconds * PER_S)):
            picture = self.device.picture()
            frame = Frame(self.device.t_s, round(self.device.t_s * PER_S), pixels=picture)
            self.holding.after(frame, self.device.t_s)
            if self.vision is not None:
                sight = self.vision.update(self.device.t_s, picture)
                self.signs += [sign.name for sign in sight.signs]
                self.unfit.add(sight.condition)
        return self

    @property
    def told(self) -> tuple[bool, str]:
        return self.holding.is_settling, self.holding.describe()

    @property
    def automatic(self) -> set[str]:
        return {name for name in self.device.has if self.device.is_automatic(name)}


@pytest.mark.parametrize(
    "modes",
    [
        pytest.param((3.0, 1.0), id="aperture priority"),
        pytest.param((0.0, 1.0), id="fully automatic"),
        pytest.param((0.75, 0.25), id="as shares of the range"),
    ],
)
def test_what_the_automatic_found_is_held(modes: tuple[float, float]) -> None:
    watched = Watched(Device(modes))
    watched.run(2.0)
    assert watched.automatic == {"exposure", "white balance", "focus"}
    assert watched.told == (True, "nothing held yet")
    watched.run(10.0)
    assert watched.automatic == set()
    assert watched.device.exposure == pytest.approx(156.0, abs=1.0)
    held = "exposure held at 156, white balance held at 4600, focus held at 30"
    assert watched.told == (False, held)
    watched.device.light = 1.2  # of a fire, say: now seen, not taken back
    watched.run(60.0)
    assert watched.device.exposure == pytest.approx(156.0, abs=1.0)


def test_one_control_is_touched_with_each_picture() -> None:
    device = Device()
    Watched(device).run(15.0)
    by_picture: dict[float, set[str]] = {}
    for t_s, name, _, _ in device.sets:
        by_picture.setdefault(t_s, set()).add(name)
    assert device.sets
    assert all(len(names) == 1 for names in by_picture.values())


@pytest.mark.parametrize(
    ("device", "said", "automatic"),
    [
        pytest.param(
            Device(has=("exposure",)),
            "exposure held at 156, white balance not held (there is none),"
            " focus not held (there is none)",
            set(),
            id="fixed focus",
        ),
        pytest.param(
            Device(refuses=frozenset({cv2.CAP_PROP_AUTO_WB})),
            "exposure held at 156, focus held at 30, white balance not held (it can't be switched)",
            set(),
            id="a switch that is refused",
        ),
        pytest.param(
            Device(deaf=frozenset({cv2.CAP_PROP_AUTOFOCUS})),
            "exposure held at 156, white balance held at 4600,"
            " focus not held (it can't be switched)",
            set(),
            id="a switch that is taken and not done",
        ),
        pytest.param(
            Device(step=25.0),
            "exposure held at 150, white balance held at 4600, focus held at 30",
            set(),
            id="a value that is rounded",
        ),
        pytest.param(
            Device(throws=frozenset({cv2.CAP_PROP_WB_TEMPERATURE})),
            "exposure held at 156, focus held at 30, white balance not held (it is not told)",
            {"white balance"},
            id="a value that throws",
        ),
        pytest.param(
            Device(throws=frozenset(NAMES)),
            "exposure not held (there is none), white balance not held (there is none),"
            " focus not held (there is none)",
            set(),
            id="everything throws",
        ),
        pytest.param(
            Device(told=5.0),
            "white balance held at 4600, focus held at 30,"
            " exposure not held (the one told is not the one it had)",
            {"exposure"},
            id="another exposure is told than was had",
        ),
    ],
)
def test_what_is_not_taken_is_left_alone_and_told_once(
    device: Device, said: str, automatic: set[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    watched = Watched(device).run(60.0)
    assert watched.holding.describe() == said
    assert [record.getMessage() for record in caplog.records] == [f"camera /dev/video0: {said}"]
    assert watched.automatic == automatic
    tries = len(device.sets)
    watched.run(60.0)
    assert len(device.sets) == tries


def test_in_the_dark_nothing_is_held_until_there_is_light() -> None:
    watched = Watched(Device(light=0.0005)).run(600.0)
    assert watched.automatic == {"exposure", "white balance", "focus"}
    assert watched.told == (False, "nothing held in the dark")  # nobody is to wait for it
    assert len(watched.device.sets) == 3
    watched.device.light = 1.0
    watched.run(LONGEST_SETTLE_S + 5.0)
    assert watched.automatic == set()
    assert watched.device.exposure == pytest.approx(156.0, abs=1.0)


def test_a_lamp_that_goes_out_lets_nothing_go() -> None:
    watched = Watched(Device()).run(30.0)
    tries = len(watched.device.sets)
    watched.device.light = 0.02
    watched.run(3000.0)
    assert len(watched.device.sets) == tries
    watched.device.light = 1.0
    watched.run(300.0)
    assert len(watched.device.sets) == tries


def test_another_light_that_lasts_is_held_anew(caplog: pytest.LogCaptureFixture) -> None:
    watched = Watched(Device()).run(30.0)
    watched.device.light = 1.7
    watched.run(LASTING_S - 5.0)
    assert watched.automatic == set()
    watched.run(10.0)
    assert watched.automatic == {"exposure", "white balance"}  # the distance is as it was
    assert watched.holding.describe() == (
        "focus held at 30, exposure adapts itself just now, white balance adapts itself just now"
    )
    watched.run(LONGEST_SETTLE_S + 5.0)
    assert watched.automatic == set()
    assert watched.device.exposure == pytest.approx(156.0 / 1.7, abs=2.0)
    assert "the light has changed for good" in caplog.text
    let_go_s = next(t for t, _, _, v in reversed(watched.device.sets) if v == 3.0)
    # and back: not within ten minutes of the last time
    watched.device.light = 1.0
    watched.run(LET_GO_EVERY_S - (watched.device.t_s - let_go_s) - 5.0)
    assert watched.automatic == set()
    watched.run(10.0)
    assert watched.automatic == {"exposure", "white balance"}


def test_a_light_that_wavers_or_passes_lets_nothing_go() -> None:
    watched = Watched(Device()).run(30.0)
    tries = len(watched.device.sets)
    for second in range(600):
        watched.device.light = 1.6 + 0.35 * (-1.0) ** (second // 3)
        watched.run(1.0)
    for _ in range(8):
        watched.device.light = 1.7
        watched.run(0.7 * LASTING_S)
        watched.device.light = 1.0
        watched.run(20.0)
    assert len(watched.device.sets) == tries


def test_holding_anew_looks_like_no_fire_and_hides_no_view() -> None:
    watched = Watched(Device(scene=SCENE)).run(30.0)
    watched.device.light = 1.45
    watched.run(LASTING_S - 20.0)
    watched.vision = Vision()
    watched.run(20.0 + LONGEST_SETTLE_S + 30.0)
    assert watched.device.exposure == pytest.approx(156.0 / 1.45, abs=2.0)
    assert watched.signs == []
    assert watched.unfit == {CameraCondition.FIT}


def test_broken_pictures_only_make_it_wait() -> None:
    device = Device()
    holding = Holding(device, "/dev/video0")
    for number in range(100):
        device.t_s += 0.1
        holding.after(Frame(device.t_s, number, jpeg=b"\xff\xd8 broken"), device.t_s)
    assert holding.describe() == "nothing held yet"
    assert holding.is_settling
