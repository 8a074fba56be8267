"""Replay of files: readings, video, chamber file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from stillair.config import load_chamber
from stillair.errors import InputError
from stillair.runtime.plans import replay_plan
from stillair.runtime.replay import Picture, replay
from stillair.thermal.table import check_table, open_table
from stillair.watch import Watch


def replay_files(
    readings: Path | None,
    *,
    chamber: Path | None = None,
    video: Path | None = None,
    video_start_s: float = 0.0,
) -> Iterator[str]:
    """Yield the JSON lines of recorded input; see `replay`.

    A plain file of readings is checked to its end first, so that a broken one
    yields nothing. Raises `InputError` or `SettingsError`.
    """
    settings = load_chamber(chamber, replay=True) if chamber is not None else None
    pictures = _pictures(video, video_start_s) if video is not None else ()
    if readings is None:
        yield from replay(Watch(replay_plan((), settings)), (), (), pictures)
        return
    if readings.is_file():
        check_table(readings)
    with open_table(readings) as table:
        watch = Watch(replay_plan(table.sensors, settings))
        yield from replay(watch, table.sensors, table.rows(), pictures)


def _pictures(video: Path, start_s: float) -> Iterator[Picture]:
    from stillair.sensing.camera_video import frames_of  # OpenCV only when there is a video

    if not video.is_file():
        raise InputError(f"{video}: there is no such file")
    for t_s, grey in frames_of(video):
        yield start_s + t_s, grey
