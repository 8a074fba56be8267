"""Make a film of pictures: VP8 in WebM, in which second 30 is the thirtieth second.

`python -m stillair.media.clips` reads one question as JSON from standard input and
writes a line of JSON to standard output: how long the film is, or why there is none.
It is a program of its own because encoding takes long and pictures are decoded by
foreign code: what crashes it, or eats memory, hurts no watch.

A film of events has one rate; a picture stays for as long as it was the newest. Where
none came any more the film says since when. A time-lapse shows each of its pictures once,
of very many some that lie evenly apart. Into both the time of day is written, and whether
any of it is real.
"""

from __future__ import annotations

import errno
import json
import math
import os
import resource
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.errors import InputError
from stillair.media.cutting import Paused, evenly
from stillair.media.files import FILM_BYTES
from stillair.media.ring import Shot
from stillair.media.spool import shots

CLIP, TIME_LAPSE = "clip", "time_lapse"
RATE_PER_S = 4.0  # pictures come twice a second, so none is late by more than an eighth
LAPSE_PER_S = 10.0
SHORT_LAPSE_PER_S = 5.0  # of few pictures
FEW = 60
FEWEST = 5  # pictures of a time-lapse
CARD_S = 2.0
STALE_S = 5.0
WIDEST_PX, NARROWEST_PX = 1280, 64
MOST_PIXELS = 20_000_000
MEMORY_BYTES = 1_500_000_000  # of addresses
NICE = 15
ENVIRONMENT = {
    "OPENCV_FFMPEG_CAPTURE_OPTIONS": "protocol_whitelist;file",  # not the service's own, of streams
    "OPENCV_IO_MAX_IMAGE_PIXELS": str(MOST_PIXELS),
    "OPENCV_LOG_LEVEL": "SILENT",
    "OPENBLAS_NUM_THREADS": "1",
}
CAPTIONS = {"simulated": "Simulated", "recorded": "Recorded"}
WHITE, DARK = (255, 255, 255), (30, 30, 30)

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """The film to be made; instants in the seconds of the pictures.

    `word` tells that nothing in it is real, or that it is not now.
    """

    spool: str
    to: str
    part: str
    start_s: float
    end_s: float
    zero_s: float  # seconds since the epoch of instant 0
    zone: str | None = None
    word: str = ""
    paused: tuple[Paused, ...] = ()

    def question(self) -> str:
        """As the program reads it."""
        return json.dumps(asdict(self))


@dataclass(frozen=True, slots=True)
class Made:
    """A film that is there: from when to when, how long it runs, how large it is."""

    start_s: float
    end_s: float
    length_s: float
    size_bytes: int


def made(wanted: Wanted) -> Made:
    """Make a film. Raises `InputError` where there is nothing to show, and `OSError`."""
    to = Path(wanted.to)
    part = to.with_suffix(f".{os.getpid()}.part")
    try:
        with Path(wanted.spool).open("rb") as file:
            places = None
            if wanted.part == TIME_LAPSE:
                places = frozenset(evenly([shot.t_s for shot in shots(file)]))
                file.seek(0)
            shown = (shot for n, shot in enumerate(shots(file)) if places is None or n in places)
            rate_per_s = RATE_PER_S if places is None else _lapse_rate_per_s(len(places))
            start_s, end_s, length_s = _write(part, wanted, shown, rate_per_s)
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        size_bytes = part.stat().st_size
        part.replace(to)
    finally:
        part.unlink(missing_ok=True)
    return Made(start_s, end_s, length_s, size_bytes)


def _lapse_rate_per_s(pictures: int) -> float:
    return SHORT_LAPSE_PER_S if pictures < FEW else LAPSE_PER_S


