"""Look through a camera for some seconds; say what its view is worth, and what to change.

Nothing here hangs: a camera that does is given up, whatever it is just doing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from stillair.alarms import figures
from stillair.alarms.seen import VIEW
from stillair.clock import Clock
from stillair.errors import CameraError
from stillair.fire.edges import WIDE_EDGE
from stillair.fire.fitness import ENOUGH_RATE, LOOK_S, Fault, Fitness, ViewTest
from stillair.fire.view import BLURRED_RATIO, LEAST_HEIGHT, LEAST_WIDTH
from stillair.model import CameraCondition
from stillair.sensing.cameras import TIMEOUT_S
from stillair.sensing.pictures import working_picture
from stillair.sensing.protocols import Camera

FIRST_S = TIMEOUT_S + 3.0  # to open, and for the first picture
HOLD_S = 15.0  # until a device's exposure is held
THREAD_NAME = "inspection of the camera"
SPARE_S = TIMEOUT_S + 1.0  # a driver itself tells a picture that doesn't come
STARVED = "; this computer draws them itself, and had no time for more"

_REMEDIES = {
    Fault.FROZEN: ("pictures", "start the camera anew; if it stays so, take another one"),
    Fault.SLOW: (
        "pictures",
        "have it give 15 a second (camera.frames_per_s in the chamber file asks for no more than it"
        " says); many cameras are slow where there is little light",
    ),
    Fault.SMALL: ("pictures", "have it give at least 320 x 240"),
    Fault.DARK: ("light", "light the chamber: a lamp on the machine and the wall behind it"),
    Fault.WHITE: ("light", "dim the lamp or turn it from the camera, or set a shorter exposure"),
    Fault.GLARE: (
        "light",
        "turn the camera or move the lamp, so that neither it nor its mirror image is in view",
    ),
    Fault.FLICKER: ("lamp", "take a lamp with a steady supply, without a dimmer"),
    Fault.BLUR: ("sharpness", "focus the lens on the wall behind the machine, and wipe it"),
    Fault.NOISE: ("noise", "more light, so that the camera has less to amplify"),
    Fault.COVERED: ("detail", "take away what is before the lens, wipe it, and focus it"),
    Fault.MOVED: ("detail", "fix the camera so that it can't move"),
    Fault.BARE: (
        "detail",
        "fix a card with a pattern of grey and white squares behind the machine",
    ),
}


# The same for who holds the camera in the other hand.
_SAID = {
    Fault.FROZEN: "The picture stands still",
    Fault.SLOW: "Too few pictures come in a second",
    Fault.SMALL: "The picture is small, and shows only what is large",
    Fault.DARK: "It is too dark",
    Fault.WHITE: "It is too bright",
    Fault.GLARE: "A light is in view, or its mirror image",
    Fault.FLICKER: "The light flickers",
    Fault.BLUR: "It is blurred",
    Fault.NOISE: "It is grainy",
    Fault.COVERED: "Something covers the lens",
    Fault.MOVED: "The camera moves",
    Fault.BARE: "There is too little in view that smoke could hide",
}

_BEHIND_ALL = ("lamp", "sharpness", "noise", "detail")
# What can't be judged before another thing is mended.
_BEHIND = {
    Fault.FROZEN: _BEHIND_ALL,
    Fault.DARK: _BEHIND_ALL,
    Fault.WHITE: _BEHIND_ALL,
    Fault.COVERED: ("sharpness", "noise"),
    Fault.BLUR: ("detail",),
}


@dataclass(frozen=True, slots=True)
class Facet:
    """One side of a view: what was measured, and one remedy if it is unfit.

    `is_judged`: False where nothing can be said of it before another one is mended.
    """

    name: str
    told: str
    remedy: str = ""
    figures: Mapping[str, float | None] = field(default_factory=dict)
    is_judged: bool = True


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing that ails a view, in words for who aims the camera, and what to do."""

    fault: Fault
    said: str
    todo: str


