"""The thread that keeps one camera read, has its pictures looked at, and tells what is seen.

The reading thread may hang in a driver for as long as that driver likes:
`check`, called from another thread every second, still tells that no picture
comes. Silence is never taken for a calm chamber.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable

from stillair.clock import Clock, SystemClock
from stillair.errors import CameraError
from stillair.fire.sparing import Looks, Sparing
from stillair.fire.vision import Sight
from stillair.model import CameraCondition, CameraState, Movement, Sign
from stillair.sensing.pictures import encoded, narrower, working_picture
from stillair.sensing.protocols import Camera, Frame

log = logging.getLogger(__name__)

LOST_AFTER_S = 5.0
PAUSE_POLL_S = 0.25  # of the machine's time: how soon a camera looks again
FIRST_WITHIN_S = 10.0  # a device or a stream may take some seconds to begin
TELL_EVERY_S = 10.0
BACK_OFF_S = (0.5, 1.0, 2.0, 4.0)  # from one try to the next; the last leaves 1 s of 5 to connect
LEAST_PAUSE_S = 0.1
STOP_S = 0.9


class CameraLoop:
    """Read a camera in a thread of its own; keep the latest frame; tell what is seen.

    What has to be looked at (`Sparing`) is decoded to a small picture, and that is done before
    the next frame is asked for: while that takes long, frames are left out, never queued. One
    that can't be decoded counts as none. Lost: no frame for 5 s, or the first one for
    10 s, both by the chamber's clock and by the machine's, so that a chamber played
    fast doesn't lose a camera that is real; or it can't be opened, and trying again won't
    help. At a start its device may still be another process's and its stream not begun, so
    what fails before the first picture has those 10 s as well. All other conditions are the
    vision's.

    Paused, the camera is closed, no picture that came is kept here or by who took it, and that
    is told as a condition of its own until the chamber's time is up or somebody lets it go on.

    Parameters
    ----------
    camera : Camera
        Not yet opened; from `start` on only the loop uses it.
    clock : Clock
        The chamber's.
    vision : Looks
        Looks at the pictures, in the reading thread, at their times by the chamber's clock.
    tell : takes the camera's condition, at each change and every 10 s, and each sign and movement
        Called from two threads, conditions one at a time; must not block.
    on_frame : takes each frame with what was seen in it, in the reading thread
        If it fails, watching goes on.
    on_pause : lets go of every frame that was taken, from any thread; must not block
    machine_clock : Clock
        The machine's own, for everything that costs or waits for hardware.
    """

    def __init__(
        self,
        camera: Camera,
        clock: Clock,
        vision: Looks,
        tell: Callable[[CameraState | Sign | Movement], None],
        on_frame: Callable[[Frame, Sight], None] | None = None,
        *,
        on_pause: Callable[[], None] = lambda: None,
        machine_clock: Clock | None = None,
    ) -> None:
        self._camera = camera
        self._clock = clock
        self._machine = machine_clock or SystemClock()
        self._looks: Sparing[Frame] = Sparing(vision, working_picture)
        self._tell_watch = tell
        self._on_frame = on_frame
        self._on_pause = on_pause
        self._thread = threading.Thread(
            target=self._run, name=f"camera {camera.source}", daemon=True
        )
        self._stopping = threading.Event()
        self._anew = threading.Event()  # somebody has said that the scene is as it is
        self._looked_s = -math.inf  # the time of the newest picture that was looked at
        self._unkept = False  # who takes frames has failed
        self._failures = 0  # openings in a row that gave no sound frame
        self._lock = threading.RLock()  # everything below
        self._frame: Frame | None = None
        self._frame_s = clock.now_s()  # the chamber's time
        self._frame_machine_s = 0.0
        self._view: Sight | None = None  # of the newest picture; None before the first
        self._trouble = ""
        self._hopeless = False  # of that, whether trying again won't help
        self._back_s = -math.inf  # when pictures came again after a loss
        self._told: CameraState | None = None
        self._paused: tuple[float, float, str] | None = None  # since, until, reason
        self._jpegs: dict[int | None, bytes] = {}  # of one frame, by width
        self._jpegs_of: Frame | None = None
        self._encoding = threading.Lock()  # whoever waits for it keeps nobody who looks or reads

    def start(self) -> None:
        """Begin to read. Call once."""
        self._frame_s = self._clock.now_s()
        self._frame_machine_s = self._machine.now_s()
        self._thread.start()

    def stop(self) -> None:
        """End reading and close the camera, within 1 s even if a driver hangs; safe twice.

        A driver that doesn't come back keeps its thread, which ends with the process.
        """
        self._stopping.set()
        if self._thread.ident is None:
            return
        # closing wakes a reader that waits; in a thread, because it may hang as well
        threading.Thread(target=self._close, name="camera closing", daemon=True).start()
        self._thread.join(STOP_S)

    def check(self, t_s: float) -> None:
        """Tell what has to be told at the chamber's time `t_s`; called every second."""
        with self._lock:
            self._tell(t_s)

    def begin_anew(self) -> None:
        """What is seen from now on is the scene; from any thread, at the next picture."""
        self._anew.set()

    def pause(self, until_s: float, reason: str) -> None:
        """Take no pictures until the chamber's time `until_s`; what was taken last is let go."""
        with self._lock:
            now_s = self._clock.now_s()
            since_s = self._paused[0] if self._paused else now_s
            self._paused = since_s, until_s, reason
            self._frame = self._view = self._jpegs_of = None
            self._jpegs.clear()
            self._tell(now_s)
        self._looks.forget()
        self._on_pause()

    def go_on(self) -> None:
        """Look again; harmless if it isn't paused."""
        with self._lock:
            if self._paused is not None:
                self._paused = None
                self._trouble = ""
                self._failures = 0
                self._frame_s, self._frame_machine_s = self._clock.now_s(), self._machine.now_s()

    @property
    def paused_until_s(self) -> float | None:
        """The chamber's time at which it looks again, None if it isn't paused."""
        with self._lock:
            return None if self._paused is None else self._paused[1]

    def latest(self) -> Frame | None:
        """The newest sound frame there ever was."""
        with self._lock:
            return self._frame

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        started = self._thread.ident is not None
        return self._stopping.is_set() or not started or self._thread.is_alive()

    @property
    def is_starting(self) -> bool:
        """Whether its first picture is still due: none has come, and it isn't told as lost."""
        with self._lock:
            lost = self._told is not None and self._told.condition is CameraCondition.LOST
            return self._frame is None and not (lost or self._trouble) and self._paused is None

    def age_s(self) -> float | None:
        """How old the newest sound frame is; None where there is none."""
        frame = self.latest()
        return None if frame is None else max(0.0, self._clock.now_s() - frame.t_s)

    def latest_jpeg(self, width: int | None = None) -> tuple[bytes, float] | None:
        """The newest sound frame as JPEG, at most so wide, and its age in seconds.

        Encoded once for all who ask, when first asked; ask for few different widths.
        """
        with self._encoding:
            with self._lock:
                frame = self._frame
            if frame is None:
                return None
            jpeg = self._encoded(frame, None)
            if jpeg is not None and width is not None:
                jpeg = self._encoded(frame, width, jpeg)
        return None if jpeg is None else (jpeg, max(0.0, self._clock.now_s() - frame.t_s))

    def _encoded(self, frame: Frame, width: int | None, whole: bytes = b"") -> bytes | None:
        """The frame as JPEG, or `whole`, which is it, made no wider than that."""
        with self._lock:
            if self._jpegs_of is not frame:
                self._jpegs.clear()
            known = self._jpegs.get(width)
        if known is not None:
            return known
        jpeg = encoded(frame) if width is None else narrower(whole, width)
        with self._lock:
            if self._paused is not None or jpeg is None:
                return None
            self._jpegs[width], self._jpegs_of = jpeg, frame
        return jpeg

    def _is_paused(self) -> bool:
        return self.paused_until_s is not None

    def _run(self) -> None:
        while not self._stopping.is_set():
            began_s = self._machine.now_s()
            if self._is_paused():
                self._machine.wait(began_s + PAUSE_POLL_S, self._stopping)
                continue
            hopeless = False
            try:
                self._camera.open()
                self._read()
            except CameraError as error:
                hopeless = not error.retry
                why = "; ".join(filter(None, (error.reason, error.remedy)))
                self._note_trouble(why, hopeless=hopeless)
            except Exception as error:  # whatever a driver does wrong, the watching goes on
                self._note_failure("its driver failed", error)
            self._close()
            self._looks.forget()
            pause_s = BACK_OFF_S[-1 if hopeless else min(self._failures, len(BACK_OFF_S) - 1)]
            self._failures += 1
            again_s = max(began_s + pause_s, self._machine.now_s() + LEAST_PAUSE_S)
            self._machine.wait(again_s, self._stopping)

    def _read(self) -> None:
        """Take frames until told to stop or pause. Raises `CameraError` when there are no more."""
        while not self._stopping.is_set() and not self._is_paused():
            frame = self._camera.grab()
            if self._is_paused():
                return  # it was under way when somebody wanted no more
            sight = self._look(frame)
            if sight is None:
                continue
            if not self._keep(frame, sight):
                return
            for seen in (*sight.signs, sight.movement):
                if seen is not None:
                    self._tell_watch(seen)
            self._hand_on(frame, sight)

    def _look(self, frame: Frame) -> Sight | None:
        """What is seen in the frame; None when it can't be decoded.

        Raises `CameraError` when looking fails: then nobody looks at its pictures.
        """
        t_s = max(self._looked_s, frame.t_s)
        try:
            if self._anew.is_set():
                self._anew.clear()
                self._looks.begin_anew()
            sight = self._looks.take(t_s, frame)
        except Exception as error:
            self._looked_s = t_s
            reason = self._note_failure("its pictures can't be examined", error)
            raise CameraError(self._camera.source, reason, retry=True) from error
        if sight is None:
            self._note_trouble("sends pictures that can't be decoded")
            return None
        self._looked_s = t_s
        if self._is_paused():
            self._looks.forget()  # it was on its way there when somebody wanted no more
        return sight

    def _hand_on(self, frame: Frame, sight: Sight) -> None:
        if self._on_frame is None:
            return
        try:
            self._on_frame(frame, sight)
            self._unkept = False
            if self._is_paused():
                self._on_pause()  # it was on its way there when somebody wanted no more
        except Exception as error:  # whoever takes frames holds up no watching
            if not self._unkept:
                log.warning("camera %s: a frame was not taken", self._camera.source, exc_info=error)
            self._unkept = True

    def _keep(self, frame: Frame, sight: Sight) -> bool:
        """Take a frame as the newest; False if meanwhile somebody wants none."""
        self._failures = 0
        with self._lock:
            if self._paused is not None:
                return False
            self._frame, self._view = frame, sight
            self._frame_s, self._frame_machine_s = self._clock.now_s(), self._machine.now_s()
            self._trouble = ""
            self._tell(self._frame_s)
        return True

    def _note_trouble(self, reason: str, *, hopeless: bool = False) -> None:
        if self._stopping.is_set():
            return
        with self._lock:
            self._trouble, self._hopeless = reason, hopeless
            self._tell(self._clock.now_s())

    def _note_failure(self, what: str, error: Exception) -> str:
        """Note a fault of the program itself as well; logged once while it lasts."""
        reason = f"{what} ({type(error).__name__})"
        if reason != self._trouble:
            log.warning("camera %s: %s: %s", self._camera.source, what, error, exc_info=error)
        self._note_trouble(reason)
        return reason

    def _tell(self, t_s: float) -> None:
        """Tell the condition if it has changed or wasn't told for 10 s. Needs the lock."""
        if self._paused is not None and t_s >= self._paused[1]:
            self.go_on()
        view = self._view
        silent = min(t_s - self._frame_s, self._machine.now_s() - self._frame_machine_s)
        longest_s = FIRST_WITHIN_S if self._frame is None else LOST_AFTER_S
        begins = self._looked_s == -math.inf and not self._hopeless
        if silent >= longest_s or (self._frame is None and self._trouble and not begins):
            never = (
                "no picture has come yet" if self._frame is None else "no picture comes any more"
            )
            view = Sight(t_s, CameraCondition.LOST, self._frame_s, self._trouble or never)
        if self._paused is not None:
            view = Sight(t_s, CameraCondition.PAUSED, self._paused[0], self._paused[2])
        if view is None:
            return
        told = self._told
        if told is not None and told.condition in (CameraCondition.LOST, CameraCondition.PAUSED):
            self._back_s = t_s
        since_s = view.since_s
        if view.condition is CameraCondition.FIT:
            since_s = max(since_s, self._back_s)  # fit pictures before the loss don't count
        if told is not None:
            t_s = max(t_s, told.t_s)  # two threads tell, and their instants may cross
            # a view's reason may hold figures that change with every picture
            lost = view.condition in (CameraCondition.LOST, CameraCondition.PAUSED)
            same = view.condition is told.condition and (not lost or view.reason == told.reason)
            if same and t_s - told.t_s < TELL_EVERY_S:
                return
        self._told = CameraState(t_s, view.condition, since_s, view.reason)
        self._tell_watch(self._told)

    def _close(self) -> None:
        try:
            self._camera.close()
        except Exception as error:
            log.warning("camera %s did not close: %r", self._camera.source, error)
