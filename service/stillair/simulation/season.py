"""A season of jobs in the boat shed: what was built when, and what was done to it.

The rowing club builds oarlock bushings and fin boxes of ASA and rigger spacers of PA, one
job at a time in the built-in simulated chamber. Causes of flaws are planted in what is
done, never in figures:

door
    somebody opens the door for minutes while a layer is laid
seam
    the lid's seam leaks all through the job, so that cold air gets in at the top
unsoaked
    the first layer is laid before the box is warm through
damp
    the filament was dried for too short a time
cold out
    the door is opened as soon as the job is done

With a cause 8 in 10 jobs come out flawed, without one 1 in 10. `shed_jobs` draws all of it
from one seed; `scenario_of` makes the script of one job for the chamber's physics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from stillair.model import (
    Brim,
    Flaw,
    FlawKind,
    Hold,
    JobLog,
    JobOutcome,
    PieceOutcome,
    Spot,
)
from stillair.simulation.physics import HeaterPlan
from stillair.simulation.scenario import Scenario, Step, action
from stillair.simulation.toolpaths import BUSHING, FIN_BOX, SPACER, Build, ShedPart

SEED: Final = 347
WITH_CAUSE, WITHOUT = 0.8, 0.1  # odds that a job comes out flawed
SEAM_PER_H: Final = 40.0  # changes of the air by the leaking seam
BEGUN_S: Final = 300.0  # of watching a cold box, before somebody begins the job

_SPOTS: Final = tuple(Spot)
BENCH: Final = "the left bench"


class Cause(StrEnum):
    """What was done that spoils a job."""

    NONE = "none"
    DOOR = "door"
    SEAM = "seam"
    UNSOAKED = "unsoaked"
    DAMP = "damp"
    COLD_OUT = "cold out"


@dataclass(frozen=True, slots=True)
class ShedBuild:
    """One thing that the club builds again and again; `grams` is the plastic of all pieces."""

    name: str
    material: str
    build: Build
    grams: float

    @property
    def part(self) -> ShedPart:
        return self.build.part

    @property
    def bed_c(self) -> float:
        return self.build.bed_c


def _grid(columns: int, rows: int, apart_mm: float) -> tuple[tuple[float, float], ...]:
    """Places of the pieces, the front row first, as people number them."""
    return tuple(
        (60.0 + apart_mm * column, 60.0 + apart_mm * row)
        for row in range(rows)
        for column in range(columns)
    )


BUILDS: Final = {
    "bushings": ShedBuild(
        "Twelve oarlock bushings", "ASA", Build(BUSHING, _grid(4, 3, 36.0), bed_c=95.0), 87.0
    ),
    "fin box": ShedBuild("Fin box", "ASA", Build(FIN_BOX, ((110.0, 110.0),), bed_c=95.0), 42.0),
    "spacers": ShedBuild(
        "Six rigger spacers",
        "PA",
        Build(
            SPACER,
            _grid(3, 2, 52.0),
            wall_mm_s=45.0,
            nozzle_c=(260.0, 255.0),
            bed_c=85.0,
        ),
        63.0,
    ),
}


@dataclass(frozen=True, slots=True)
class Opening:
    """The door open while the part is built: at which share of it, and for how long."""

    share: float
    for_s: float
    pause: bool = False  # the machine stood paused meanwhile, as it should


@dataclass(frozen=True, slots=True)
class Word:
    """A note, written some minutes after what it is about."""

    by: str
    text: str


@dataclass(frozen=True, slots=True)
class ShedJob:
    """One job of the season. `day` and `hour` are when its watching begins."""

    number: int
    day: int
    hour: float
    of: str  # a key of BUILDS
    cause: Cause
    room_c: float
    soak_s: float  # from switching the heat on to the first layer
    rate: float  # seconds of the machine for one of the toolpath
    openings: tuple[Opening, ...]
    log: JobLog
    held_days: int  # since what holds the part down was renewed
    begun_by: str
    judged_by: str
    outcome: JobOutcome
    pieces: tuple[PieceOutcome, ...]
    words: tuple[Word, ...] = ()

    @property
    def what(self) -> ShedBuild:
        return BUILDS[self.of]


# In the order of the season.
_ORDER: Final[Sequence[tuple[str, Cause]]] = (
    ("bushings", Cause.NONE),
    ("spacers", Cause.NONE),
    ("fin box", Cause.DOOR),
    ("spacers", Cause.DAMP),
    ("fin box", Cause.NONE),
    ("spacers", Cause.NONE),
    ("bushings", Cause.DOOR),
    ("spacers", Cause.DAMP),
    ("fin box", Cause.NONE),
    ("spacers", Cause.NONE),
    ("fin box", Cause.DOOR),
    ("bushings", Cause.NONE),
    ("spacers", Cause.DAMP),
    ("fin box", Cause.SEAM),
    ("spacers", Cause.NONE),
    ("fin box", Cause.DOOR),
    ("spacers", Cause.NONE),
    ("bushings", Cause.DOOR),
    ("fin box", Cause.NONE),
    ("spacers", Cause.DAMP),
    ("fin box", Cause.UNSOAKED),
    ("spacers", Cause.NONE),
    ("bushings", Cause.NONE),
    ("spacers", Cause.DAMP),
    ("fin box", Cause.DOOR),
    ("spacers", Cause.NONE),
    ("fin box", Cause.COLD_OUT),
    ("spacers", Cause.DAMP),
    ("fin box", Cause.NONE),
    ("spacers", Cause.NONE),
    ("bushings", Cause.NONE),
    ("fin box", Cause.DOOR),
)
_PEOPLE: Final = ("bench captain", "cox", "stroke", "bow")
_BATCHES: Final = {
    "ASA": ("black, spool 3", "black, spool 4"),
    "PA": ("natural, spool 1", "natural, spool 2"),
}
_OPENED: Final = (
    "The door stood open: looked for the small spanner.",
    "Opened the door to look at the corners.",
    "Showed the juniors how it is built, door open.",
    "Took the measuring tape out of the box.",
    "The door had not latched, shut it again.",
)

_SAID: Final = {
    Cause.UNSOAKED: "No time to wait: began before it was warm.",
    Cause.DAMP: "Straight from the shelf, not dried.",
    Cause.COLD_OUT: "Somebody needs the bench, so the door opens at once.",
}
_MENDED: Final = "The foam strip at the lid had come off. Glued it on again."


def shed_jobs(seed: int = SEED) -> tuple[ShedJob, ...]:
    """All jobs of a season, the oldest first; the same for the same seed."""
    chance = np.random.default_rng(seed)
    made: list[ShedJob] = []
    day = 0
    for number, (of, cause) in enumerate(_ORDER, start=1):
        made.append(_drawn(chance, number, day, of, cause))
        day += int(chance.integers(2, 4))
    return tuple(made)


def _drawn(chance: np.random.Generator, number: int, day: int, of: str, cause: Cause) -> ShedJob:
    what = BUILDS[of]
    last = number == len(_ORDER)
    # The autumn comes: the shed is some degrees colder at the season's end.
    room_c = 18.5 - 3.5 * number / len(_ORDER) + float(chance.normal(0.0, 1.0))
    soak_s = float(chance.uniform(4200.0, 6600.0))
    if cause is Cause.UNSOAKED:
        soak_s = 900.0
    openings: list[Opening] = []
    words: list[Word] = []
    begun_by, judged_by = (str(chance.choice(_PEOPLE)) for _ in range(2))
    share = float(chance.uniform(0.4, 0.85))
    if cause is Cause.DOOR:
        openings.append(Opening(share, float(round(chance.uniform(200.0, 480.0)))))
    elif chance.random() < 0.3:  # an empty spool: the machine waits, and the door may open
        openings.append(Opening(share, float(round(chance.uniform(60.0, 120.0))), pause=True))
    dried_h = (
        float(chance.uniform(4.0, 7.0))
        if what.material == "ASA"
        else float(chance.uniform(8.0, 12.0))
    )
    if cause is Cause.DAMP:
        dried_h = float(chance.choice((0.0, 1.0, 2.0, 3.0)))
    log = JobLog(
        batch=f"{what.material}, {_BATCHES[what.material][number * 2 // len(_ORDER) % 2]}",
        dried_h=round(dried_h * 2) / 2,
        dried_c=80.0 if dried_h > 0 else None,
        humidity_percent=float(round(chance.uniform(42.0, 66.0))),
        hold=Hold.GLUE_STICK if what.material == "PA" else Hold.TEXTURED_SHEET,
        brim=Brim.BRIM if of == "fin box" else Brim.NONE,
        fan_percent=0.0,
        nozzle_c=what.build.nozzle_c[1],
        bed_c=what.bed_c,
    )
    held_days = int(chance.integers(1, 20))
    outcome, pieces = _came_out(chance, what, cause, share)
    if cause is Cause.DOOR:
        words.append(Word(str(chance.choice(_PEOPLE)), str(chance.choice(_OPENED))))
    elif cause in _SAID and (cause is not Cause.DAMP or not log.dried_h):
        words.append(Word(begun_by, _SAID[cause]))
    if number > 1 and _ORDER[number - 2][1] is Cause.SEAM:
        words.append(Word(begun_by, _MENDED))
    return ShedJob(
        number=number,
        day=day,
        hour=13.0 if last else float(chance.choice((7.5, 8.0, 9.0, 10.0))),
        of=of,
        cause=cause,
        room_c=round(room_c, 2),
        soak_s=float(round(soak_s)),
        rate=round(float(chance.uniform(1.0, 1.03)), 4),
        openings=tuple(openings),
        log=log,
        held_days=held_days,
        begun_by=begun_by,
        judged_by=judged_by,
        outcome=outcome,
        pieces=pieces,
        words=tuple(words),
    )


def _came_out(
    chance: np.random.Generator, what: ShedBuild, cause: Cause, share: float
) -> tuple[JobOutcome, tuple[PieceOutcome, ...]]:
    """How a job and its pieces come out: by odds, and where by what was done."""
    odds = WITHOUT if cause is Cause.NONE else WITH_CAUSE
    flawed = chance.random() < odds
    height_mm = what.part.height_mm
    places = what.build.places
    spots = [_spot(place, places) for place in places]
    count = len(places)
    # Always as many numbers drawn, so that one job's luck doesn't change the next one's.
    order = chance.permutation(count)
    wild = [float(number) for number in chance.random(count + 2)]
    if not flawed:
        whole = (PieceOutcome(n + 1, spot, JobOutcome.SOUND) for n, spot in enumerate(spots))
        return JobOutcome.SOUND, tuple(whole)
    worst = JobOutcome.FAILED if wild[-1] < 0.2 else JobOutcome.FLAWED
    hit = _hit(cause, spots, [int(n) for n in order])[
        : max(1, round(count * (0.25 + 0.4 * wild[-2])))
    ]
    pieces = []
    for n, spot in enumerate(spots):
        if n not in hit:
            pieces.append(PieceOutcome(n + 1, spot, JobOutcome.SOUND))
            continue
        flaw = _flaw(cause, wild[n], share, height_mm)
        bad = worst if n == hit[0] else JobOutcome.FLAWED
        pieces.append(PieceOutcome(n + 1, spot, bad, (flaw,)))
    return worst, tuple(pieces)


def _hit(cause: Cause, spots: Sequence[Spot], order: Sequence[int]) -> list[int]:
    """Which pieces suffer first: by the door those in front, else any."""
    if cause in (Cause.DOOR, Cause.COLD_OUT):
        return sorted(order, key=lambda n: not spots[n].value.startswith("front"))
    return list(order)


def _flaw(cause: Cause, wild: float, share: float, height_mm: float) -> Flaw:
    def at(part: float) -> float:
        return round(part * height_mm / 0.2) * 0.2

    match cause:
        case Cause.DOOR:
            # What was laid meanwhile, as a person measures it: to a fifth of a millimetre.
            return Flaw(FlawKind.CRACK, round(share * height_mm + 0.4 * (wild - 0.5), 1))
        case Cause.SEAM:
            return Flaw(FlawKind.CRACK, round(at(0.6 + 0.3 * wild), 1))
        case Cause.UNSOAKED:
            return Flaw(FlawKind.CORNER_LIFTED, 0.2)
        case Cause.DAMP if wild < 0.5:
            return Flaw(FlawKind.SURFACE_ROUGH, text="matt and full of small holes")
        case Cause.DAMP:
            return Flaw(FlawKind.WEAK, round(at(wild), 1), text="broke by hand")
        case Cause.COLD_OUT if wild < 0.5:
            return Flaw(FlawKind.SIZE_WRONG, text="the ends stand up by a millimetre")
        case Cause.COLD_OUT:
            return Flaw(FlawKind.CRACK, round(at(wild), 1))
        case _ if wild < 0.5:
            return Flaw(FlawKind.BLOB_OR_STRING, round(at(0.2 + wild), 1))
        case _:
            return Flaw(FlawKind.LAYER_SHIFTED, round(at(wild), 1))


def _spot(place: tuple[float, float], places: Sequence[tuple[float, float]]) -> Spot:
    """Which ninth of the plate's used part a piece stands on, seen from the front."""

    def third(value: float, all_of: Sequence[float]) -> int:
        low, high = min(all_of), max(all_of)
        return 1 if high == low else round(2.0 * (value - low) / (high - low))

    column = third(place[0], [x for x, _ in places])
    row = third(place[1], [y for _, y in places])
    return _SPOTS[3 * row + column]


