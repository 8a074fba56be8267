"""The script of a simulated chamber: what is done to it, second by second.

`Script.run_until(t)` carries out every step due by `t` and afterwards the
attributes say how things stand. A step with `for_s` brings its own opposite.
What really happened is kept as `Truth`, what the machine would post about its
job as `JobMark`.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from stillair.simulation.burning import FirePlan
from stillair.simulation.scenario import Scenario, Step

DOOR_SWING_S: Final = 1.5
PROGRESS_EVERY_S: Final = 60.0
KEPT: Final = 4096


class Truth(NamedTuple):
    """Something that was really so, from `start_s` to `end_s` (None: still is)."""

    kind: str
    start_s: float
    end_s: float | None
    subject: str = ""


@dataclass(frozen=True, slots=True)
class JobMark:
    """What the scripted machine posts: kind is start, progress, pause, resume or finish."""

    kind: str
    t_s: float
    name: str
    material: str
    machine: str
    height_mm: float


@dataclass(slots=True)
class Build:
    """The job in the machine."""

    name: str
    material: str
    machine: str
    final_mm: float
    mass_kg: float
    lasts_s: float
    pieces: int
    wide_mm: float = 0.0
    built_s: float = 0.0
    paused: bool = False
    next_mark_s: float = 0.0

    @property
    def share(self) -> float:
        """How much of it is built, 0 to 1."""
        return min(1.0, self.built_s / self.lasts_s)

    @property
    def height_mm(self) -> float:
        """Height by now, in layers of 0.2 mm."""
        return round(self.share * self.final_mm / 0.2) * 0.2


class Door:
    """The door's opening, which takes a moment to change."""

    __slots__ = ("_from", "_since_s", "_to")

    def __init__(self) -> None:
        self._from = self._to = 0.0
        self._since_s = float("-inf")

    def move(self, t_s: float, fraction: float) -> None:
        self._from, self._to, self._since_s = self.fraction(t_s), fraction, t_s

    def fraction(self, t_s: float) -> float:
        """How far open at `t_s`, 0 to 1."""
        if t_s >= self._since_s + DOOR_SWING_S:
            return self._to
        share = max(0.0, (t_s - self._since_s) / DOOR_SWING_S)
        return self._from + (self._to - self._from) * share


