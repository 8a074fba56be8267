"""Who at a hall is told what of its chambers, when, and never twice: pure, told the time.

    a chamber's alarms ──┐
    chambers out of reach ──> Matter ──> Telling.consider ──> notices
    what fails of the hall ─┘            Telling.tick ──> what is due by now

Each matter is told after the same rules as on a board: by the ladder of people, urgent first,
again while nobody has seen it, again where it gets more urgent, and when it is over to all who
know of it. What was told stands in the outbox under keys that follow from matter, stage and
route; `restored` takes it from there, so that neither a restart nor a message that the broker
has kept tells anybody twice. What was told before a restart is over when somebody says so, never
because nothing is heard of it. Nothing is asked of a store here, nor waited for.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from stillair.alarms import figures
from stillair.alarms.catalogue import AlarmRule, is_danger
from stillair.alarms.entries import URGENCY
from stillair.alarms.flood import Flood
from stillair.alarms.reaching import Person, ladder, may_wake
from stillair.alarms.wording import Stage
from stillair.hall.matters import OF_HALL, OWN, Matter, priority_of, rule_of
from stillair.model import Kind, Notice, Priority
from stillair.model.duties import SeenMatter

SETTLED_S: Final = 90.0  # after a start all that stands has come by then
MOST_MATTERS: Final = 20_000
# What is counted apart, so that it never waits behind the others: many chambers have much to say
# just when the broker dies, and a mail server that fails is as many failing ways as people.
_HALL, _WAYS, _CHAMBERS = _SORTS = ("hall", "ways", "chambers")
UNANSWERED: Final = "Nobody has said so far that they have seen it"


@dataclass(frozen=True, slots=True)
class Told:
    """One message of a matter that went into the outbox, as it stands there."""

    matter: str
    stage: str
    person: str
    route: str
    priority: str
    at: datetime
    round: int = 0
    kind: str = Kind.WATCH_GAP.value
    title: str = ""


def round_of(key: str) -> int:
    """The round in the key of a message that was made here; 0 where it has none."""
    words = key.rsplit(":", 2)
    number = words[-2].partition(".")[0] if len(words) == 3 else ""
    return int(number) if number.isascii() and number.isdigit() else 0


def _kind(word: str) -> Kind:
    try:
        return Kind(word)
    except ValueError:  # of a newer version
        return Kind.WATCH_GAP


def _own_title(told: str, matter: Matter) -> str:
    """The title of a matter in what heads its first message; its own where that can't be found."""
    start = f"{matter.mark}: " if matter.mark else ""
    title = told.removeprefix(f"{start}{matter.name}: ")
    return title if title and title != told else matter.title


def _sort(matter: Matter) -> str:
    """Among what a matter's messages are counted, and gathered."""
    if not matter.id.startswith(OF_HALL):
        return _CHAMBERS
    return _WAYS if matter.kind is Kind.DELIVERY_FAULT else _HALL


@dataclass(slots=True)
class _Story:
    """A matter on its way through the people."""

    matter: Matter
    first_s: float
    climb_s: float
    round: int = 0  # how often it was over and came again
    urgency: int = len(URGENCY)
    reached: dict[str, str] = field(default_factory=dict)  # person by route
    held: set[str] = field(default_factory=set)  # whose quiet hours keep it from them
    say_s: float | None = None
    stills: int = 0
    restored: bool = False  # it stands in the outbox, and hasn't been heard of since the start