def look(make: Callable[[], Camera], clock: Clock, *, own_pace: bool) -> tuple[str, Fitness]:
    """What the camera is and what its view is worth, after about `LOOK_S`.

    `own_pace`: whether the camera gives its pictures as fast as it can; a simulated one gives
    what the computer has time for. Raises `CameraError` or `TimeoutError`, at the latest
    `FIRST_S + HOLD_S + LOOK_S + SPARE_S` after the call.
    """
    looking = _Looking(make, clock, own_pace=own_pace)
    threading.Thread(target=looking.run, name=THREAD_NAME, daemon=True).start()
    if not looking.begun.wait(FIRST_S):
        looking.given_up.set()
        raise TimeoutError(f"no picture within {FIRST_S:g} s")
    if not looking.ended.wait(HOLD_S + LOOK_S + SPARE_S):
        looking.given_up.set()
        raise TimeoutError(f"gave {looking.pictures} pictures, and then hung")
    if looking.error is not None:
        raise looking.error
    return looking.described, looking.test.result()


class _Looking:
    """Reads a camera in a thread of its own, which may hang, and alone touches it.

    Once given up it is left alone: if its driver comes back after all, the same thread closes
    it, and if not, the thread ends with the process.
    """

    def __init__(self, make: Callable[[], Camera], clock: Clock, *, own_pace: bool) -> None:
        self._make, self._clock, self._own_pace = make, clock, own_pace
        self.begun = threading.Event()  # or ended
        self.ended = threading.Event()
        self.given_up = threading.Event()
        self.pictures = 0
        self.test = ViewTest(own_pace=own_pace)
        self.described = ""
        self.error: Exception | None = None

    def run(self) -> None:
        try:
            camera = self._make()
            try:
                camera.open()
                self._watch(camera)
                self.described = camera.describe()
            finally:
                camera.close()
        except Exception as error:  # told by who waits
            self.error = error
        self.ended.set()
        self.begun.set()

    def _watch(self, camera: Camera) -> None:
        begun_s = test_s = self._clock.now_s()
        while self._clock.now_s() - test_s < LOOK_S and not self.given_up.is_set():
            frame = camera.grab()
            picture = working_picture(frame)
            if picture is None:
                raise CameraError(camera.source, "its picture can't be decoded", retry=False)
            self.pictures += 1
            self.begun.set()
            now_s = self._clock.now_s()
            if frame.is_settling and now_s - begun_s < HOLD_S:
                # what it will be like is what counts
                self.test, test_s = ViewTest(own_pace=self._own_pace), now_s
            else:
                if self.test.pictures == 0:
                    test_s = now_s
                self.test.update(frame.t_s, picture)


def facets(of: Fitness, width_mm: float | None, *, own_pace: bool = True) -> Iterator[Facet]:
    """The sides of a view, and at last what the watch can make of it; one remedy each.

    `width_mm` is the width of the box, if it is known. `own_pace` is false of pictures that are
    drawn here: where few come that is no fault of a camera, but nobody may call it fit.
    """
    faults, behind = _by_side(of)

    def facet(name: str, told: str, **measured: float | None) -> Facet:
        if fault := faults.get(name):
            return Facet(name, told, _REMEDIES[fault][1], measured)
        if first := behind.get(name):
            told = f"can be judged once you have seen to its {_REMEDIES[first][0]}"
            return Facet(name, told, figures=measured, is_judged=False)
        return Facet(name, told, figures=measured)

    pictures = facet(
        "pictures",
        _pictures(of),
        frames_per_s=round(of.frames_per_s, 2),
        width_px=of.size[0],
        height_px=of.size[1],
    )
    starved = not own_pace and of.frames_per_s < ENOUGH_RATE and not pictures.remedy
    yield replace(pictures, told=pictures.told + STARVED, is_judged=False) if starved else pictures
    yield facet(
        "light",
        f"brightness {figures.percent(of.brightness)}, {figures.percent(of.black_share)} of the"
        f" picture black, {figures.percent(of.white_share)} white",
        brightness=round(of.brightness, 3),
        black_share=round(of.black_share, 3),
        white_share=round(of.white_share, 3),
    )
    yield facet("lamp", f"swings by {figures.percent(of.flicker)}", flicker=round(of.flicker, 4))
    yield facet(
        "sharpness",
        _sharpness(of),
        sharpness=None if of.sharpness is None else round(of.sharpness, 3),
        edge_width=None if of.edge_width is None else round(of.edge_width, 4),
    )
    yield facet("noise", f"{of.noise:.1f} of 255", noise=round(of.noise, 2))
    yield facet("detail", _detail(of), texture=round(of.texture, 3))
    whole = _whole(of, width_mm)
    if starved and not whole.remedy:
        told = f"{whole.told}, if {ENOUGH_RATE:g} pictures came in a second"
        whole = replace(whole, told=told, is_judged=False)
    yield whole


