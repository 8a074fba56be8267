"""Real clips with a catalogue, watched like scenes: what was told of each, and was it there."""

from __future__ import annotations

import csv
import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from bench.fire_score import Frame, Heard, listen
from stillair.errors import InputError
from stillair.sensing.camera_video import frames_of
from stillair.sensing.cameras import Pacer

FRAMES_PER_S = 15.0


@dataclass(frozen=True, slots=True)
class Clip:
    """One row of a catalogue."""

    path: Path
    flame: bool
    smoke: bool
    onset_s: float
    indoor: bool

    @property
    def named_for_tuning(self) -> bool:
        """Whether rules may be tuned on it: by its name alone, so it is for ever."""
        return hashlib.sha256(self.path.name.encode()).digest()[0] % 2 == 0


@dataclass(frozen=True, slots=True)
class ClipScore:
    """What was told of a clip; `error` where it can't be read."""

    clip: Clip
    heard: Heard | None
    error: str = ""

    def told(self, *kinds: str) -> bool:
        return self.after_s(*kinds) is not None

    def after_s(self, *kinds: str) -> float | None:
        """How long after the onset one of these kinds was told."""
        if self.heard is None:
            return None
        at_s = self.heard.first(kinds, self.clip.onset_s - 0.5)
        return None if at_s is None else at_s - self.clip.onset_s


def catalogue(folder: Path) -> list[Clip]:
    """The clips of a folder, by its `catalogue.csv` of file, flame, smoke, onset_s, indoor."""
    with (folder / "catalogue.csv").open(newline="") as stream:
        return [
            Clip(
                folder / row["file"],
                row["flame"] == "1",
                row["smoke"] == "1",
                float(row["onset_s"] or 0.0),
                row["indoor"] == "1",
            )
            for row in csv.DictReader(stream)
        ]


def by_set(folders: Iterable[Path]) -> dict[tuple[str, str], list[Clip]]:
    """The clips of all folders by folder and set, each recording once.

    The same recording under another name is for tuning if one of its names is.
    """
    clips = [(folder, clip) for folder in folders for clip in catalogue(folder)]
    names: dict[bytes, list[Clip]] = defaultdict(list)
    for _, clip in clips:
        names[_digest(clip.path)].append(clip)
    found: dict[tuple[str, str], list[Clip]] = defaultdict(list)
    for folder, clip in clips:
        same = names[_digest(clip.path)]
        if clip is same[0]:
            tuned = any(each.named_for_tuning for each in same)
            found[folder.name, "tuning" if tuned else "reporting"].append(clip)
    return dict(found)


def _digest(path: Path) -> bytes:
    if not path.is_file():  # told when it is watched
        return str(path).encode()
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").digest()


def watch_clip(clip: Clip) -> ClipScore:
    """Play one clip to a new watch."""
    try:
        return ClipScore(clip, listen(paced(clip.path)))
    except InputError as error:
        return ClipScore(clip, None, str(error))


def paced(path: Path) -> Iterator[Frame]:
    """The pictures of a clip as often as a camera's are looked at."""
    pacer = Pacer(FRAMES_PER_S)
    for t_s, picture in frames_of(path):
        if pacer.due(t_s):
            yield t_s, picture
