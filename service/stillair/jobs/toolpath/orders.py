"""What a file says beside motion: heat, fan, tools, limits. Few lines, one after the other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from math import isnan, nan, pi

import numpy as np
from numpy.typing import NDArray

from stillair.errors import ToolpathError
from stillair.jobs.toolpath.limits import Axes, MotionLimits
from stillair.jobs.toolpath.modes import in_force
from stillair.jobs.toolpath.words import HALTS_M, Words

MOST_REGIMES = 10_000
LETTERS = "SPRTXYZEJD"
PER_MINUTE_MM_S = 1000.0  # no axis is so fast: a limit above it was meant in mm/min
FASTEST, LEAST = 1e6, 1e-3


@dataclass(frozen=True, slots=True)
class Regime:
    """The limits of motion that are in force."""

    speed_mm_s: Axes
    acceleration_mm_s2: Axes
    road_mm_s2: float
    travel_mm_s2: float
    filament_mm_s2: float
    corner_deviation_mm: float
    corner_change_mm_s: float  # nan where the deviation counts


@dataclass(slots=True)
class Said:
    """A value that changes on some lines of a piece: `at` these lines, `to` these."""

    before: float
    at: list[int] = field(default_factory=list)
    to: list[float] = field(default_factory=list)

    def add(self, line: int, value: float) -> None:
        """It is this from that line on."""
        self.at.append(line)
        self.to.append(value)

    def on(self, count: int) -> NDArray[np.float64]:
        """What is in force on each of so many lines."""
        at, to = np.array(self.at, np.int64), np.array(self.to, np.float64)
        order = np.argsort(at, kind="stable")
        return in_force(count, at[order], to[order], self.before)


@dataclass(slots=True)
class Changes:
    """All that one piece says beside motion."""

    regime: Said
    fan: Said
    nozzle_c: Said
    bed_c: Said
    speed: Said  # factor on every feed
    flow: Said  # factor on all that is pushed out
    area: Said  # mm2 of filament; 1 where E is a volume
    tool: Said
    halts: list[int] = field(default_factory=list)


Parameter = Callable[[str], float]


class Orders:
    """Follow the orders of a file that are no motion. Keeps what is in force."""

    def __init__(self, limits: MotionLimits) -> None:
        self.filament_mm2 = pi * limits.filament_diameter_mm**2 / 4
        first = Regime(
            limits.speed_mm_s,
            limits.acceleration_mm_s2,
            limits.road_mm_s2,
            limits.travel_mm_s2,
            limits.filament_mm_s2,
            limits.corner_deviation_mm,
            nan if limits.corner_change_mm_s is None else limits.corner_change_mm_s,
        )
        self.regimes: list[Regime] = [first]
        self.regime = 0
        self.fan = 0.0
        self.most_fan = 0.0
        self.tool = 0
        self.nozzle_c = nan
        self.bed_c = nan
        self.chamber_c: float | None = None
        self.speed = 1.0
        self.flow = 1.0
        self.area = self.filament_mm2
        self._nozzles: dict[int, float] = {}
        self._numbers = {str(first): 0}

    def follow(self, words: Words, no_tool: set[int]) -> Changes:
        """What the lines of a piece change. `no_tool` are lines whose T means something else.

        Raises `ToolpathError`.
        """
        changes = Changes(
            Said(self.regime),
            Said(self.fan),
            Said(self.nozzle_c),
            Said(self.bed_c),
            Said(self.speed),
            Said(self.flow),
            Said(self.area),
            Said(self.tool),
        )
        for line, letter, value, parameter in _orders(words, no_tool):
            if isnan(value):
                continue  # T alone asks which tool it is
            if letter == "T":
                self._take_tool(int(value), line, changes)
            elif (code := int(value)) in HALTS_M:
                changes.halts.append(line)
            else:
                self._obey(code, line, parameter, changes, words.first_line + line)
        return changes

    def set_nozzle(self, tool: int, temperature_c: float, line: int, changes: Changes) -> None:
        """A tool is to have this temperature from now on."""
        if isnan(temperature_c) or not 0 <= temperature_c <= 1000:
            return
        if len(self._nozzles) < 1000:
            self._nozzles[tool] = temperature_c
        if tool == self.tool:
            self.nozzle_c = temperature_c
            changes.nozzle_c.add(line, temperature_c)

    def _take_tool(self, tool: int, line: int, changes: Changes) -> None:
        if tool == self.tool or not 0 <= tool < 256:
            return
        self.tool = tool
        self.nozzle_c = self._nozzles.get(tool, self.nozzle_c)
        changes.nozzle_c.add(line, self.nozzle_c)
        changes.tool.add(line, tool)

    def _obey(
        self, code: int, line: int, parameter: Parameter, changes: Changes, number: int
    ) -> None:
        s = parameter("S")
        match code:
            case 104 | 109:
                told = s if not isnan(s) else parameter("R")
                tool = parameter("T")
                self.set_nozzle(self.tool if isnan(tool) else int(tool), told, line, changes)
            case 140 | 190:
                told = s if not isnan(s) else parameter("R")
                if 0 <= told <= 500:
                    self.bed_c = told
                    changes.bed_c.add(line, told)
            case 141 | 191:
                told = s if not isnan(s) else parameter("R")
                if 0 < told <= 500:
                    self.chamber_c = max(told, self.chamber_c or 0.0)
            case 106 | 107:
                self._blow(code, line, s, parameter("P"), changes)
            case 200:
                d = parameter("D")
                if not isnan(d):
                    self.area = 1.0 if d > 0 else self.filament_mm2
                    changes.area.add(line, self.area)
            case 220 if 1 <= s <= 1000:
                self.speed = s / 100
                changes.speed.add(line, self.speed)
            case 221 if 1 <= s <= 1000:
                self.flow = s / 100
                changes.flow.add(line, self.flow)
            case 201 | 203 | 204 | 205:
                self._limit(code, parameter, line, changes, number)
            case _:
                pass

    def _blow(self, code: int, line: int, s: float, which: float, changes: Changes) -> None:
        if not isnan(which) and which != 0:
            return  # another fan: of the electronics, of the box
        told = 0.0 if code == 107 else 255.0 if isnan(s) else min(max(s, 0.0), 255.0)
        self.fan = told
        self.most_fan = max(self.most_fan, told)
        changes.fan.add(line, told)

    def _limit(
        self, code: int, parameter: Parameter, line: int, changes: Changes, number: int
    ) -> None:
        now = self.regimes[self.regime]
        match code:
            case 201:
                new = replace(now, acceleration_mm_s2=_axes(now.acceleration_mm_s2, parameter))
            case 203:
                told = _axes(now.speed_mm_s, parameter)
                if max(told) > PER_MINUTE_MM_S:
                    told = _axes(now.speed_mm_s, lambda axis: parameter(axis) / 60)
                new = replace(now, speed_mm_s=told)
            case 204:
                both = parameter("S")
                new = replace(
                    now,
                    road_mm_s2=_fit(_either(parameter("P"), both), now.road_mm_s2),
                    travel_mm_s2=_fit(_either(parameter("T"), both), now.travel_mm_s2),
                    filament_mm_s2=_fit(parameter("R"), now.filament_mm_s2),
                )
            case _:
                deviation, change = parameter("J"), _either(parameter("X"), parameter("Y"))
                if deviation > 0:
                    fit = _fit(deviation, now.corner_deviation_mm)
                    new = replace(now, corner_deviation_mm=fit, corner_change_mm_s=nan)
                elif change > 0:
                    new = replace(now, corner_change_mm_s=_fit(change, now.corner_change_mm_s))
                else:
                    new = now
        # By its text: nan is no key, as it isn't equal to itself.
        known = self._numbers.setdefault(str(new), len(self.regimes))
        if known == len(self.regimes):
            if known == MOST_REGIMES:
                raise ToolpathError(
                    number, f"limits of motion in more than {MOST_REGIMES:,} different ways"
                )
            self.regimes.append(new)
        self.regime = known
        changes.regime.add(line, known)


def _orders(words: Words, no_tool: set[int]) -> Iterator[tuple[int, str, float, Parameter]]:
    """Each M and T of a piece in order: its line, letter, number, and what its line adds."""
    m_lines, m_values = words.of("M")
    t_lines, t_values = words.of("T")
    with_m = set(m_lines.tolist())
    found: list[tuple[int, str, float]] = [
        (line, "M", value) for line, value in _pairs(m_lines.tolist(), m_values.tolist())
    ]
    found += [
        (line, "T", value)
        for line, value in _pairs(t_lines.tolist(), t_values.tolist())
        if line not in with_m and line not in no_tool
    ]
    if not found:
        return
    columns = {letter: words.column(letter) for letter in LETTERS} if with_m else {}
    for line, letter, value in sorted(found, key=lambda order: order[0]):

        def parameter(name: str, line: int = line) -> float:
            return float(columns[name][line])

        yield line, letter, value, parameter


def _pairs(lines: Iterable[int], values: Iterable[float]) -> Iterator[tuple[int, float]]:
    return zip(lines, values, strict=True)


def _axes(now: Axes, parameter: Parameter) -> Axes:
    x, y, z, e = (_fit(parameter(axis), old) for axis, old in zip("XYZE", now, strict=True))
    return (x, y, z, e)


def _either(first: float, second: float) -> float:
    return second if isnan(first) else first


def _fit(told: float, now: float) -> float:
    """A limit that was told, if it can be one."""
    return told if LEAST <= told <= FASTEST else now