# --- the script of one job ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Times:
    """When what happens in one job, seconds since its watching began."""

    begun_s: float
    built_from_s: float
    done_s: float
    openings: tuple[tuple[float, Opening], ...]


def times_of(job: ShedJob, toolpath_s: float) -> Times:
    """When what happens, for a toolpath of that duration."""
    lasts_s = float(round(toolpath_s * job.rate))
    from_s = BEGUN_S + job.soak_s
    openings: list[tuple[float, Opening]] = []
    stood_s = 0.0
    for opening in sorted(job.openings, key=lambda each: each.share):
        at_s = float(round(from_s + opening.share * lasts_s + stood_s))
        openings.append((at_s, opening))
        stood_s += opening.for_s + 120.0 if opening.pause else 0.0
    return Times(BEGUN_S, from_s, from_s + lasts_s + stood_s, tuple(openings))


def _wide_mm(part: ShedPart) -> float:
    """How wide the camera sees a long piece stand; 0 for one that is drawn round."""
    return 2.0 * part.half_x_mm if part.half_x_mm > 2.0 * part.half_y_mm else 0.0


def scenario_of(job: ShedJob, shed: Scenario, toolpath_s: float) -> Scenario:
    """The script of one job for the box of `shed`, cold at first."""
    what, times = job.what, times_of(job, toolpath_s)
    steps: list[Step] = [
        action(BEGUN_S, "heater_to", target_c=46.5),
        action(BEGUN_S, "bed_to", target_c=what.bed_c),
        action(
            times.built_from_s,
            "job_start",
            name=what.name,
            material=what.material,
            machine=BENCH,
            height_mm=what.part.height_mm,
            mass_g=what.grams,
            build_s=float(round(toolpath_s * job.rate)),
            pieces=float(len(what.build.places)),
            wide_mm=_wide_mm(what.part),
        ),
        action(times.done_s + 20.0, "heater_to"),
        action(times.done_s + 20.0, "bed_to"),
    ]
    for at_s, opening in times.openings:
        if opening.pause:
            steps.append(action(at_s, "job_pause", for_s=opening.for_s + 120.0))
            at_s += 60.0
        steps.append(action(at_s, "open_door", for_s=opening.for_s))
    if job.cause is Cause.SEAM:
        steps.append(
            action(1.0, "draft", air_changes_per_h=SEAM_PER_H, upper_share=1.0, for_s=86400.0)
        )
    if job.cause is Cause.COLD_OUT:
        steps.append(action(times.done_s + 300.0, "open_door", for_s=1500.0))
    heater = shed.heater or HeaterPlan()
    return replace(
        shed,
        name="season",
        steps=tuple(steps),
        warm_start_s=0.0,
        repeat_s=None,
        starts_at_h=job.hour,
        room=replace(shed.room, mean_c=job.room_c),
        bed=replace(shed.bed, target_c=None),
        heater=replace(heater, target_c=None),
    )
