"""Exposure, white balance and focus of a device, held as its own automatic found them.

What adapts itself hides what changes: an automatic exposure takes back a fire's light, a
white balance its colour, and a focus that hunts blurs as smoke does.

Course. After each opening all three are automatic until the picture has settled. Then each
value that the automatic found is read, the automatic is switched off, the value set again
and read back, one control with each picture. If the picture then has another brightness than
before, the device did not tell the exposure that it really had: it is tried once more, then
the exposure is left automatic. In the dark nothing is held, because an exposure for the dark
would be blind in the light. When the light has changed for minutes, exposure and white
balance are let go, settle and are held anew, at most every ten minutes. A fire is told long
before; and brightness that wavers as its does lets nothing go.

Controls that a device does not have, or refuses, are left alone. Nothing here raises.

Values are what V4L2 means by them; the video library hands them on as they are, or, where
its environment asks for that, as shares of their range: 1 and 3 (manual, automatic) become
0.25 and 0.75.
"""

from __future__ import annotations

import logging
import math
import statistics
from collections import deque
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

import cv2

from stillair.fire.light import is_dark
from stillair.sensing.pictures import small_gray
from stillair.sensing.protocols import Frame

log = logging.getLogger(__name__)

MEASURE_EVERY_S = 1.0
SETTLE_S, LONGEST_SETTLE_S = 4.0, 20.0
STEADY = 1.06  # largest by smallest brightness of the last four
SAME = 1.3  # brightness held by brightness found
CHANGED = 1.35  # of the light, either way
WAVERS = 1.15  # within what is the same changed light
LASTING_S = 120.0
LET_GO_EVERY_S = 600.0
FOOT = 4.0  # of 255, added to brightnesses so that the ratio of two dim ones says something
NEAR = 0.1  # of the value set, which a device may round
NONE = -1.0  # what the video library gives for a control that isn't there


T = TypeVar("T")
Steps = Generator[None, None, T]


class Controls(Protocol):
    """As `cv2.VideoCapture`."""

    def get(self, propId: int, /) -> float: ...  # noqa: N803 - as OpenCV names it

    def set(self, propId: int, value: float, /) -> bool: ...  # noqa: N803


@dataclass(frozen=True, slots=True)
class _Control:
    """One value of a device and what switches its automatic, with the ways to say so."""

    name: str
    switch: int
    value: int
    automatic: tuple[float, ...]
    manual: tuple[float, ...]


EXPOSURE = _Control(
    "exposure",
    cv2.CAP_PROP_AUTO_EXPOSURE,
    cv2.CAP_PROP_EXPOSURE,
    # V4L2_EXPOSURE_APERTURE_PRIORITY is what most cameras mean by automatic, then _AUTO
    automatic=(3.0, 0.75, 0.0),
    manual=(1.0, 0.25),
)
BALANCE = _Control(
    "white balance", cv2.CAP_PROP_AUTO_WB, cv2.CAP_PROP_WB_TEMPERATURE, (1.0,), (0.0,)
)
FOCUS = _Control("focus", cv2.CAP_PROP_AUTOFOCUS, cv2.CAP_PROP_FOCUS, (1.0,), (0.0,))
CONTROLS = (EXPOSURE, BALANCE, FOCUS)