def advice(of: Fitness) -> list[Advice]:
    """What to mend, first things first; not what can't be judged before another is mended."""
    faults, behind = _by_side(of)
    told = [fault for fault in of.faults if faults[_REMEDIES[fault][0]] is fault]
    return [
        Advice(fault, _SAID[fault], _REMEDIES[fault][1])
        for fault in told
        if _REMEDIES[fault][0] not in behind
    ]


def _by_side(of: Fitness) -> tuple[dict[str, Fault], dict[str, Fault]]:
    """The first fault of each side of a view, and the fault that each other side waits for."""
    faults = {_REMEDIES[fault][0]: fault for fault in reversed(of.faults)}
    behind = {name: fault for fault in reversed(of.faults) for name in _BEHIND.get(fault, ())}
    if of.condition is CameraCondition.TOO_SMALL:
        behind = dict.fromkeys(_BEHIND_ALL, Fault.SMALL)
    return faults, behind


def _pictures(of: Fitness) -> str:
    wide, high = of.size
    if of.condition is CameraCondition.FROZEN:
        return of.reason
    told = f"{of.frames_per_s:.1f} a second, looked at as {wide} x {high}"
    if of.condition is CameraCondition.TOO_SMALL:
        told += f", and less than {LEAST_WIDTH} x {LEAST_HEIGHT} shows too little to watch by"
    return told


def _sharpness(of: Fitness) -> str:
    """Two measures, because each knows a blur that the other doesn't."""
    if of.edge_width is None:
        return "no edge in view to tell it by"
    told = f"edges {figures.percent(of.edge_width)} of the picture wide, blurred from "
    told += f"{figures.percent(WIDE_EDGE)} on"
    if of.sharpness is not None:
        told += f"; fine detail {of.sharpness:.2f} of coarser, blurred below {BLURRED_RATIO:g}"
    return told


def _detail(of: Fitness) -> str:
    match of.condition:
        case CameraCondition.MOVED:
            return of.reason
        case CameraCondition.COVERED if Fault.COVERED in of.faults:
            return "almost nothing is to be seen: the lens seems to be covered"
    return f"enough to see smoke by in {figures.percent(of.texture)} of the picture"


def _whole(of: Fitness, width_mm: float | None) -> Facet:
    """What the fire watch makes of it."""
    flame, smoke = of.flame_width, of.smoke_hidden
    shown: list[str] = []
    if flame is not None:
        size = f"{figures.percent(flame)} of its width"
        if width_mm is not None:
            size += f" ({figures.height(flame * width_mm)} where that is {width_mm:g} mm)"
        shown.append(f"a flame from {size} on")
    if smoke is not None:
        shown.append(
            f"smoke that hides {figures.percent(smoke)} of contrast over a tenth of it, in"
            f" {figures.percent(of.smoke_share)} of its places"
        )
    told = f"could show {figures.row(shown)}" if shown else "could show neither flame nor smoke"
    if len(shown) == 1:
        told += f", but no {'flame' if flame is None else 'smoke'}"
    measured = {
        "flame_width": None if flame is None else round(flame, 4),
        "flame_share": round(of.flame_share, 3),
        "smoke_hidden": None if smoke is None else round(smoke, 4),
        "smoke_share": round(of.smoke_share, 3),
    }
    if of.condition is not CameraCondition.FIT:
        now, _, _ = VIEW[of.condition]
        told = f"{now[:1].lower()}{now[1:]}; {told}"
    remedy = ""
    if of.condition is not CameraCondition.FIT or flame is None or smoke is None:
        remedy = f"see to its {_REMEDIES[of.faults[0]][0]} first" if of.faults else "look at it"
    return Facet("", told, remedy, measured)
