"""What a hall has to tell its people of, from all that it hears: alarms, reach, what fails of it.

It is asked by one thread at a time, under the lock of whoever has the mirror.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, tzinfo
from typing import Final

from stillair.alarms.catalogue import is_danger
from stillair.errors import CommandRefused, Refusal
from stillair.hall.matters import (
    OF_HALL,
    OWN,
    alarm_matter,
    hall_matter,
    misread_matter,
    reach_matter,
)
from stillair.hall.mirror import Heard, Mirror, Reach
from stillair.hall.telling import SETTLED_S, Telling, Told
from stillair.model import JsonValue, Kind, Notice
from stillair.model.duties import SeenMatter
from stillair.storage.items import label

log = logging.getLogger(__name__)

BROKER: Final = "broker"
STORE: Final = "database"
LATE: Final = "late"
SLOW: Final = (BROKER, STORE, LATE)  # which may be well again before anybody has come
TOLD_AFTER_S: Final = 60.0  # a broker or database that is started anew is back by then
WELL_S: Final = 60.0  # who is back for a moment, again and again, is not well
ON_ITS_WAY_S: Final = 15.0  # an alarm that comes after the word on all that stand
OFF_THE_PAGE: Final = "It was taken off the hall's page."


class HallTelling:
    """Hand what there is to be told of to `Telling`, and remember since when it is so.

    Parameters
    ----------
    hall : str
        What people call it.
    zone : tzinfo, optional
        Of the times in messages; the machine's own without.
    """

    def __init__(
        self, hall: str, telling: Telling, mirror: Mirror, zone: tzinfo | None = None
    ) -> None:
        self._hall = hall
        self._zone = zone
        self._telling = telling
        self._mirror = mirror
        self._told_reach: set[str] = set()
        self._told_misread: set[str] = set()
        self._since: dict[tuple[Kind, str], tuple[float, str]] = {}  # of what fails
        self._failed_s: dict[tuple[Kind, str], float] = {}  # when it last did
        self._begun_s: float | None = None

    @property
    def people(self) -> int:
        """How many are told."""
        return len(self._telling.people)

    def restored(
        self, told: Iterable[Told], now_s: float, at: datetime, seen: Iterable[SeenMatter]
    ) -> None:
        """Know what was told before a restart, the oldest first, and what was seen."""
        self._telling.restored(told, now_s, at, seen)
        stands = set(self._telling.stands())
        for matter in self._telling.unheard():
            name = matter.id
            with suppress(ValueError):
                if not name.startswith(OWN):
                    own = name.partition(".")[2]
                    key, danger = name.rpartition("-")[0], is_danger(matter.kind)
                    self._mirror.expect(key, now_s, alarm=own, danger=danger)
                elif not name.startswith(OF_HALL):
                    self._mirror.expect(name.partition(" ")[2], now_s)
        self._told_reach = {matter.removeprefix("reach ") for matter in stands}
        self._told_misread = {matter.removeprefix("misread ") for matter in stands}

    @property
    def seen(self) -> tuple[SeenMatter, ...]:
        """What stands of the hall's own and somebody has seen."""
        return tuple(self._telling.seen.values())

    def see(self, matter: str, *, by: str, now_s: float) -> None:
        """Somebody has seen it. Raises `CommandRefused` (unknown)."""
        if not self._telling.see(matter, by=by, now_s=now_s):
            raise CommandRefused(Refusal.UNKNOWN, "There is no such alarm of the hall.")

    def shown(self, matter: str) -> dict[str, JsonValue]:
        """By which id something can be seen that people are told of, and who has."""
        seen = self._telling.seen.get(matter)
        return {
            "alarm": matter if self._telling.tells(matter) else None,
            "seen_by": seen.by if seen else None,
        }

    def since(self, kind: Kind, subject: str) -> str | None:
        """Since when something of the hall itself fails."""
        found = self._since.get((kind, subject))
        return found[1] if found else None

    def heard(self, of: Heard, kind: str, name: str, now_s: float, at: datetime) -> list[Notice]:
        """A board has said something of this kind."""
        if kind == "alarms" and (held := of.alarms.get(name)) is not None:
            return self._telling.consider(alarm_matter(of, held.alarm, name), now_s, at)
        return self._reach(of, now_s, at) if kind == "watch" else []

    def dropped(self, now_s: float, at: datetime) -> list[Notice]:
        """Alarms that are over."""
        notices: list[Notice] = []
        for of, name in self._mirror.dropped:
            notices += self._telling.consider(alarm_matter(of, None, name), now_s, at)
        self._mirror.dropped.clear()
        for of in self._mirror.left:
            for matter in (reach_matter(of, now_s), misread_matter(of)):
                left = replace(matter, active=False, text=OFF_THE_PAGE)
                notices += self._telling.consider(left, now_s, at)
            self._told_reach.discard(of.key)
            self._told_misread.discard(of.key)
        self._mirror.left.clear()
        return notices

    def chambers(self, now_s: float, at: datetime) -> list[Notice]:
        """Who is out of reach, or sends what nobody understands, by now."""
        notices: list[Notice] = []
        for of in self._mirror.chambers.values():
            try:
                notices += self._of_chamber(of, now_s, at)
            except Exception:  # one board keeps nobody from being told of the others
                log.exception("hall: %s can't be told of", of.key)
        return notices

    def _of_chamber(self, of: Heard, now_s: float, at: datetime) -> list[Notice]:
        notices: list[Notice] = []
        if of.is_out_of_reach or of.key in self._told_reach:
            notices += self._reach(of, now_s, at)
        if of.misread or (of.key in self._told_misread and of.now is not None):
            told = self._told_misread
            (told.add if of.misread else told.discard)(of.key)
            notices += self._telling.consider(misread_matter(of), now_s, at)
        return notices

    def own(self, failing: dict[tuple[Kind, str], str], now_s: float, at: datetime) -> list[Notice]:
        """What fails of the hall itself, or works again."""
        notices: list[Notice] = []
        self._failed_s.update(dict.fromkeys(failing, now_s))
        for kind, subject in [each for each in self._since if each not in failing]:
            well_s = now_s - self._failed_s[kind, subject]
            if subject in SLOW and well_s < WELL_S:
                continue
            del self._since[kind, subject], self._failed_s[kind, subject]
            over = hall_matter(self._hall, subject, kind, "it works again", active=False)
            notices += self._telling.consider(over, now_s, at)
        for (kind, subject), reason in failing.items():
            begun = (now_s, label(at.timestamp()))
            begun_s, _ = self._since.setdefault((kind, subject), begun)
            patient = TOLD_AFTER_S if subject in SLOW else 0.0
            if now_s - begun_s >= patient:
                matter = hall_matter(self._hall, subject, kind, reason, active=True)
                notices += self._telling.consider(matter, now_s, at)
        return notices

    def due(self, now_s: float, at: datetime) -> list[Notice]:
        """Time passes: the next people are told."""
        if self._begun_s is None:
            self._begun_s = now_s
        notices: list[Notice] = []
        if now_s - self._begun_s > SETTLED_S:
            notices += self._ended_meanwhile(now_s, at)
        return notices + self._telling.tick(now_s, at)

    def _ended_meanwhile(self, now_s: float, at: datetime) -> list[Notice]:
        """What was told before the start is over once a board says so, or what failed works."""
        notices: list[Notice] = []
        for told in self._telling.unheard():
            if told.id.startswith(OF_HALL):
                subject = told.id.removeprefix(OF_HALL)
                if all(subject != fails for _, fails in self._since):
                    why = "it has not failed again since this hall was started"
                    over = hall_matter(self._hall, subject, told.kind, why, active=False)
                    notices += self._telling.consider(over, now_s, at)
            elif not told.id.startswith(OWN):
                of = self._mirror.chambers.get(told.id.rpartition("-")[0])
                own = told.id.partition(".")[2]
                if of is not None and _says_over(of, own, now_s):
                    notices += self._telling.consider(alarm_matter(of, None, own), now_s, at)
        return notices

    def _reach(self, of: Heard, now_s: float, at: datetime) -> list[Notice]:
        stopped = f" at {self._when(of.watch_at, at)}" if of.watch_at else ""
        matter = reach_matter(of, now_s, stopped)
        if matter.active:
            self._told_reach.add(of.key)
        elif of.is_out_of_reach or of.key not in self._told_reach:
            return []
        elif of.reach is Reach.HEARD and not of.is_live:
            return []  # what the broker has kept of a board may be all that is left of it
        else:
            self._told_reach.discard(of.key)
        return self._telling.consider(matter, now_s, at)

    def _when(self, then: str, at: datetime) -> str:
        """A label in the hall's zone: the hour, and the day unless that is today."""
        local = datetime.fromisoformat(then).astimezone(self._zone)
        day = "" if local.date() == at.astimezone(self._zone).date() else f" on {local:%Y-%m-%d}"
        return f"{local:%H:%M}{day}"


def _says_over(of: Heard, alarm: str, now_s: float) -> bool:
    """Whether a board that is heard names all that stands there, and not this alarm."""
    if of.now is None or of.now_s is None or of.reach not in (Reach.HEARD, Reach.ENDED):
        return False
    settled = now_s - of.now_s > ON_ITS_WAY_S
    return settled and alarm not in of.alarms and alarm not in of.now.standing