class Holding:
    """Hold what a device adapts; call `after` with each of its pictures, in the same thread.

    Parameters
    ----------
    capture : Controls
        The opened device.
    source : str
        The device's name, for the log.
    """

    def __init__(self, capture: Controls, source: str) -> None:
        self._capture = capture
        self._source = source
        self._now_s = 0.0
        self._measured_s: float | None = None
        self._brightness: float | None = None  # of the picture in hand, if it was measured
        self._dark = False
        self._held: dict[str, float] = {}
        self._left: dict[str, str] = {}  # why, by name
        self._done = False
        self._said = ""
        self._course: Steps[None] | None = self._run()

    @property
    def is_settling(self) -> bool:
        """Whether it is still to be seen what can be held."""
        return self._course is not None and not self._done and not self._dark

    def describe(self) -> str:
        """What is held at which value, and what isn't and why, as one clause."""
        held = [f"{name} held at {value:g}" for name, value in list(self._held.items())]
        left = [f"{name} not held ({why})" for name, why in list(self._left.items())]
        if not self._done:
            return "nothing held in the dark" if self._dark else "nothing held yet"
        free = [c.name for c in CONTROLS if c.name not in {**self._held, **self._left}]
        return ", ".join([*held, *left, *(f"{name} adapts itself just now" for name in free)])

    def after(self, frame: Frame, now_s: float) -> None:
        """Do the next step after a picture; `now_s` is the machine's time."""
        if self._course is None:
            return
        try:
            self._now_s = now_s
            self._measure(frame)
            next(self._course)
        except StopIteration:
            self._course = None
        except Exception as error:  # whatever a device does, its pictures are watched
            self._course = None
            log.warning("camera %s: holds nothing any more: %r", self._source, error)

    def _measure(self, frame: Frame) -> None:
        self._brightness = None
        if self._measured_s is not None and self._now_s - self._measured_s < MEASURE_EVERY_S:
            return
        gray = small_gray(frame)
        if gray is not None:
            self._measured_s = self._now_s
            self._brightness = float(gray.mean())
            self._dark = is_dark(gray, was_dark=self._dark)

    # --- the course: each `yield` waits for the next picture ---

    def _run(self) -> Steps[None]:
        yield from self._release(CONTROLS)
        wanted = [c for c in CONTROLS if c.name not in self._left]
        let_go_s = -math.inf
        while True:
            reference = yield from self._hold(wanted)
            self._done = True
            self._say()
            wanted = [c for c in (EXPOSURE, BALANCE) if c.name in self._held]
            if not wanted:
                return
            other = yield from self._other_light(reference, let_go_s + LET_GO_EVERY_S)
            let_go_s = self._now_s
            log.warning(
                "camera %s: the light has changed for good (brightness %.0f, was %.0f of 255);"
                " adapts itself to it and holds that",
                self._source,
                other,
                reference,
            )
            yield from self._release(wanted)

    def _release(self, controls: Sequence[_Control]) -> Steps[None]:
        """Have the device adapt these by itself."""
        for control in controls:
            self._held.pop(control.name, None)
            there = self._get(control.switch) is not None
            if not (yield from self._switch(control, control.automatic)):
                self._left[control.name] = "it can't be switched" if there else "there is none"

    def _hold(self, controls: Sequence[_Control]) -> Steps[float]:
        """Hold these as they are once the picture is settled; return its brightness then."""
        for try_again in (True, False):
            found = yield from self._settle()
            for control in controls:
                if control.name not in self._left:
                    yield from self._hold_one(control)
            now = yield from self._next_brightness()
            if EXPOSURE.name not in self._held or _ratio(found, now) <= SAME:
                return now
            # what it told was not the exposure that the picture had
            controls = (EXPOSURE,)
            yield from self._release(controls)
            if not try_again:
                self._left[EXPOSURE.name] = "the one told is not the one it had"
        return (yield from self._next_brightness())

    def _hold_one(self, control: _Control) -> Steps[None]:
        found = self._get(control.value)
        if found is None:
            self._left[control.name] = "it is not told"
            return
        if not (yield from self._switch(control, control.manual, found)):
            yield from self._switch(control, control.automatic)
            self._left[control.name] = "its automatic can't be switched off"
            return
        held = self._get(control.value)
        if held is None or abs(held - found) > NEAR * max(1.0, abs(found)):
            yield from self._switch(control, control.automatic)
            self._left[control.name] = "it takes no value"
            return
        self._held[control.name] = held

    def _switch(
        self, control: _Control, modes: Sequence[float], value: float | None = None
    ) -> Steps[bool]:
        """Put a control into the first of these modes that the device takes, and at `value`."""
        for mode in modes:
            if not self._set(control.switch, mode):
                continue
            if value is not None:
                self._set(control.value, value)
            yield
            now = self._get(control.switch)
            if now is not None and abs(now - mode) < 0.1:
                return True
        return False

    def _settle(self) -> Steps[float]:
        """Wait until it is light and the picture steady; return its brightness."""
        since_s = self._now_s
        seen: deque[float] = deque(maxlen=4)
        while True:
            yield
            if self._brightness is None:
                continue
            if self._dark:
                since_s = self._now_s
                seen.clear()
                continue
            seen.append(self._brightness)
            took_s = self._now_s - since_s
            steady = len(seen) == 4 and _ratio(max(seen), min(seen)) <= STEADY
            if took_s >= LONGEST_SETTLE_S or (took_s >= SETTLE_S and steady):
                return seen[-1]

    def _next_brightness(self) -> Steps[float]:
        """The brightness of the next seconds, of which a picture may still be an old one."""
        seen: list[float] = []
        while len(seen) < 3:
            yield
            if self._brightness is not None:
                seen.append(self._brightness)
        return statistics.median(seen)

    def _other_light(self, reference: float, not_before_s: float) -> Steps[float]:
        """Wait until the light has been another one for minutes; return its brightness."""
        first, since_s = reference, math.inf
        while True:
            yield
            now = self._brightness
            if now is None:
                continue
            if self._dark or _ratio(now, reference) < CHANGED:
                since_s = math.inf
            elif since_s == math.inf or _ratio(now, first) > WAVERS:
                first, since_s = now, self._now_s
            elif self._now_s - since_s >= LASTING_S and self._now_s >= not_before_s:
                return now

    def _say(self) -> None:
        said = self.describe()
        if said != self._said:
            self._said = said
            log.info("camera %s: %s", self._source, said)

    def _get(self, key: int) -> float | None:
        try:
            value = self._capture.get(key)
        except Exception:  # as good as a control that isn't there
            return None
        return value if math.isfinite(value) and value != NONE else None

    def _set(self, key: int, value: float) -> bool:
        try:
            return bool(self._capture.set(key, value))
        except Exception:
            return False


def _ratio(one: float, other: float) -> float:
    """How much brighter the brighter of the two is."""
    return (max(one, other) + FOOT) / (min(one, other) + FOOT)
