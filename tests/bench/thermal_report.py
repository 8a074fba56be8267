"""The thermal bench's figures as a table for people or one object for a machine."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from bench.thermal_jobs import ENCLOSURES, GROWTHS, REPORTING, TUNING
from bench.thermal_score import Answer, False_, JobScore

Lines = list[str]
SOON_S = {  # within which a fault is to be told, and how late a slow sensor's reading may come
    "decoded": 3.0, "power_on": 3.0, "failed_conversion": 3.0, "missing": 30.0, "stuck": 180.0,
    "drift": 6 * 3600.0,
}  # fmt: skip


def quartiles(values: Iterable[float | None]) -> str:
    """Quartiles, the 95th hundredth and the most."""
    ordered = sorted(value for value in values if value is not None)
    if not ordered:
        return "-"
    marks = [ordered[min(len(ordered) - 1, int(len(ordered) * part))] for part in
             (0.25, 0.5, 0.75, 0.95)]  # fmt: skip
    return " / ".join(f"{mark:.0f}" for mark in marks) + f" / {ordered[-1]:.0f}"


def poisson_bounds(number: int) -> tuple[float, float]:
    """Means that `number` events leave possible with 95 % each way; (0, 3.0) for none."""

    def up_to(mean: float, most: int) -> float:
        term = total = math.exp(-mean)
        for step in range(1, most + 1):
            term *= mean / step
            total += term
        return total

    def solve(share: Callable[[float], float], target: float) -> float:
        low, high = 0.0, number * 2.0 + 20.0
        for _ in range(80):
            middle = (low + high) / 2.0
            low, high = (middle, high) if share(middle) > target else (low, middle)
        return low

    most = solve(lambda mean: up_to(mean, number), 0.05)
    least = solve(lambda mean: up_to(mean, number - 1), 0.95) if number else 0.0
    return least, most


def rate(number: int, hours: float) -> str:
    least, most = (100.0 * bound / max(hours, 1e-9) for bound in poisson_bounds(number))
    return (
        f"{number:4d} in {hours:6.0f} h = {100.0 * number / max(hours, 1e-9):.2f} per 100 h"
        f" ({least:.2f} to {most:.2f})"
    )


def report(chosen: str, scores: Sequence[JobScore], *, show: bool) -> Lines:
    """All lines of the table."""
    lines = [
        f"set: {chosen} ({'odd' if chosen == REPORTING else 'even'} seeds;"
        f" {', '.join(ENCLOSURES[chosen])})",
        f"the other set: {TUNING if chosen == REPORTING else REPORTING}"
        f" ({', '.join(ENCLOSURES[TUNING if chosen == REPORTING else REPORTING])})",
    ]
    for what in ("events", "fire", "quiet"):
        own = [score for score in scores if score.what == what]
        if own:
            lines.append(f"  {what}: {len(own)} jobs, {sum(s.hours for s in own):.0f} h")
    sensor_s = sum(score.sensor_s for score in scores)
    cost_us = sum(score.watch_s for score in scores) / max(sensor_s, 1) * 1e6
    lines.append(f"  cost: {cost_us:.1f} microseconds a sensor-second (to reach: below 30)")
    answers = [answer for score in scores for answer in score.answers]
    lines += _events(answers, show=show)
    lines += _faults(answers, show=show)
    lines += _fires(answers, show=show)
    lines += _false(scores, show=show)
    lines += _forecasts(scores)
    lines += _expectations(scores)
    return lines


def _events(answers: list[Answer], *, show: bool) -> Lines:
    lines = ["", "events of the size that must be found (delays: quartiles / 95 % / most, s)"]
    rows: list[tuple[str, Callable[[Answer], bool]]] = [
        ("door_open >= 60 s", lambda a: a.kind == "door_open" and a.length_s >= 60.0),
        ("door_open < 60 s", lambda a: a.kind == "door_open" and a.length_s < 60.0),
        ("draft", lambda a: a.kind == "draft"),
        ("heat_lost", lambda a: a.kind == "heat_lost"),
    ]
    for name, is_own in rows:
        for one in (False, True):
            own = [a for a in answers if is_own(a) and a.must and a.one is one]
            if not own:
                continue
            found = [a for a in own if a.result == "found"]
            lines.append(f"{name}{', one sensor' if one else ''}")
            confused = Counter(a.result for a in own if a.result not in ("found", "missed"))
            runner = sum(a.runner_up == a.kind for a in own if a.result not in ("found", "missed"))
            missed = sum(a.result == "missed" for a in own)
            lines.append(
                f"    {len(own)}: found {len(found)} ({100 * len(found) / len(own):.0f} %),"
                f" missed {missed}, called {dict(confused)}"
                f" (of these the runner-up was right: {runner}),"
                f" first called otherwise {sum(a.first != a.kind for a in found)},"
                f" uncertain {sum(bool(a.runner_up) for a in found)}"
            )
            for one_wire in (False, True):
                these = [a for a in found if a.one_wire is one_wire]
                every = [a for a in own if a.one_wire is one_wire]
                if every:
                    lines.append(
                        f"    {'1-Wire      ' if one_wire else 'thermocouple'}:"
                        f" {len(these)} of {len(every)},"
                        f" delay {quartiles(a.delay_s for a in these)},"
                        f" onset off {quartiles(a.onset_off_s for a in these)}"
                        f" (within {15 if one_wire else 5} s:"
                        f" {_within((a.onset_off_s for a in these), 15 if one_wire else 5)}),"
                        f" end off {quartiles(a.end_off_s for a in these)}"
                        f" ({_within((a.end_off_s for a in these), 15 if one_wire else 5)})"
                    )
            if name in ("draft", "heat_lost"):
                doors = sum("door_open" in a.ever for a in own)
                last = sum(a.result == "door_open" for a in own)
                lines.append(f"    called a door at last {last}, at any time {doors}")
            if name == "heat_lost":
                soon = [a for a in own if a.delay_s is not None and a.delay_s <= 180.0]
                soon = [a for a in soon if a.result == "found"]
                visible = [a for a in own if (a.early_k or 0.0) >= 1.0]
                both = sum(a in soon for a in visible)
                lines.append(
                    f"    within 180 s: {len(soon)} of {len(own)}; of the {len(visible)} that"
                    f" changed a sensor by 1 K within 180 s: {both}"
                )
            if show:
                lines += _misses(own)
    less = [a for a in answers if a.kind in ("door_open", "draft", "heat_lost") and not a.must]
    for kind in ("door_open", "draft", "heat_lost"):
        own = [a for a in less if a.kind == kind]
        results = dict(Counter(a.result for a in own))
        lines.append(f"smaller than that, {kind}: {len(own)}, {results}")
    return lines


def _within(values: Iterable[float | None], allowed_s: float) -> str:
    known = [value for value in values if value is not None]
    return f"{sum(abs(value) <= allowed_s for value in known)} of {len(known)}"


def _misses(own: list[Answer]) -> Lines:
    return [
        f"        {a.seed} @{a.start_s:.0f} {a.result} {a.length_s:.0f} s {a.size_k:.1f} K"
        f" {a.what} {a.phase} {a.physics} {'1-Wire' if a.one_wire else 'tc'}"
        f" or {a.runner_up or '-'}"
        for a in own
        if a.result != "found"
    ]


def _faults(answers: list[Answer], *, show: bool) -> Lines:
    lines = ["", "faults of sensors"]
    for what in sorted({a.what for a in answers if a.kind == "fault"}):
        own = [a for a in answers if a.kind == "fault" and a.what == what]
        must = [a for a in own if a.must]
        found = [a for a in must if a.result == "found"]
        lines.append(
            f"    {what}: must be told {len(must)}, found {len(found)},"
            f" delay {quartiles(a.delay_s for a in found)}{_soon(what, found)};"
            f" need not be told {len(own) - len(must)},"
            f" of these told {sum(a.result == 'found' for a in own if not a.must)}"
        )
        if show:
            lines += _misses(must)
    return lines


def _soon(what: str, found: list[Answer]) -> str:
    allowed_s = SOON_S.get(what)
    if allowed_s is None:
        return ""
    soon = sum(a.delay_s is not None and a.delay_s <= allowed_s + 1.0 for a in found)
    return f" (within {allowed_s:g} s and the second's tick: {soon})"


def _fires(answers: list[Answer], *, show: bool) -> Lines:
    fires = [a for a in answers if a.kind == "fire"]
    if not fires:
        return []
    lines = ["", "fires growing as t squared, before the air (thermocouple) or sensor (1-Wire)"
             " reaches 84 degrees"]  # fmt: skip
    for growth in GROWTHS:
        for one_wire in (False, True):
            own = [a for a in fires if a.what == growth and a.one_wire is one_wire]
            if not own:
                continue
            must = [a for a in own if a.must]
            lines.append(
                f"    {growth}, {'1-Wire' if one_wire else 'thermocouple'}: {len(own)},"
                f" told {sum(a.result != 'missed' for a in own)},"
                f" in time {sum(a.result == 'found' for a in must)} of {len(must)},"
                f" margin {quartiles(a.margin_s for a in must)} s,"
                f" delay {quartiles(a.delay_s for a in own)} s"
            )
            if show:
                lines += _misses(must)
    return lines


def _false(scores: Sequence[JobScore], *, show: bool) -> Lines:
    calm = sum(score.calm_hours for score in scores)
    hours = sum(score.hours for score in scores)
    false = [one for score in scores for one in score.false]
    beside = [one for score in scores for one in score.beside]
    lines = ["", "false events (95 % bounds each way)"]
    lines.append(f"    all kinds:   {rate(len(false), calm)}")
    for one in (False, True):
        name = "one sensor: " if one else "two or more:"
        own_h = sum(score.calm_hours for score in scores if score.one is one)
        lines.append(f"    {name} {rate(sum(f.one is one for f in false), own_h)}")
    for what in ("quiet", "events"):
        own_h = sum(s.calm_hours for s in scores if s.what == what)
        number = sum(len(s.false) for s in scores if s.what == what)
        lines.append(f"    {what} jobs: {rate(number, own_h)}")
    told_jobs = len({one.seed for one in false})
    lines.append(f"    jobs with any: {told_jobs} of {len(scores)}")
    fires = sum(f.kind in ("fire", "rapid_rise", "over_temperature") for f in false)
    lines.append(f"    fire kinds:  {rate(fires, hours)}")
    by_kind = Counter((f.kind, f.where) for f in false)
    for (kind, where), number in sorted(by_kind.items(), key=lambda item: -item[1]):
        own = [f for f in false if (f.kind, f.where) == (kind, where)]
        lines.append(
            f"        {kind} ({where}): {number} in {len({f.seed for f in own})} jobs,"
            f" {sum(f.one for f in own)} with one sensor"
        )
        if show:
            lines += _places(own)
    lines.append(f"    of a wrong kind beside a true event: {rate(len(beside), hours)}")
    pairs = Counter(f"{b.kind} {b.where}" for b in beside)
    for pair, number in pairs.most_common():
        lines.append(f"        {pair}: {number}")
        if show:
            lines += _places([b for b in beside if f"{b.kind} {b.where}" == pair])
    states = Counter(s.kind for score in scores for s in score.states)
    lines.append(
        "    below_target and too_warm, all (those that were not so are among the false):"
        f" {dict(states)}"
    )
    ends = [end for score in scores for end in score.ends]
    lines.append(
        f"    heat_lost at the end of a job without marks (not false): {sum(ends)} of {len(ends)}"
    )
    return lines


def _forecasts(scores: Sequence[JobScore]) -> Lines:
    """How often the truth lay within what was told: k = 2 promises some 95 of 100."""
    lines = ["", "forecasts, one a minute, of what was then told and nothing came between"]
    bounds = (0.0, 300.0, 900.0, 1800.0, math.inf)
    for kind in ("soak_ready", "cool_enough"):
        every = [f for score in scores for f in score.forecasts if f.kind == kind]
        within = sum(abs(f.off_s) <= f.u_s for f in every)
        lines.append(f"    {kind}: {len(every)}, truth within the uncertainty {within}")
        for least_s, most_s in pairwise(bounds):
            own = [f for f in every if least_s <= f.lead_s < most_s]
            if own:
                near = sum(abs(f.off_s) <= f.u_s for f in own)
                lines.append(
                    f"        {least_s / 60:.0f} to {most_s / 60:.0f} min ahead: {len(own)},"
                    f" within {100 * near / len(own):.0f} %,"
                    f" late by {quartiles(f.off_s for f in own)} s,"
                    f" uncertainty {quartiles(f.u_s for f in own)} s"
                )
    return lines


def _expectations(scores: Sequence[JobScore]) -> Lines:
    """How often a reading lay within what was expected of it: normal ones 95.4 and 99.7 %."""
    lines = ["", "expected readings, while nothing was the matter: within 2 and 3 standard"
             " deviations; said to be off"]  # fmt: skip
    for kind in (*sorted({score.misses.kind for score in scores}), "all"):
        own = [score.misses for score in scores if kind in (score.misses.kind, "all")]
        number = sum(m.number for m in own)
        if number:
            lines.append(
                f"    {kind}: {number} readings of {len(own)} jobs,"
                f" {100 * sum(m.within_2 for m in own) / number:.1f} %,"
                f" {100 * sum(m.within_3 for m in own) / number:.1f} %;"
                f" off {100 * sum(m.off for m in own) / number:.2f} %"
            )
    return lines


def _places(own: list[False_]) -> Lines:
    return ["            " + " ".join(f"{f.seed}@{f.at_s:.0f}" for f in own)]


def as_object(chosen: str, scores: Sequence[JobScore]) -> dict[str, object]:
    """Everything, for a machine."""
    by_job: dict[str, list[object]] = defaultdict(list)
    for score in scores:
        by_job[score.what].append(score.as_dict())
    return {"set": chosen, "jobs": dict(by_job)}
