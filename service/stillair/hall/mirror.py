"""All chambers of a hall as their boards have told them: bounded, pure, told the time.

    topic, payload ──> Mirror.take ──> one chamber's state, with a new number
                       Mirror.tick ──> who has not been heard for long is out of reach

A chamber is known by the first message that can be understood. What can't, or says that it is of
another chamber than its topic, costs only itself: it is counted, and shown as that chamber's.

The alarms that a board has told of come one by one. `now` names all of them that stand, so that
an alarm whose message was lost on its way is noticed, as is one that ended while nobody heard.

Silence ends nothing: what stood when a board was last heard stands until it says otherwise, and a
chamber that an earlier process knew is there (`expect`), out of reach until it is heard. One that
was heard before the broker was away, or of which it has kept something, is awaited for a minute:
not calm, whatever it was, until its board speaks itself.
"""

from __future__ import annotations

import math
from collections import Counter, OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from pydantic import ValidationError

from stillair.hall.harmless import harmless, instant
from stillair.hall.messages import (
    ENDED,
    SILENT,
    STUCK,
    ActedMessage,
    Alarm,
    AlarmMessage,
    NowMessage,
    State,
    WatchMessage,
)
from stillair.hall.names import (
    BOARD,
    KEY,
    MOST_CHAMBERS,
    MOST_OF_BOARD,
    chamber_of,
    in_hall,
    plain,
)

MOST_ALARMS: Final = 60  # of one chamber
MOST_BYTES: Final = 64 * 2**20  # of all that is held, as it came
LARGEST_BYTES: Final = {"watch": 4_096, "now": 32_768, "alarms": 16_384, "acted": 4_096}
UNHEARD_S: Final = 60.0  # a board says how it is every ten seconds
SETTLED_S: Final = 15.0  # an alarm that a later `now` doesn't name is over
MISREAD_S: Final = 600.0  # for so long it is shown that something was not understood
COUNTED_S: Final = 3_600.0  # so long after the last it is shown what nobody sent or had room for
CALM_PHASES: Final = ("cold", "cool_enough")
MOST_GONE: Final = 500  # chambers taken out, of which pages are told

_MODELS: Final[dict[str, type[WatchMessage | NowMessage | AlarmMessage | ActedMessage]]] = {
    "watch": WatchMessage,
    "now": NowMessage,
    "alarms": AlarmMessage,
    "acted": ActedMessage,
}


class Reach(StrEnum):
    """Whether a chamber's board is heard."""

    HEARD = "heard"
    SILENT = "silent"  # its connection broke off
    STUCK = "stuck"  # a loop of its watch doesn't come round
    UNHEARD = "unheard"  # it says nothing, though its connection stands
    ENDED = "ended"  # its service was stopped


class Standing(StrEnum):
    """How a chamber is, in the order in which people want to see them."""

    DANGER = "danger"
    ALARM = "alarm"
    OUT_OF_REACH = "out_of_reach"
    HEED = "heed"  # no alarm, and not calm either
    BUILDING = "building"
    CALM = "calm"
    ENDED = "ended"


@dataclass(slots=True)
class Held:
    """An alarm, and when it came."""

    alarm: Alarm
    heard_s: float
    size: int


