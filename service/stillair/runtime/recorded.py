"""Replay of files: readings, video, chamber file."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from stillair.alarms.figures import clock
from stillair.errors import InputError
from stillair.runtime.plans import replay_plan, vision_plan
from stillair.runtime.replay import Row, Seen, replay, usual_intervals_s
from stillair.thermal.table import ReadingTable, open_table
from stillair.watch import Watch

if TYPE_CHECKING:
    from stillair.config import ChamberSettings

Note = Callable[[str], None]
Progress = Callable[[str, float], None]  # what is being done, and its share from 0 to 1

T = TypeVar("T")
ROWS_A_WORD = 20_000
USUAL_PER_S = 15.0  # pictures a second that a camera's are looked at, unless set otherwise
ALIKE_S = 5.0  # a video that is no shorter by more goes with all of the readings
HEAD_ROWS = 10  # by which it is known how far apart readings are


def replay_files(
    readings: Path | None,
    *,
    chamber: Path | None = None,
    video: Path | None = None,
    video_start_s: float = 0.0,
    progress: Progress | None = None,
    note: Note | None = None,
) -> Iterator[str]:
    """Yield the JSON lines of recorded input; see `replay`.

    A plain file of readings is checked to its end first, so that a broken one
    yields nothing. `note` is told at the end what of the readings a shorter video
    doesn't cover. Raises `InputError` or `SettingsError`.
    """
    settings = None
    if chamber is not None:
        from stillair.config import load_chamber  # with it pydantic: 0.15 s

        settings = load_chamber(chamber, replay=True)
    sights = _sights(video, video_start_s, settings) if video is not None else ()
    filmed = video is not None
    if readings is None:
        plan = replace(replay_plan((), settings), camera=filmed)
        yield from replay(Watch(plan), (), (), sights)
        return
    size_bytes = readings.stat().st_size if readings.is_file() else 0
    if size_bytes:
        with open_table(readings) as table:
            for _ in _told(table, size_bytes, "checking", progress):
                pass
    of_video, of_rows = _Span(), _Span()
    with open_table(readings) as table:
        rows = of_rows.of(_told(table, size_bytes, "watching", progress))
        head = list(islice(rows, HEAD_ROWS))
        plan = replay_plan(table.sensors, settings, usual_intervals_s(table.sensors, head))
        yield from replay(
            Watch(replace(plan, camera=filmed)),
            table.sensors,
            chain(head, rows),
            of_video.of(sights),
        )
    if note and filmed and (left_out := of_video.leaves_out(of_rows)):
        note(left_out)


@dataclass(slots=True)
class _Span:
    """From when to when something came; seconds of the recording."""

    first_s: float = math.inf
    last_s: float = -math.inf

    def of(self, timed: Iterable[tuple[float, T]]) -> Iterator[tuple[float, T]]:
        """The same, noting its times."""
        for t_s, what in timed:
            self.first_s, self.last_s = min(self.first_s, t_s), max(self.last_s, t_s)
            yield t_s, what

    def leaves_out(self, rows: _Span) -> str:
        """What to say where a video of this span leaves out some of the readings."""
        if self.last_s < self.first_s or rows.last_s < rows.first_s:
            return ""  # nothing came, which is told elsewhere
        if self.first_s - rows.first_s <= ALIKE_S and rows.last_s - self.last_s <= ALIKE_S:
            return ""
        return (
            f"The video shows {clock(self.first_s)} to {clock(self.last_s)} of the readings' "
            f"{clock(rows.first_s)} to {clock(rows.last_s)}: outside of it no camera watched."
        )


def _told(
    table: ReadingTable, size_bytes: int, doing: str, progress: Progress | None
) -> Iterator[Row]:
    """The rows, with a word on how far they are now and then."""
    for number, row in enumerate(table.rows(), start=1):
        if progress and size_bytes and number % ROWS_A_WORD == 0:
            progress(doing, table.position_bytes / size_bytes)
        yield row


def _sights(video: Path, start_s: float, settings: ChamberSettings | None) -> Iterator[Seen]:
    """Each frame's time, and what is seen in it where a live camera would have handed it on."""
    from stillair.fire.sparing import Sparing, as_it_is  # OpenCV only when there is a video
    from stillair.fire.vision import Vision
    from stillair.sensing.camera_video import frames_of
    from stillair.sensing.cameras import Pacer

    if not video.is_file():
        raise InputError(f"{video}: there is no such file")
    camera = settings.camera if settings else None
    looks = Sparing(Vision(vision_plan(camera)), as_it_is)
    pacer = Pacer(camera.frames_per_s if camera else USUAL_PER_S)
    for t_s, picture in frames_of(video):
        at_s = round(start_s + t_s, 3)  # more is nobody's clock
        yield at_s, looks.take(at_s, picture) if pacer.due(t_s) else None
