"""Replay of files: readings, video, chamber file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.errors import InputError
from stillair.runtime.plans import replay_plan, vision_plan
from stillair.runtime.replay import Row, Seen, replay, usual_intervals_s
from stillair.thermal.table import ReadingTable, open_table
from stillair.watch import Watch

if TYPE_CHECKING:
    from stillair.config import ChamberSettings

Progress = Callable[[str, float], None]  # what is being done, and its share from 0 to 1

ROWS_A_WORD = 20_000
USUAL_PER_S = 15.0  # pictures a second that a camera's are looked at, unless set otherwise
HEAD_ROWS = 10  # by which it is known how far apart readings are


def replay_files(
    readings: Path | None,
    *,
    chamber: Path | None = None,
    video: Path | None = None,
    video_start_s: float = 0.0,
    progress: Progress | None = None,
) -> Iterator[str]:
    """Yield the JSON lines of recorded input; see `replay`.

    A plain file of readings is checked to its end first, so that a broken one
    yields nothing. Raises `InputError` or `SettingsError`.
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
    with open_table(readings) as table:
        rows = _told(table, size_bytes, "watching", progress)
        head = list(islice(rows, HEAD_ROWS))
        plan = replay_plan(table.sensors, settings, usual_intervals_s(table.sensors, head))
        yield from replay(
            Watch(replace(plan, camera=filmed)), table.sensors, chain(head, rows), sights
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
    from stillair.fire.vision import Vision  # OpenCV only when there is a video
    from stillair.sensing.camera_video import frames_of
    from stillair.sensing.cameras import Pacer

    if not video.is_file():
        raise InputError(f"{video}: there is no such file")
    camera = settings.camera if settings else None
    vision = Vision(vision_plan(camera))
    pacer = Pacer(camera.frames_per_s if camera else USUAL_PER_S)
    for t_s, picture in frames_of(video):
        at_s = round(start_s + t_s, 3)  # more is nobody's clock
        yield at_s, vision.update(at_s, picture) if pacer.due(t_s) else None