@dataclass(slots=True)
class Heard:
    """One chamber as its board has told it; read by whoever shows it and tells of it."""

    key: str
    board: str
    chamber: str
    name: str = ""
    place: str = ""  # where its board is, in words
    simulated: bool = False
    watch: State | None = None
    watch_at: str | None = None
    now: NowMessage | None = None
    alarms: dict[str, Held] = field(default_factory=dict)
    lacking: tuple[str, ...] = ()  # alarms that stand there and never came here
    is_feared: bool = False  # a danger stood there before this process, and it wasn't heard since
    now_s: float | None = None  # when it first said here how it is
    live_s: float | None = None  # when it last spoke itself, and not the broker for it
    heard_s: float = 0.0  # the hall's own seconds
    is_live: bool = False  # it has spoken since the broker was reached, not only what is kept there
    reach: Reach = Reach.HEARD
    reach_s: float = 0.0  # since when it is so, the hall's own seconds
    misread: int = 0
    misread_why: str = ""
    misread_s: float = -math.inf
    revision: int = 0
    sizes: dict[str, int] = field(default_factory=dict)

    @property
    def standing(self) -> Standing:
        """What it is sorted and filtered by."""
        live = self._live
        tone = self.now.tone if self.now is not None else ""
        danger = tone == "danger" or any(alarm.signal_class == "alarm" for alarm in live)
        if danger or self.is_feared:
            return Standing.DANGER
        if self.is_out_of_reach:
            return Standing.OUT_OF_REACH
        if self.reach is Reach.ENDED:
            return Standing.ENDED
        if tone in ("caution", "trouble") or live or self.lacking or self.now is None:
            return Standing.ALARM
        if not self.now.calm or not self.now.whole or self.misread or self.is_awaited:
            return Standing.HEED
        return Standing.BUILDING if self.now.job is not None else Standing.CALM

    @property
    def is_settling(self) -> bool:
        """Whether it is not calm only as it is too soon to say that it is steady."""
        now = self.now
        if self.standing is not Standing.HEED or now is None or self.misread or self.is_awaited:
            return False
        return now.whole and now.phase == "unknown" and not now.sub  # which says all else

    @property
    def _live(self) -> list[Alarm]:
        return [held.alarm for held in self.alarms.values() if held.alarm.suppression == "none"]

    @property
    def is_out_of_reach(self) -> bool:
        """Whether nobody knows how it is, though that would matter."""
        if self.reach is Reach.ENDED:
            return bool(self.stopped_while)
        return self.reach is not Reach.HEARD

    @property
    def is_awaited(self) -> bool:
        """Whether all that is known of it is what the broker kept, or from before it was away."""
        return self.reach is Reach.HEARD and not self.is_live

    @property
    def is_expected(self) -> bool:
        """Whether only an earlier process has heard of it."""
        return not self.sizes

    @property
    def stopped_while(self) -> str:
        """What went on when its service was stopped, in a clause; "" where that was calm.

        Who stopped it isn't known: the power switch of a machine does it as well.
        """
        if self.reach is not Reach.ENDED:
            return ""
        if self._live or self.lacking or self.is_feared:
            return "an alarm stood there"
        if self.now is not None and self.now.job is not None:
            return "a job ran there"
        hot = self.now is not None and self.now.phase not in CALM_PHASES
        return "the chamber was not known to be cold" if hot else ""

    @property
    def last_at(self) -> str | None:
        """When it last said how it was, by its own clock."""
        return instant(self.now.at) if self.now is not None else self.watch_at