class Telling:
    """Say what there is to be said of all chambers of a hall, in messages.

    Parameters
    ----------
    hall : str
        What people call it.
    people : sequence of Person
    failing : callable
        Gives the routes that don't work just now.
    """

    def __init__(
        self,
        *,
        hall: str,
        people: Sequence[Person],
        failing: Callable[[], frozenset[str]] = frozenset,
    ) -> None:
        self._hall = hall
        self.people = tuple(people)
        self._failing = failing
        self._floods = {sort: Flood(whose="Hall", keeps_each=True) for sort in _SORTS}
        self._stories: dict[str, _Story] = {}
        self._rounds: dict[str, int] = {}
        self.seen: dict[str, SeenMatter] = {}  # of the hall's own, while it stands
        self._ending: list[tuple[_Story, str, str]] = []  # ends that quiet hours hold back
        self._begun_s: float | None = None

    def restored(
        self, told: Iterable[Told], now_s: float, at: datetime, seen: Iterable[SeenMatter] = ()
    ) -> None:
        """Know what was told before a restart, the oldest first, and what was seen and stood."""
        self.seen = {each.matter: each for each in seen}
        for each in told:
            story = self._stories.get(each.matter)
            if each.stage == Stage.OVER:
                # Of what was told in a flood it may be the only word; quiet hours may hold it back
                # until the matter has come again.
                if story is not None and story.round <= each.round:
                    del self._stories[each.matter]
                self._rounds[each.matter] = max(self._rounds.get(each.matter, 0), each.round + 1)
                continue
            ago_s = max(0.0, (at - each.at).total_seconds())
            if story is None:
                matter = Matter(
                    each.matter, "", "", _kind(each.kind), priority_of(each.priority), "", "",
                    active=True,
                )  # fmt: skip
                story = _Story(matter, now_s - ago_s, now_s - ago_s, restored=True)
                story.round = max(self._rounds.get(each.matter, 0), each.round)
                self._stories[each.matter] = story
            if each.stage == Stage.RAISED:
                story.matter = replace(story.matter, title=each.title)
            story.reached[each.route] = each.person
            story.urgency = min(story.urgency, URGENCY.get(priority_of(each.priority), 0))
            if each.stage == Stage.STILL:
                story.stills += 1

    # --- what is so ------------------------------------------------------------------------

    def consider(self, matter: Matter, now_s: float, at: datetime) -> list[Notice]:
        """Take a matter as it is now; gives what is to be sent. Harmless however often."""
        story = self._stories.get(matter.id)
        if matter.id in self.seen:
            matter = replace(matter, seen=True)
        if not matter.active:
            self.seen.pop(matter.id, None)
            if story is None:
                return []
            del self._stories[matter.id]
            known = story.matter  # what it was is known better from before
            if not story.restored:
                matter = replace(known, active=False, text=matter.text)
            elif not matter.id.startswith(OWN):
                says = rule_of(known.kind).says_over
                title = _own_title(known.title, matter)
                matter = replace(matter, kind=known.kind, title=title, says_over=says)
            return self._over(story, matter, now_s, at)
        if story is None:
            if len(self._stories) >= MOST_MATTERS:
                return []
            story = _Story(matter, now_s, now_s, self._rounds.get(matter.id, 0))
            self._stories[matter.id] = story
        elif story.restored:
            story.restored = False
            gap_s = rule_of(matter.kind).repeat_s
            story.say_s = None if gap_s is None else now_s + gap_s
        story.matter = matter
        return self._due(story, now_s, at)

    def tick(self, now_s: float, at: datetime) -> list[Notice]:
        """Time passes: the next people are told, and what still stands is said again."""
        if self._begun_s is None:
            self._begun_s = now_s
        notices: list[Notice] = []
        if now_s - self._begun_s > SETTLED_S:
            self.seen = {name: of for name, of in self.seen.items() if name in self._stories}
        for story in list(self._stories.values()):
            if not story.restored:
                notices += self._due(story, now_s, at)
        waiting, self._ending = self._ending, []
        for story, person, route in waiting:
            if self._sleeps(person, story.matter.kind, at):
                self._ending.append((story, person, route))
            else:
                notices.append(self._notice(story, Stage.OVER, person, route, now_s))
        for flood in self._floods.values():
            notices += flood.due(now_s, name=self._hall, mark="")
        return notices

    def see(self, matter: str, *, by: str, now_s: float) -> bool:
        """Somebody has seen what is the hall's own: nobody else is told of it until it is over.

        False where no such thing is told of.
        """
        story = self._stories.get(matter)
        if story is None or not matter.startswith(OWN):
            return False
        if matter not in self.seen:
            self.seen[matter] = SeenMatter(matter, by, now_s)
            story.matter = replace(story.matter, seen=True)
        return True

    def tells(self, matter: str) -> bool:
        """Whether people are told of it just now."""
        return matter in self._stories

    def stands(self) -> Iterator[str]:
        """Ids of all matters that are being told of."""
        return iter(list(self._stories))

    def unheard(self) -> list[Matter]:
        """What was told before the start and nobody has spoken of since: id, kind, priority."""
        return [story.matter for story in self._stories.values() if story.restored]

    # --- to whom -----------------------------------------------------------------------------

    def _due(self, story: _Story, now_s: float, at: datetime) -> list[Notice]:
        matter, rule = story.matter, rule_of(story.matter.kind)
        waits_s = rule.page_alone_s if URGENCY[matter.priority] > URGENCY[Priority.HIGH] else 0.0
        if (
            matter.hidden
            or not rule.messages
            or now_s - story.first_s < max(waits_s, matter.waits_s)
        ):
            return []
        to: list[tuple[Stage, str, str]] = []
        urgency = URGENCY[matter.priority]
        if story.reached and urgency < story.urgency:
            to += [(Stage.CHANGED, name, route) for route, name in story.reached.items()]
            if is_danger(matter.kind):
                story.climb_s = now_s
        elif story.say_s is not None and now_s >= story.say_s and not matter.seen:
            story.stills += 1
            to += [
                (Stage.STILL, name, route)
                for route, name in story.reached.items()
                if not self._sleeps(name, matter.kind, at)
            ]
        if to:
            story.say_s = self._again_s(story, rule, now_s)
        if not matter.seen:
            rungs = ladder(
                self.people,
                matter.kind,
                matter.priority,
                failing=self._failing(),
                without=matter.without,
            )
            for rung in rungs:
                if rung.route in story.reached or rung.after_s > now_s - story.climb_s:
                    continue
                if self._sleeps(rung.person.name, matter.kind, at):
                    story.held.add(rung.route)
                    continue
                late = rung.route in story.held
                to.append((Stage.STILL if late else Stage.RAISED, rung.person.name, rung.route))
                story.held.discard(rung.route)
                if not story.reached:
                    story.say_s = self._again_s(story, rule, now_s)
                story.reached[rung.route] = rung.person.name
        if story.reached:
            story.urgency = min(story.urgency, urgency)
        return self._sent(story, to, now_s)

    def _over(self, story: _Story, matter: Matter, now_s: float, at: datetime) -> list[Notice]:
        story.matter = matter
        self._rounds[matter.id] = story.round + 1
        while len(self._rounds) > MOST_MATTERS:
            self._rounds.pop(next(iter(self._rounds)))
        if not (matter.says_over and rule_of(matter.kind).messages):
            return []
        to: list[tuple[Stage, str, str]] = []
        for route, name in story.reached.items():
            if self._sleeps(name, matter.kind, at):
                self._ending.append((story, name, route))
            else:
                to.append((Stage.OVER, name, route))
        return self._sent(story, to, now_s)

    def _sent(
        self, story: _Story, to: Sequence[tuple[Stage, str, str]], now_s: float
    ) -> list[Notice]:
        notices = [self._notice(story, stage, name, route, now_s) for stage, name, route in to]
        danger = may_wake(story.matter.kind)
        flood = self._floods[_sort(story.matter)]
        if notices and flood.takes(notices, now_s, danger=danger):
            return []
        return notices

    @staticmethod
    def _again_s(story: _Story, rule: AlarmRule, now_s: float) -> float | None:
        if rule.repeat_s is None:
            return None
        stood_s = now_s - story.first_s
        return now_s + min(max(rule.repeat_s, stood_s), rule.longest_repeat_s)

    def _sleeps(self, name: str, kind: Kind, at: datetime) -> bool:
        """Whether quiet hours keep this from somebody just now."""
        person = next((each for each in self.people if each.name == name), None)
        if person is None or person.quiet is None or may_wake(kind):
            return False
        return person.quiet.holds(at)

    def _notice(self, story: _Story, stage: Stage, person: str, route: str, now_s: float) -> Notice:
        matter = story.matter
        head = {
            Stage.RAISED: matter.title,
            Stage.CHANGED: f"Now: {figures.lower(matter.title)}",
            Stage.STILL: f"Still: {figures.lower(matter.title)}",
            Stage.OVER: f"Over: {figures.lower(matter.title)}",
        }[stage]
        start = f"{matter.mark}: " if matter.mark else ""
        late = stage is not Stage.OVER and now_s - story.climb_s > 60.0 and not matter.seen
        text = figures.joined(matter.text, UNANSWERED if late else "")
        place = f"Chamber: {matter.name}\n" if matter.board else ""
        place += f"Place: {matter.place}\n" if matter.place else ""
        place += f"Board: {matter.board}\n" if matter.board else ""
        # A stage is told once a round and route, but for what still stands, and gets more urgent.
        step = {Stage.STILL: story.stills, Stage.CHANGED: URGENCY[matter.priority]}.get(stage, 0)
        mixed = hashlib.sha256(f"{matter.kind.value} {route}".encode("utf-8", "replace"))
        key = f"{matter.id}:{stage.value}:{story.round}.{step}:{mixed.hexdigest()[:12]}"
        return Notice(
            key=key,
            chamber=matter.chamber,
            alarm=matter.id,
            kind=matter.kind,
            priority=matter.priority,
            person=person,
            route=route,
            title=f"{start}{matter.name}: {head}",
            text=f"{start}{text}\n\n{place}Hall: {self._hall}\n",
            created_s=now_s,
            stage=stage.value,
        )