def _write(
    part: Path, wanted: Wanted, taken: Iterator[Shot], rate_per_s: float
) -> tuple[float, float, float]:
    """Write all of it; returns from when, to when, and how long it runs."""
    sound = ((shot.t_s, pixels) for shot in taken if (pixels := _pixels(shot.jpeg)) is not None)
    first = next(sound, None)
    if first is None:
        raise InputError("no picture of it can be shown")
    size = _size(first[1])
    clock = _Clock(wanted.zero_s, wanted.zone, wanted.word)
    # What OpenCV chooses for itself may follow what a name ends with.
    writer = cv2.VideoWriter()
    film = part.with_suffix(".webm")
    frames = 0
    start_s = first[0] if wanted.part == TIME_LAPSE else max(first[0], wanted.start_s)
    end_s = start_s
    try:
        writer.open(str(film), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"VP80"), rate_per_s, size)
        if not writer.isOpened():
            raise InputError("this computer's OpenCV makes no VP8")
        pictures = _chain(first, sound)
        shown = (
            _lapse(pictures, wanted, size, clock, rate_per_s)
            if wanted.part == TIME_LAPSE
            else _clip(pictures, wanted, size, clock, rate_per_s)
        )
        for t_s, picture in shown:
            writer.write(picture)
            frames += 1
            end_s = max(end_s, t_s)
        writer.release()
        if _frames_in(film) != frames:
            # OpenCV says nothing of a disk that took no more.
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        film.replace(part)
    finally:
        writer.release()
        film.unlink(missing_ok=True)
    return start_s, end_s, frames / rate_per_s


def _clip(
    pictures: Iterator[tuple[float, Picture]],
    wanted: Wanted,
    size: tuple[int, int],
    clock: _Clock,
    rate_per_s: float,
) -> Iterator[tuple[float, Picture]]:
    """Each instant of the stretch with the picture that was the newest then."""
    t_s, pixels = next(pictures)
    start_s = max(t_s, wanted.start_s)
    fitted = _fitted(pixels, size)
    coming = next(pictures, None)
    count = max(1, math.ceil((wanted.end_s - start_s) * rate_per_s))
    for number in range(count):
        now_s = start_s + number / rate_per_s
        newest = None
        while coming is not None and coming[0] <= now_s + 0.5 / rate_per_s:
            newest, coming = coming, next(pictures, None)
        if newest is not None:
            t_s, fitted = newest[0], _fitted(newest[1], size)
        stale = now_s - t_s > STALE_S
        words = clock.said(t_s, "no picture since ") if stale else clock.said(now_s)
        yield min(now_s + 1.0 / rate_per_s, wanted.end_s), _captioned(fitted, words)
    for begun_s, over_s in wanted.paused:
        if begun_s >= start_s:
            yield from _cards(clock, (begun_s, over_s), size, rate_per_s, start_s)


def _lapse(
    pictures: Iterator[tuple[float, Picture]],
    wanted: Wanted,
    size: tuple[int, int],
    clock: _Clock,
    rate_per_s: float,
) -> Iterator[tuple[float, Picture]]:
    """Each picture once, and a card for each time at which the camera was paused."""
    pauses = sorted(wanted.paused, key=lambda paused: paused[0])
    for t_s, pixels in pictures:
        while pauses and pauses[0][0] <= t_s:
            yield from _cards(clock, pauses.pop(0), size, rate_per_s, t_s)
        yield t_s, _captioned(_fitted(pixels, size), clock.said(t_s, day=True))
    for paused in pauses:
        yield from _cards(clock, paused, size, rate_per_s, paused[0])