class Mirror:
    """All chambers, by their keys. For one thread at a time.

    `revision` grows with every change, and is the newest chamber's. It begins above all that an
    earlier process can have come to (`begun`, say microseconds since the epoch), so that a page
    that asks on from there gets everything.
    """

    def __init__(
        self,
        *,
        begun: int = 0,
        most_chambers: int = MOST_CHAMBERS,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self.revision = begun
        self.jobs = 0  # how often a job has begun, or become another one's state
        self.strangers = 0  # messages of nobody that is known, of late
        self.refused = 0  # messages for which there was no room, of late
        self.strangers_ever = self.refused_ever = 0
        self._strangers_s = self._refused_s = -math.inf  # the last of them
        self.chambers: dict[str, Heard] = {}
        self.dropped: list[tuple[Heard, str]] = []  # alarms that are over; for who takes them out
        self.left: list[Heard] = []  # chambers taken off the page; for who takes them out
        self._of_board: Counter[str] = Counter()
        self._gone: OrderedDict[str, int] = OrderedDict()
        self._forgotten = begun  # the newest of those taken out that nobody can be told of any more
        self._most_chambers = most_chambers
        self._most_bytes = most_bytes
        self._bytes = 0

    # --- what comes ---------------------------------------------------------------------

    def take(
        self, topic: str, payload: bytes, now_s: float, *, kept: bool = False
    ) -> Heard | ActedMessage | None:
        """Take a message; `topic` without the hall's prefix. `kept`: the broker had it.

        Gives the chamber that has become another, a board's answer to an order, or None.
        """
        parts = topic.split("/")
        if len(parts) not in (3, 4) or not (BOARD.fullmatch(parts[0]) and KEY.fullmatch(parts[1])):
            self._strange(now_s)
            return None
        (board, chamber, kind), name = parts[:3], parts[3] if len(parts) == 4 else ""
        is_named = bool(KEY.fullmatch(name)) if kind == "alarms" else not name
        if kind not in LARGEST_BYTES or not is_named:
            self._strange(now_s)
            return None
        key = in_hall(board, chamber)
        known = self.chambers.get(key)
        if not payload:
            return self._emptied(known, kind, name, now_s)
        try:
            told = self._read(known, key, parts, payload, now_s)
        except ValueError as error:
            if known is None:
                self._strange(now_s)
                return None
            return self.misread(known, f"{kind}: {_why(error)}", now_s)
        if isinstance(told, Heard):
            self._heard(told, now_s, kept=kept)
        return told

    def expect(
        self,
        key: str,
        now_s: float,
        *,
        name: str = "",
        place: str = "",
        simulated: bool = False,
        alarm: str = "",
        danger: bool = False,
    ) -> None:
        """An earlier process knew this chamber: it is out of reach until it is heard.

        `alarm` is one that people were told of and that isn't over. Raises `ValueError` for no
        chamber's name.
        """
        board, chamber = chamber_of(key)
        of = self.chambers.get(key)
        if of is None:
            if not self._has_room(board):
                return
            of = Heard(key, board, chamber, heard_s=-math.inf, reach_s=now_s, reach=Reach.UNHEARD)
            self._enter(of)
        if of.now is None:
            of.name = of.name or plain(name[:80])
            of.place = of.place or plain(place[:80])
            of.simulated = of.simulated or (simulated and of.is_expected)
            of.is_feared = of.is_feared or danger
            is_new = alarm and alarm not in (*of.lacking, *of.alarms)
            if is_new and len(of.lacking) < MOST_ALARMS:
                of.lacking = (*of.lacking, alarm)
        self._changed(of)

    def misread(self, of: Heard, why: str, now_s: float, count: int = 1) -> Heard:
        """Messages of a chamber could not be understood, here or where its past is taken."""
        of.misread += count
        of.misread_why, of.misread_s = why[:200], now_s
        return self._changed(of)

    def _read(
        self, known: Heard | None, key: str, parts: list[str], payload: bytes, now_s: float
    ) -> Heard | ActedMessage | None:
        """Raises `ValueError` for what can't be understood."""
        board, chamber, kind = parts[:3]
        if len(payload) > LARGEST_BYTES[kind]:
            raise ValueError(f"longer than {LARGEST_BYTES[kind]} bytes")
        told = _MODELS[kind].model_validate_json(payload)
        if (told.board, told.chamber) != (board, chamber):
            raise ValueError("it says that it is of another chamber")
        if isinstance(told, ActedMessage):
            if known is not None:
                self._heard(known, now_s)
            return told
        name = "/".join(parts[2:])
        of = known or Heard(key, board, chamber, heard_s=now_s, reach_s=now_s)
        has = of.sizes.get(name, 0)
        is_full = known is None and not self._has_room(board)
        if is_full or self._bytes + len(payload) - has > self._most_bytes:
            self._refuse(now_s)
            return None
        if isinstance(told, AlarmMessage):
            if told.alarm.id != parts[3]:
                raise ValueError("it says that it is another alarm")
            if parts[3] not in of.alarms and len(of.alarms) >= MOST_ALARMS:
                self._refuse(now_s)
                return None
            of.alarms[parts[3]] = Held(harmless(told.alarm), now_s, len(payload))
            of.lacking = tuple(each for each in of.lacking if each != parts[3])
        elif isinstance(told, WatchMessage):
            of.watch, of.watch_at = told.state, instant(told.at)
            of.name, of.place = plain(told.name[:80]), plain(told.place[:80])
        elif isinstance(told, NowMessage):
            self._take_now(of, harmless(told), now_s)
        of.simulated = told.simulated
        self._bytes += len(payload) - has
        of.sizes[name] = len(payload)
        if known is None:
            self._enter(of)
        return self._changed(of)

    def _has_room(self, board: str) -> bool:
        is_full = len(self.chambers) >= self._most_chambers
        return not is_full and self._of_board[board] < MOST_OF_BOARD

    def _enter(self, of: Heard) -> None:
        self.chambers[of.key] = of
        self._of_board[of.board] += 1
        self._gone.pop(of.key, None)

    def _strange(self, now_s: float) -> None:
        self.strangers += 1
        self.strangers_ever += 1
        self._strangers_s = now_s

    def _refuse(self, now_s: float) -> None:
        self.refused += 1
        self.refused_ever += 1
        self._refused_s = now_s

    def _take_now(self, of: Heard, told: NowMessage, now_s: float) -> None:
        before = of.now
        of.now, of.name, of.is_feared = told, told.name[:80], False
        of.now_s = now_s if of.now_s is None else of.now_s
        for name, held in list(of.alarms.items()):
            if name not in told.standing and now_s - held.heard_s > SETTLED_S:
                self._drop_alarm(of, name)
        of.lacking = tuple(each for each in told.standing[:MOST_ALARMS] if each not in of.alarms)
        if _job(before) != _job(told):
            self.jobs += 1

    def _emptied(self, known: Heard | None, kind: str, name: str, now_s: float) -> Heard | None:
        """A retained message was taken away: an alarm is over, or a chamber is no more."""
        if known is None:
            return None
        if kind == "alarms" and name in known.alarms:
            self._drop_alarm(known, name)
            self._heard(known, now_s)
            return self._changed(known)
        if kind == "alarms" and name in known.lacking:  # known of before this process
            known.lacking = tuple(each for each in known.lacking if each != name)
            self.dropped.append((known, name))
            return self._changed(known)
        if kind == "watch":
            self._forget(known)
        return None

    def _drop_alarm(self, of: Heard, name: str) -> None:
        del of.alarms[name]
        self.dropped.append((of, name))
        self._bytes -= of.sizes.pop(f"alarms/{name}", 0)

    def _forget(self, of: Heard) -> None:
        for name in (*of.alarms, *of.lacking):
            self.dropped.append((of, name))
        self.left.append(of)
        del self.chambers[of.key]
        self._of_board[of.board] -= 1
        self._bytes -= sum(of.sizes.values())
        self.revision += 1
        self._gone[of.key] = self.revision
        while len(self._gone) > MOST_GONE:
            _, self._forgotten = self._gone.popitem(last=False)

    # --- who is heard -----------------------------------------------------------------------

    def joined(self, now_s: float) -> None:
        """The broker is there again: who says nothing now has a minute to do so.

        But for who had said nothing before: of that one only its own word is news.
        """
        for of in self.chambers.values():
            of.is_live = False
            if of.sizes and of.reach is not Reach.UNHEARD:
                of.heard_s = max(of.heard_s, now_s)
            if of.reach not in (Reach.HEARD, Reach.ENDED):
                of.reach_s = now_s
            self._changed(of)

    def tick(self, now_s: float) -> list[Heard]:
        """See who has not been heard for long; gives those that are another than before."""
        changed = []
        if now_s - self._strangers_s > COUNTED_S:
            self.strangers = 0
        if now_s - self._refused_s > COUNTED_S:
            self.refused = 0
        for of in self.chambers.values():
            reach = self._reach(of, now_s)
            old = of.misread and now_s - of.misread_s > MISREAD_S
            if old:
                of.misread = 0
            if reach is not of.reach or old:
                self._set_reach(of, reach, now_s)
                changed.append(self._changed(of))
        return changed

    def _heard(self, of: Heard, now_s: float, *, kept: bool = False) -> None:
        if not (kept or of.is_live):
            of.is_live = True
            self._changed(of)
        if not kept and of.watch != SILENT:  # which the broker says
            of.live_s = now_s
        if not (kept and math.isfinite(of.heard_s)):  # the broker says it again when it is asked
            of.heard_s = now_s
        self._set_reach(of, self._reach(of, now_s), now_s)

    @staticmethod
    def _reach(of: Heard, now_s: float) -> Reach:
        if of.watch in (ENDED, SILENT, STUCK):
            return Reach(of.watch)
        return Reach.UNHEARD if now_s - of.heard_s > UNHEARD_S else Reach.HEARD

    @staticmethod
    def _set_reach(of: Heard, reach: Reach, now_s: float) -> None:
        if reach is not of.reach:
            of.reach, of.reach_s = reach, now_s

    def _changed(self, of: Heard) -> Heard:
        self.revision += 1
        of.revision = self.revision
        return of

    # --- what is asked -------------------------------------------------------------------------

    @property
    def gone(self) -> list[str]:
        """Keys of chambers that were taken out, the newest last."""
        return list(self._gone)

    def since(self, revision: int) -> tuple[list[Heard], list[str], bool]:
        """Chambers that changed after a revision, keys of those taken out; and whether that is all.

        What isn't all there is to know of begins anew: then it is every chamber.
        """
        if not self._forgotten <= revision <= self.revision:
            return list(self.chambers.values()), [], False
        changed = [of for of in self.chambers.values() if of.revision > revision]
        return changed, [key for key, at in self._gone.items() if at > revision], True

    def lacking(self) -> Iterator[Heard]:
        """Chambers of which what the broker has kept never came: alarms, whether it is watched."""
        return (of for of in self.chambers.values() if of.lacking or of.watch is None)


def _job(told: NowMessage | None) -> tuple[str, str] | None:
    return (told.job.id, told.job.state) if told is not None and told.job is not None else None


def _why(error: ValueError) -> str:
    """What is wrong with a message, in few words and without what stood in it."""
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])[:60]
        return f"{where or 'it'} is not as it has to be"
    return str(error)
