"""What a person needs to judge an event in one look, and what they say of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from stillair.errors import CommandRefused, Refusal
from stillair.media.judging import (
    Ignoring,
    Saw,
    ignored_by,
    others_in,
    said,
    saw_in,
    saw_kept,
    together,
)
from stillair.media.marking import regions_of
from stillair.model import Detail, EventJudged, Kind, Outcome
from stillair.runtime.chamber import Chamber
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.storage.writer import JournalWriter

STORED_S = 1.0  # how long an answer waits to be able to say "stored"
BY_CAMERA = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE})


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of one event: what the camera saw, the pictures, and what was said of it."""

    kind: Kind
    saw: str
    signs: tuple[Saw, ...]
    pictures: tuple[Item, ...]
    judged: Item | None
    ignoring: tuple[Ignoring, ...]  # once it was judged to be nothing
    warning: str


@dataclass(frozen=True, slots=True)
class Said:
    """A word on an event has been taken: what would have ignored it, and whether it is stored."""

    ignoring: tuple[Ignoring, ...]
    warning: str
    stored: bool


@dataclass(frozen=True, slots=True)
class _Known:
    kind: Kind
    job: str | None
    details: tuple[Detail, ...]
    stands: bool


class Judging:
    """Put together what there is of an event, and take a person's word on it.

    Every method raises `CommandRefused` (unknown) for an event that never was,
    and `StoreError`. A word changes no setting and clears no alarm; but when smoke that the
    camera tells is said to be nothing, the camera takes what it sees for its scene, for
    smoke stays told as long as the scene is another one.
    """

    def __init__(
        self,
        *,
        history: History,
        writer: JournalWriter,
        chambers: Callable[[], Iterable[Chamber]],
    ) -> None:
        self._history = history
        self._writer = writer
        self._chambers = chambers

    def evidence(self, key: str, event: int) -> Evidence:
        """All that is kept of one event."""
        known = self._known(key, event)
        pictures = tuple(self._history.pictures().of_event(key, event))
        signs = _signs(known, pictures)
        words = self._history.of_event(key, event, "judgement")
        judged = words[-1].body if words else None
        ignoring, warning = (
            _ignoring(self._chamber(key), known, signs)
            if judged and judged["false"] is True and self._is_watched(key)
            else ((), "")
        )
        return Evidence(known.kind, said(signs), signs, pictures, judged, ignoring, warning)

    async def judge(self, key: str, event: int, *, false: bool, note: str, by: str) -> Said:
        """Keep that an event was nothing, or that it was so, and who said it."""
        chamber = self._chamber(key)
        known = await asyncio.to_thread(self._known, key, event)
        pictures = await asyncio.to_thread(self._history.pictures().of_event, key, event)
        t_s = chamber.clock.now_s()
        judged = EventJudged(event, known.kind, t_s, false, note, by, known.job)
        self._writer.put(Outcome(key, t_s, judgements=(judged,)), chamber.labels.timeline())
        signs = _signs(known, pictures)
        smoke = known.kind is not Kind.FLAME and any(saw.sign == "smoke" for saw in signs)
        if false and known.stands and smoke and chamber.camera is not None:
            chamber.camera.begin_anew()
        stored = await asyncio.to_thread(self._writer.flush, STORED_S)
        ignoring, warning = _ignoring(chamber, known, signs) if false else ((), "")
        return Said(ignoring, warning, stored)

    def _is_watched(self, key: str) -> bool:
        return any(chamber.key == key for chamber in self._chambers())

    def _chamber(self, key: str) -> Chamber:
        for chamber in self._chambers():
            if chamber.key == key:
                return chamber
        raise CommandRefused(Refusal.UNKNOWN, "There is no such chamber.")

    def _known(self, key: str, event: int) -> _Known:
        """The event with all that its changes told; also one that isn't stored yet."""
        changes = [entry.body for entry in self._history.of_event(key, event, "event")]
        details = [body["detail"] for body in changes if isinstance(body["detail"], Mapping)]
        # A chamber that isn't watched here has none: what is known of it was brought in.
        views = [each.supervisor.view for each in self._chambers() if each.key == key]
        standing = next((e for view in views for e in view.events if e.event == event), None)
        if standing is not None:
            return _Known(standing.kind, standing.job, (*details, standing.detail), stands=True)
        if not changes:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such event.")
        job = changes[-1]["job"]
        return _Known(
            Kind(str(changes[-1]["kind"])), str(job) if job else None, tuple(details), stands=False
        )


def _signs(known: _Known, pictures: Iterable[Item]) -> tuple[Saw, ...]:
    """What was seen by an event's own word and by that of its pictures, one of each sign."""
    seen = [saw for detail in known.details for saw in saw_in(detail)]
    return tuple(together([*seen, *(saw for item in pictures for saw in saw_kept(item))]))


def _ignoring(
    chamber: Chamber, known: _Known, signs: tuple[Saw, ...]
) -> tuple[tuple[Ignoring, ...], str]:
    """What would have ignored it; nothing for what the camera didn't tell."""
    if known.kind not in BY_CAMERA:
        return (), ""
    camera = chamber.settings.camera
    others = sorted({sense for detail in known.details for sense in others_in(detail)})
    already = regions_of(camera.ignore) if camera else []
    found, warning = ignored_by(signs, already=already, others=others)
    return tuple(found), warning