def _cards(
    clock: _Clock, paused: Paused, size: tuple[int, int], rate_per_s: float, t_s: float
) -> Iterator[tuple[float, Picture]]:
    begun_s, over_s = paused
    until = "" if over_s is None else f" to {clock.time(over_s)}"
    card = np.full((size[1], size[0], 3), DARK, np.uint8)
    _words(card, f"Camera paused from {clock.time(begun_s)}{until}", size[1] // 2)
    card = _captioned(card, clock.word)
    for _ in range(round(CARD_S * rate_per_s)):
        yield t_s, card


class _Clock:
    """Say what time of day an instant was, and whether the pictures are real."""

    def __init__(self, zero_s: float, zone: str | None, word: str) -> None:
        self._zero_s = zero_s
        self._zone: tzinfo | None = ZoneInfo(zone) if zone else None
        self.word = word

    def time(self, t_s: float) -> str:
        return f"{self._at(t_s):%H:%M:%S}"

    def said(self, t_s: float, before: str = "", *, day: bool = False) -> str:
        at = self._at(t_s)
        shown = f"{at:%Y-%m-%d %H:%M}" if day else f"{at:%Y-%m-%d %H:%M:%S}"
        return "  ".join(filter(None, (before + shown, self.word)))

    def _at(self, t_s: float) -> datetime:
        return datetime.fromtimestamp(self._zero_s + t_s, UTC).astimezone(self._zone)


def _captioned(picture: Picture, words: str) -> Picture:
    """A copy with words on a dark strip at its foot."""
    shown = picture.copy()
    if words:
        high = shown.shape[0]
        strip = shown[max(0, high - _strip_px(high)) :]
        strip[:] = strip // 4
        _words(shown, words, high - _strip_px(high) // 2)
    return shown


def _strip_px(high: int) -> int:
    return max(12, high // 20)


def _words(picture: Picture, words: str, middle_px: int) -> None:
    """White words in one line, as large as fits, about a height."""
    high, wide = picture.shape[:2]
    scale = _strip_px(high) * 0.6 / 22.0
    size, _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    scale *= min(1.0, (wide - 8) / max(1, size[0]))
    size, _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    place = 4, middle_px + size[1] // 2
    cv2.putText(picture, words, place, cv2.FONT_HERSHEY_SIMPLEX, scale, WHITE, 1, cv2.LINE_AA)


def _pixels(jpeg: bytes) -> Picture | None:
    """A picture in colour; None where it is broken, or larger than any camera's."""
    try:
        pixels = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:
        return None
    if pixels is None or min(pixels.shape[:2]) < 2:
        return None
    return np.asarray(pixels, np.uint8)


def _size(picture: Picture) -> tuple[int, int]:
    """Width and height of a film of such pictures: even, and not too large."""
    high, wide = picture.shape[:2]
    scale = min(1.0, WIDEST_PX / max(wide, high))
    return _even(wide * scale), _even(high * scale)


def _even(side_px: float) -> int:
    return max(NARROWEST_PX, round(side_px) // 2 * 2)


def _fitted(picture: Picture, size: tuple[int, int]) -> Picture:
    """A picture of any shape in a film's, with dark edges where the shapes differ."""
    high, wide = picture.shape[:2]
    if (wide, high) == size:
        return picture
    scale = min(size[0] / wide, size[1] / high)
    inner = max(1, min(size[0], round(wide * scale))), max(1, min(size[1], round(high * scale)))
    small = cv2.resize(picture, inner, interpolation=cv2.INTER_AREA)
    whole = np.full((size[1], size[0], 3), DARK, np.uint8)
    left, top = (size[0] - inner[0]) // 2, (size[1] - inner[1]) // 2
    whole[top : top + inner[1], left : left + inner[0]] = small
    return whole


def _frames_in(film: Path) -> int:
    """How many pictures of a film can be shown."""
    reader = cv2.VideoCapture(str(film), cv2.CAP_FFMPEG)
    try:
        count = 0
        while reader.grab():
            count += 1
        return count
    finally:
        reader.release()


def _chain(
    first: tuple[float, Picture], rest: Iterable[tuple[float, Picture]]
) -> Iterator[tuple[float, Picture]]:
    yield first
    yield from rest


def asked(question: str) -> Wanted:
    """What a question asks for. Raises `InputError`."""
    try:
        told: dict[str, Any] = json.loads(question)
        pauses: Sequence[Sequence[float | None]] = told.pop("paused")
        paused = tuple((float(begun_s), over_s) for begun_s, over_s in pauses)  # type: ignore[arg-type]
        return Wanted(**told, paused=paused)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise InputError(f"that is no question: {error}") from None


def main() -> int:
    """One question in, one answer out."""
    with suppress(OSError, ValueError):
        os.nice(NICE)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_FSIZE, (FILM_BYTES, FILM_BYTES))
    with suppress(OSError):  # where memory runs out this goes, and never who watches
        Path("/proc/self/oom_score_adj").write_text("1000", "ascii")
    cv2.setNumThreads(1)
    try:
        answer: dict[str, object] = asdict(made(asked(sys.stdin.read())))
    except InputError as error:
        answer = {"refused": str(error)}
    except OSError as error:
        answer = {"disk": error.strerror or type(error).__name__}
    sys.stdout.write(json.dumps(answer) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
