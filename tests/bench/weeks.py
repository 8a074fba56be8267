"""Weeks of jobs in one box: how many messages a careful owner gets, and a careless one.

    .venv/bin/python tests/bench/weeks.py [--weeks 10] [--seed 1] [--owner careful] [--json]

The real `Watch`, second by second while it is warm, over the physics of
`scenario.thermal_box`, which shares no code with the product's simulated chamber. Four jobs a
week, one in five by night; in each the door is opened twice to look, once in two jobs a window
is open for a while, and once in four a draft is left; what ails sensors, camera, routes, board
and supply comes by chance, each as often as a line below says. Three dangers in all, each of
another kind: told at once, or it is counted as withheld.

careful    taps before the door is opened (nine times in ten), shuts it in time, sees a message
           within ten minutes by day and in the morning by night, danger also by night; clears
           what is over
careless   never taps, leaves the door open for longer, sees messages after one to eight hours

Two people are named: the captain with two routes and quiet hours from ten to seven, and the cox
as the second. What somebody waited for (warm and steady, cool enough) and danger are counted by
themselves, and once with all the rest: the target is held against what is neither. Not in it are
attendance and the reminder of an alarm test.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from bench.figures import Figure, show  # noqa: E402 - the paths above come first
from scenario.thermal_box import BoxPlan, Event, Feeler, readings  # noqa: E402
from stillair.alarms.catalogue import is_danger, is_notice  # noqa: E402
from stillair.alarms.reaching import Person, QuietHours  # noqa: E402
from stillair.errors import CommandRefused, ReadingFault  # noqa: E402
from stillair.model import (  # noqa: E402
    Acknowledge,
    Annunciation,
    CameraCondition,
    CameraState,
    Command,
    ContactKind,
    ContactState,
    EndOpening,
    ExpectOpening,
    FinishJob,
    Kind,
    Movement,
    Notice,
    Place,
    Reading,
    Reset,
    Sense,
    Sign,
    StartJob,
    Stimulus,
    Tick,
    Trouble,
)
from stillair.thermal.plan import SensorPlan, ThermalPlan  # noqa: E402
from stillair.watch import ContactPlan, Watch, WatchPlan  # noqa: E402

START_AT = datetime(2026, 11, 30, tzinfo=UTC)  # a Monday
DAY_S, HOUR_S = 86_400, 3600.0
WEEK_S = 7 * DAY_S
IDLE_S = 20  # between two looks at a cold box
CAREFUL, CARELESS = "careful", "careless"
PEOPLE = (
    Person("captain", ("push:captain", "mailto:captain"), QuietHours(22 * 60, 7 * 60, UTC)),
    Person("cox", ("push:cox",), QuietHours(23 * 60, 6 * 60, UTC)),
)
ROUTES = tuple(route for person in PEOPLE for route in person.routes)
PLAN = WatchPlan(
    chamber="north-bench",
    name="north bench",
    thermal=ThermalPlan(
        (
            SensorPlan("top", Place.CHAMBER),
            SensorPlan("low", Place.CHAMBER),
            SensorPlan("room", Place.ROOM),
        ),
        target_c=45.0,
    ),
    contacts=(ContactPlan("door", ContactKind.DOOR), ContactPlan("relay", ContactKind.DETECTOR)),
    camera=True,
    people=PEOPLE,
)
TARGET = 6.0  # messages a week


@dataclass
class Job:
    """One job: when it begins, its box, and what goes wrong besides."""

    start_s: int
    box: BoxPlan
    doors: list[tuple[float, float]] = field(default_factory=list)
    taps: list[bool] = field(default_factory=list)
    silent: list[tuple[float, float]] = field(default_factory=list)  # the sensor "top"
    blind: list[tuple[float, float]] = field(default_factory=list)  # the camera
    troubles: list[tuple[float, float, Kind, str]] = field(default_factory=list)
    danger: tuple[float, Kind] | None = None


@dataclass
class Told:
    """All that came out."""

    notices: list[Notice] = field(default_factory=list)
    dangers: int = 0
    withheld: int = 0
    seconds: int = 0


def jobs(weeks: int, owner: str, chance: random.Random) -> Iterator[Job]:
    """All jobs, in order."""
    dangers = [Kind.SMOKE, Kind.DETECTOR_CONTACT, Kind.FIRE]
    at_weeks = sorted(chance.sample(range(weeks), min(len(dangers), weeks)))
    heat_fails = chance.randrange(weeks)
    for week in range(weeks):
        days = sorted(chance.sample(range(7), 4))
        for number, day in enumerate(days):
            night = chance.random() < 0.2
            start_s = week * WEEK_S + day * DAY_S + int(HOUR_S * (19 if night else 9))
            job = _job(start_s, owner, chance, fails=week == heat_fails and number == 2)
            if week in at_weeks and number == 1:
                kind = dangers[at_weeks.index(week)]
                job.danger = (job.box.finish_s - 1800.0, kind)
            yield job


def _job(start_s: int, owner: str, chance: random.Random, *, fails: bool) -> Job:
    finish_s = HOUR_S * chance.uniform(5.0, 8.0)
    events: list[Event] = []
    job = Job(start_s, BoxPlan())
    careless = owner == CARELESS
    for _ in range(2):
        at_s = chance.uniform(2.5 * HOUR_S, finish_s - HOUR_S)
        for_s = chance.uniform(120.0, 900.0) if careless else chance.uniform(20.0, 150.0)
        job.doors.append((at_s, at_s + for_s))
        job.taps.append(not careless and chance.random() < 0.9)
        events.append(Event("door_open", at_s, at_s + for_s))
    if chance.random() < 0.5:
        at_s = chance.uniform(2.5 * HOUR_S, finish_s - HOUR_S)
        events.append(Event("draft", at_s, at_s + chance.uniform(20.0, 60.0), 3.0))
    if chance.random() < 0.25:
        at_s = chance.uniform(2.5 * HOUR_S, finish_s - HOUR_S)
        events.append(Event("draft", at_s, at_s + (3600.0 if careless else 420.0), 6.0))
    if fails:
        at_s = chance.uniform(3.0 * HOUR_S, finish_s - 1.2 * HOUR_S)
        events.append(Event("heat_lost", at_s, at_s + (3600.0 if careless else 1500.0)))
    job.box = BoxPlan(
        heater_w=300.0,
        target_c=48.0,
        bed_w_per_k=1.2,
        room_feeler=True,
        room_c=chance.uniform(15.0, 22.0),
        room_swing_k=0.4,
        finish_s=finish_s,
        end_s=finish_s + 2.5 * HOUR_S,
        feelers=(Feeler("top", 0), Feeler("low", 3)),
        events=tuple(events),
        seed=chance.randrange(10**6),
    )

    def sometimes(share: float, shortest_s: float, longest_s: float) -> list[tuple[float, float]]:
        if chance.random() >= share:
            return []
        at_s = chance.uniform(600.0, finish_s)
        return [(at_s, at_s + chance.uniform(shortest_s, longest_s))]

    job.silent = sometimes(0.3, 3.0, 9.0) + sometimes(0.1, 20.0, 600.0)
    job.blind = sometimes(0.4, 5.0, 25.0) + sometimes(0.1, 60.0, 900.0)
    route = chance.choice(ROUTES)
    for share, shortest_s, longest_s, kind, subject in (
        (0.1, 120.0, 3600.0, Kind.DELIVERY_FAULT, route),  # the network is away
        (0.3, 1.0, 4.0, Kind.POWER_FAULT, ""),
        (0.05, 10.0, 60.0, Kind.POWER_FAULT, ""),
        (0.05, 5.0, 60.0, Kind.STORE_FAULT, "journal"),
        (0.05, 60.0, 1200.0, Kind.BOARD_FAULT, "heat"),
    ):
        job.troubles += [(a, b, kind, subject) for a, b in sometimes(share, shortest_s, longest_s)]
    return job


class Owner:
    """Who answers: after how long they look, and what they do then."""

    def __init__(self, owner: str, chance: random.Random) -> None:
        self._careful = owner == CAREFUL
        self._chance = chance
        self._looks: list[float] = []

    def hears(self, t_s: float, *, danger: bool) -> None:
        """A message has come: they will look."""
        delay_s = (
            self._chance.uniform(60, 600) if self._careful else self._chance.uniform(3600, 8 * 3600)
        )
        look_s = t_s + delay_s
        hour = (look_s % DAY_S) / HOUR_S
        asleep = hour >= 22 or hour < 7
        if asleep and not (danger and self._careful):  # danger gets a careful one up
            look_s = (look_s // DAY_S + (hour >= 22)) * DAY_S + 7.25 * HOUR_S
        self._looks.append(look_s)

    def answers(self, t_s: float, watch: Watch) -> list[Command]:
        """What they do in this second."""
        if not any(look_s <= t_s for look_s in self._looks):
            return []
        self._looks = [look_s for look_s in self._looks if look_s > t_s]
        done: list[Command] = []
        for alarm in watch.view().alarms:
            if alarm.annunciation.endswith("unacknowledged"):
                done.append(Acknowledge(t_s=t_s, by="captain", alarm=alarm.id))
            if not alarm.condition and is_danger(alarm.kind):
                done.append(Reset(t_s=t_s, by="captain", alarm=alarm.id))
        return done


class Weeks:
    """A watch that lives through all of it."""

    def __init__(self, owner: str, seed: int) -> None:
        self.watch = Watch(PLAN)
        self.told = Told()
        self._chance = random.Random(f"owner {owner} {seed}")
        self._owner = Owner(owner, self._chance)
        self._careful = owner == CAREFUL
        self._t_s = 0.0

    def step(self, stimulus: Stimulus) -> list[Notice]:
        outcome = self.watch.step(stimulus)
        self.told.notices += outcome.notices
        if outcome.notices and any(n.alarm for n in outcome.notices):
            danger = any(isinstance(n.kind, Kind) and is_danger(n.kind) for n in outcome.notices)
            self._owner.hears(stimulus.t_s, danger=danger)
        return list(outcome.notices)

    def second(self, t_s: float, values: tuple[float | None, float, float]) -> None:
        """One second: three readings, the tick, and what the owner does."""
        for name, value in zip(("top", "low", "room"), values, strict=True):
            fault = ReadingFault.VANISHED if value is None else None
            self.step(Reading(name, t_s, value, fault))
        self.step(Tick(t_s, START_AT + timedelta(seconds=t_s)))
        self.told.seconds += 1
        for command in self._owner.answers(t_s, self.watch):
            try:
                self.step(command)
            except CommandRefused:
                continue  # it has ended meanwhile

    def idle(self, until_s: float, room_c: float) -> None:
        """A cold box: a look now and then is enough."""
        while self._t_s + IDLE_S < until_s:
            self._t_s += IDLE_S
            t_s = self._t_s
            wobble_k = 0.0625 * (int(t_s / IDLE_S) % 3 - 1)
            self.step(CameraState(t_s, CameraCondition.FIT, 0.0))
            self.second(t_s, (room_c + wobble_k, room_c - wobble_k, room_c))

    def job(self, job: Job) -> None:
        """One job from heating up to cold again."""
        name = ""
        states: dict[str, object] = {}
        for at_s, values in readings(job.box):
            t_s = job.start_s + at_s
            self._t_s = t_s
            if at_s == job.box.start_s:
                made = self.watch.step(
                    StartJob(t_s=t_s, by="captain", name="oarlock bushings", material="ASA")
                )
                name = made.created or ""
            if at_s == int(job.box.finish_s):
                self.step(FinishJob(t_s=t_s, by="captain", job=name))
            for (a, b), tap in zip(job.doors, job.taps, strict=True):
                if tap and at_s == int(a) - 10:
                    self.step(ExpectOpening(t_s=t_s, by="captain", minutes=3))
                if tap and at_s == int(b) + 5:
                    self.step(EndOpening(t_s=t_s, by="captain"))
            opened = any(a <= at_s < b for a, b in job.doors)
            if states.get("door") is not opened:
                states["door"] = opened
                self.step(ContactState("door", ContactKind.DOOR, t_s, opened))
            blind = any(a <= at_s < b for a, b in job.blind)
            if states.get("blind") is not blind or at_s % 10 == 0:
                condition = CameraCondition.LOST if blind else CameraCondition.FIT
                since_s = t_s if states.get("blind") is not blind else float(str(states["since"]))
                states["blind"], states["since"] = blind, since_s
                self.step(CameraState(t_s, condition, since_s))
                working = at_s < job.box.finish_s and not blind
                self.step(Movement(t_s, True if working else None, t_s))
            for a, b, kind, subject in job.troubles:
                for begins, edge_s in ((True, a), (False, b)):
                    if at_s == int(edge_s):
                        self.step(Trouble(kind, t_s, begins, subject))
            self._danger(job, at_s, t_s)
            silent = any(a <= at_s < b for a, b in job.silent)
            self.second(t_s, (None if silent else values[0], values[1], values[2]))

    def _danger(self, job: Job, at_s: float, t_s: float) -> None:
        """What is dangerous is told in the very second, to everybody whom it should reach."""
        if job.danger is None:
            return
        from_s, kind = job.danger
        if int(from_s) == at_s:
            said = self.step(self._sign(kind, t_s, begins=True))
            self.told.dangers += 1
            told = {n.route for n in said if _tells(n, is_danger)}
            wanted = set(PEOPLE[0].routes) if kind is Kind.SMOKE else set(ROUTES)
            self.told.withheld += not wanted <= told
        elif from_s < at_s < from_s + 90.0 and kind is not Kind.DETECTOR_CONTACT:
            self.step(self._sign(kind, t_s, begins=True))
        elif kind is Kind.DETECTOR_CONTACT and int(from_s) + 90 == at_s:
            self.step(self._sign(kind, t_s, begins=False))

    @staticmethod
    def _sign(kind: Kind, t_s: float, *, begins: bool) -> Stimulus:
        if kind is Kind.DETECTOR_CONTACT:
            return ContactState("relay", ContactKind.DETECTOR, t_s, begins)
        name = "smoke" if kind is Kind.SMOKE else "flame"
        return Sign(Sense.CAMERA, name, t_s, t_s, 0.9, ("camera",), lasting=kind is Kind.FIRE)


def _tells(notice: Notice, what: Callable[[Kind], bool]) -> bool:
    """Whether a message is about an event of such a kind."""
    return isinstance(notice.kind, Kind) and what(notice.kind)


def run(owner: str, weeks: int, seed: int) -> list[Figure]:
    """Live through the weeks with one kind of owner."""
    life = Weeks(owner, seed)
    for job in jobs(weeks, owner, random.Random(f"weeks {seed}")):
        life.idle(float(job.start_s), job.box.room_c)
        life.job(job)
    life.idle(float(weeks * WEEK_S), 18.0)
    told = life.told.notices
    alarms = [n for n in told if not _tells(n, is_notice) and not _tells(n, is_danger)]
    waited = [n for n in told if _tells(n, is_notice)]
    week_of = Counter(int(n.created_s // WEEK_S) for n in alarms if n.person == "captain")
    open_now = [a for a in life.watch.view().alarms if a.annunciation is not Annunciation.NORMAL]
    kinds = Counter(f"{n.kind.value} {n.stage}" for n in alarms)
    print(f"{owner}: " + ", ".join(f"{what} {count}" for what, count in kinds.most_common()))
    print(f"{owner}, week by week: {[week_of[week] for week in range(weeks)]}")
    captain = sum(week_of.values()) / weeks
    return [
        Figure(f"{owner}: messages to the captain", captain, "a week", TARGET),
        Figure(f"{owner}: in the worst week", max(week_of.values(), default=0), ""),
        Figure(
            f"{owner}: to the captain with danger and what was waited for",
            sum(n.person == "captain" for n in told) / weeks,
            "a week",
        ),
        Figure(f"{owner}: to the cox", sum(n.person == "cox" for n in alarms) / weeks, "a week"),
        Figure(f"{owner}: what was waited for", len(waited) / weeks, "a week"),
        Figure(f"{owner}: of danger", sum(_tells(n, is_danger) for n in told) / weeks, "a week"),
        Figure(f"{owner}: dangers", life.told.dangers, ""),
        Figure(
            f"{owner}: dangers not told at once to all whom they should reach",
            life.told.withheld,
            "",
            0.0,
        ),
        Figure(f"{owner}: alarms still waiting for an answer", len(open_now), ""),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--weeks", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--owner", choices=(CAREFUL, CARELESS))
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    figures: list[Figure] = []
    for owner in (asked.owner,) if asked.owner else (CAREFUL, CARELESS):
        figures += run(owner, asked.weeks, asked.seed)
    show(figures, as_json=asked.json)


if __name__ == "__main__":
    main()