class Script:
    """Carries out a scenario's steps. Sensors and fire are moved through the given functions."""

    def __init__(
        self,
        scenario: Scenario,
        *,
        light: Callable[[FirePlan], None],
        put_out: Callable[[], None],
        ail: Callable[[str, Step | None], None],
        take_part: Callable[[], None],
    ) -> None:
        self._light, self._put_out, self._ail, self._take_part = light, put_out, ail, take_part
        self._repeat_s = scenario.repeat_s
        self._order = 0
        self._due: list[tuple[float, int, Step, bool]] = []
        for step in scenario.steps:
            self._plan(step, scripted=True)
        self._true: deque[Truth] = deque(maxlen=KEPT)
        self._open: dict[tuple[str, str], float] = {}
        self._marks: deque[JobMark] = deque(maxlen=KEPT)
        self._forced: dict[str, bool] = {}
        self._presses: dict[str, int] = {}
        self.switched = 0  # counts every change that a step made to a switch
        self._heater_target_c = scenario.heater.target_c if scenario.heater else None
        self._bed_target_c = scenario.bed.target_c
        self._lost: set[str] = set()
        self.door = Door()
        self.draft_per_h = 0.0
        self.draft_upper = 0.5
        self.fan = 1.0
        self.part_fan = 0.0
        self.lamp = True
        self.camera = "good"
        self.camera_since_s = 0.0
        self.hand_from_s = self.hand_until_s = float("-inf")
        self.build: Build | None = None
        self.done: Build | None = None  # finished, the part still on the bed

    # --- how things stand ---

    @property
    def heater_target_c(self) -> float | None:
        return None if "heater" in self._lost else self._heater_target_c

    @property
    def bed_target_c(self) -> float | None:
        return None if "bed" in self._lost else self._bed_target_c

    @property
    def heating(self) -> bool:
        """Whether bed or heater are switched on and supplied."""
        return self.heater_target_c is not None or self.bed_target_c is not None

    @property
    def unsupplied(self) -> bool:
        """Whether neither gets any current."""
        return {"heater", "bed"} <= self._lost

    @property
    def working(self) -> bool:
        """The machine moves and lays plastic."""
        return self.build is not None and not self.build.paused

    def forced(self, contact: str) -> bool | None:
        """Whether a step holds this switch: True active, False broken, None neither."""
        return self._forced.get(contact)

    def presses(self, contact: str) -> int:
        """How often a step has made this switch active."""
        return self._presses.get(contact, 0)

    def truth(self) -> tuple[Truth, ...]:
        """All that was so (the latest 4096) and what still is, by start."""
        lasting = [Truth(kind, since, None, who) for (kind, who), since in self._open.items()]
        return tuple(sorted([*self._true, *lasting], key=lambda one: one.start_s))

    def take_marks(self) -> tuple[JobMark, ...]:
        """The marks since the last call."""
        marks = tuple(self._marks)
        self._marks.clear()
        return marks

    # --- moving on ---

    def run_until(self, t_s: float) -> None:
        """Carry out, at `t_s`, what is due by then."""
        while self._due and self._due[0][0] <= t_s:
            _, _, step, scripted = heapq.heappop(self._due)
            if scripted and self._repeat_s is not None and step.at_s >= 0.0:
                self._plan(replace(step, at_s=step.at_s + self._repeat_s), scripted=True)
            self._carry_out(step, t_s)

    def build_on(self, t_s: float, step_s: float) -> float:
        """Let the machine build for `step_s`; return the plastic laid down, kg."""
        build = self.build
        if build is None or build.paused:
            return 0.0
        before = build.share
        build.built_s += step_s
        laid_kg = (build.share - before) * build.mass_kg
        if build.share >= 1.0:
            self._finish(t_s)
        elif t_s >= build.next_mark_s:
            build.next_mark_s = t_s + PROGRESS_EVERY_S
            self._mark("progress", t_s, build)
        return laid_kg

    def _plan(self, step: Step, *, scripted: bool) -> None:
        # An end comes before what else is due in the same second.
        order = self._order if scripted else self._order - 1_000_000_000
        self._order += 1
        heapq.heappush(self._due, (step.at_s, order, step, scripted))

    def _after(self, step: Step, do: str) -> None:
        """Plan the opposite of a step that has an end."""
        for_s = step.number("for_s")
        if for_s is not None:
            self._plan(Step(step.at_s + for_s, do, step.values), scripted=False)

    def _begin(self, kind: str, t_s: float, subject: str = "") -> None:
        self._open.setdefault((kind, subject), t_s)

    def _end(self, kind: str, t_s: float, subject: str = "") -> None:
        start_s = self._open.pop((kind, subject), None)
        if start_s is not None:
            self._true.append(Truth(kind, start_s, t_s, subject))

    def _mark(self, kind: str, t_s: float, build: Build) -> None:
        self._marks.append(
            JobMark(kind, t_s, build.name, build.material, build.machine, build.height_mm)
        )

    def _finish(self, t_s: float) -> None:
        if self.build is not None:
            self._mark("finish", t_s, self.build)
            self._end("job", t_s, self.build.name)
            self.done, self.build = self.build, None

    def _carry_out(self, step: Step, t_s: float) -> None:
        match step.do:
            case "open_door":
                self.door.move(t_s, step.number("fraction") or 1.0)
                self._begin("door_open", t_s)
                self._after(step, "close_door")
            case "close_door":
                self.door.move(t_s, 0.0)
                self._end("door_open", t_s + DOOR_SWING_S)
            case "draft":
                self.draft_per_h = step.number("air_changes_per_h") or 0.0
                upper = step.number("upper_share")
                self.draft_upper = 0.5 if upper is None else upper
                if self.draft_per_h > 0.0:
                    self._begin("draft", t_s)
                else:
                    self._end("draft", t_s)
                self._after(step, "_draft_over")
            case "_draft_over":
                self.draft_per_h = 0.0
                self._end("draft", t_s)
            case "fan":
                self.fan = step.number("speed") or 0.0
                self._after(step, "_fan_again")
            case "_fan_again":
                self.fan = 1.0
            case "part_fan":
                self.part_fan = step.number("speed") or 0.0
                self._after(step, "_part_fan_off")
            case "_part_fan_off":
                self.part_fan = 0.0
            case "heater_to":
                self._heater_target_c = step.number("target_c")
            case "bed_to":
                self._bed_target_c = step.number("target_c")
            case "lose_heat":
                of = step.text("of")
                self._lost |= {"heater", "bed"} if of == "both" else {of}
                self._begin("heat_lost", t_s)
                self._after(step, "restore_heat")
            case "restore_heat":
                self._lost.clear()
                self._end("heat_lost", t_s)
            case "hand":
                self.hand_from_s = t_s
                self.hand_until_s = t_s + (step.number("for_s") or 20.0)
            case "lamp_off":
                self.lamp = False
                self._begin("lamp_off", t_s)
                self._after(step, "lamp_on")
            case "lamp_on":
                self.lamp = True
                self._end("lamp_off", t_s)
            case "fire":
                self._begin("fire", t_s)
                self._light(
                    FirePlan(
                        growth=step.text("growth"),
                        smoulder_s=step.number("smoulder_s") or 0.0,
                        peak_kw=step.number("peak_kw") or 20.0,
                        fuel_mj=step.number("fuel_mj") or 10.0,
                    )
                )
            case "fire_out":
                self._put_out()
                self._end("fire", t_s)
            case _:
                self._carry_out_device(step, t_s)

    def _carry_out_device(self, step: Step, t_s: float) -> None:
        """Steps that concern sensors, switches, camera and job."""
        sensor, contact = step.text("sensor"), step.text("contact")
        build = self.build
        match step.do:
            case "sensor_fault":
                self._ail(sensor, step)
                self._begin("sensor_fault", t_s, sensor)
                self._after(step, "sensor_good")
            case "sensor_good":
                self._ail(sensor, None)
                self._end("sensor_fault", t_s, sensor)
            case "contact_on" | "contact_broken":
                self._forced[contact] = step.do == "contact_on"
                self.switched += 1
                if step.do == "contact_on":
                    self._presses[contact] = self._presses.get(contact, 0) + 1
                self._begin(step.do, t_s, contact)
                self._after(step, "_contact_free")
            case "_contact_free":
                self._forced.pop(contact, None)
                self.switched += 1
                self._end("contact_on", t_s, contact)
                self._end("contact_broken", t_s, contact)
            case "camera_lost" | "camera_frozen":
                self.camera, self.camera_since_s = step.do.removeprefix("camera_"), t_s
                self._begin("camera_fault", t_s)
                self._after(step, "camera_good")
            case "camera_good":
                self.camera = "good"
                self._end("camera_fault", t_s)
            case "job_start":
                self._finish(t_s)
                self.done = None
                self._take_part()
                self.build = Build(
                    name=step.text("name"),
                    material=step.text("material"),
                    machine=step.text("machine"),
                    final_mm=step.number("height_mm") or 40.0,
                    mass_kg=(step.number("mass_g") or 120.0) / 1000.0,
                    lasts_s=step.number("build_s") or 14400.0,
                    pieces=int(step.number("pieces") or 6),
                    wide_mm=step.number("wide_mm") or 0.0,
                    next_mark_s=t_s + PROGRESS_EVERY_S,
                )
                self._mark("start", t_s, self.build)
                self._begin("job", t_s, self.build.name)
            case "job_pause" if build is not None and not build.paused:
                build.paused = True
                self._mark("pause", t_s, build)
                self._begin("pause", t_s, build.name)
                self._after(step, "job_resume")
            case "job_resume" if build is not None and build.paused:
                build.paused = False
                self._mark("resume", t_s, build)
                self._end("pause", t_s, build.name)
            case "job_finish":
                self._finish(t_s)
            case "take_part":
                if self.build is None:
                    self.done = None
                    self._take_part()
            case _:
                pass  # a pause or a resume that doesn't fit: no machine obeys it
