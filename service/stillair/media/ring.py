"""The last seconds of a camera's pictures, as JPEG in memory, within a bound of bytes."""

from __future__ import annotations

import math
import threading
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillair.media.marking import as_jpeg, shrunk
from stillair.model import Sign

SPAN_S = 30.0  # before what is shown a film begins
LATE_S = 4.0  # of the machine's time: who keeps what it shows has come round by then
EVERY_S = 0.5
KEEN_S = 4.0  # of what is so new nothing is thinned out as long as there is anything older
RING_BYTES = 8 * 2**20  # of one camera; 68 pictures of 120 kB, or of larger ones fewer and as far
SHOT_BYTES = 400_000  # a source's larger pictures are made smaller
LEAST_SHOTS = 4  # of a chamber played fast the last few stay, however old by its time
SIGNS = 32


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture at one instant of the chamber's time."""

    t_s: float
    jpeg: bytes


class FrameRing:
    """Hold about two pictures a second of the last 34 s, and the newest signs seen in them.

    Filled by the camera's reading thread, which nobody holds up: what is asked
    copies references under a lock. A picture is encoded only when it is due. Where
    pictures are large or come fast the older ones lie further apart, and reach as far back.

    Parameters
    ----------
    span_s, every_s : float
        How far back it reaches and how far apart pictures are, in the chamber's time, s.
    most_bytes : int
        Never more than this is held.
    """

    def __init__(
        self,
        *,
        span_s: float = SPAN_S + LATE_S,
        every_s: float = EVERY_S,
        most_bytes: int = RING_BYTES,
    ) -> None:
        if not (span_s > 0.0 and every_s > 0.0 and most_bytes > 0):
            raise ValueError("span, spacing and bytes of the ring must be above 0")
        self._span_s = span_s
        self._every_s = every_s
        self._most_bytes = most_bytes
        self._lock = threading.Lock()
        self._shots: deque[Shot] = deque()
        self._bytes = 0
        self._signs: deque[Sign] = deque(maxlen=SIGNS)
        self._next_s = -math.inf

    def take(
        self,
        t_s: float,
        *,
        jpeg: bytes | None = None,
        pixels: NDArray[np.uint8] | None = None,
        signs: tuple[Sign, ...] = (),
    ) -> None:
        """Take a picture as the camera's own JPEG or as pixels, `uint8`, BGR or grey.

        Called with every picture; it is left out where one was taken just before,
        except that one with a sign in it never is.
        """
        if signs:
            with self._lock:
                self._signs.extend(signs)
        if t_s < self._next_s and self._next_s - t_s <= self._every_s and not signs:
            return
        if jpeg is not None and len(jpeg) > SHOT_BYTES:
            jpeg = shrunk(jpeg)
        elif jpeg is None and pixels is not None:
            jpeg = as_jpeg(pixels)
        if jpeg is None or len(jpeg) > self._most_bytes:
            return
        self._next_s = t_s + self._every_s
        with self._lock:
            self._shots.append(Shot(t_s, jpeg))
            self._bytes += len(jpeg)
            while len(self._shots) > LEAST_SHOTS and t_s - self._shots[0].t_s > self._span_s:
                self._drop(0)
            while self._bytes > self._most_bytes:
                self._drop(self._least_missed(t_s))

    def _drop(self, place: int) -> None:
        self._bytes -= len(self._shots[place].jpeg)
        del self._shots[place]

    def _least_missed(self, t_s: float) -> int:
        """Which of the older pictures leaves the shortest gap; the oldest where there are none."""
        shots = list(self._shots)
        older = [n for n in range(1, len(shots) - 1) if t_s - shots[n].t_s > KEEN_S]
        return min(older, key=lambda n: shots[n + 1].t_s - shots[n - 1].t_s, default=0)

    def forget(self) -> None:
        """Let go of every picture, and of what was seen in it."""
        with self._lock:
            self._shots.clear()
            self._signs.clear()
            self._bytes = 0

    @property
    def held_bytes(self) -> int:
        """How much is held now."""
        with self._lock:
            return self._bytes

    def shots(self, from_s: float = -math.inf, to_s: float = math.inf) -> list[Shot]:
        """The pictures of a stretch of time, oldest first."""
        with self._lock:
            return [shot for shot in self._shots if from_s <= shot.t_s <= to_s]

    def nearest(self, t_s: float) -> Shot | None:
        """The picture nearest to an instant, None while there is none."""
        with self._lock:
            return min(self._shots, key=lambda shot: abs(shot.t_s - t_s), default=None)

    def newest_s(self) -> float:
        """When the newest picture was taken; minus infinity before the first."""
        with self._lock:
            return self._shots[-1].t_s if self._shots else -math.inf

    def signs(self, names: frozenset[str], from_s: float, to_s: float) -> list[Sign]:
        """What was seen in a stretch of time, oldest first."""
        with self._lock:
            return [s for s in self._signs if s.name in names and from_s <= s.t_s <= to_s]
