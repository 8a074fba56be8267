"""Figures of the fire watch by camera: found, delays, false events, blind views, cost.

    .venv/bin/python tests/bench/fire.py [--hours 12] [--fires 200] [--tuning]
        [--kinds NAME ...] [--per-s RATE] [--clips DIR] [--workers 2] [--show] [--cost-only]
        [--every-picture]

Simulated scenes (tests/bench/fire_scenes.py) go through `Vision` and `Watch` as a
replay goes, so a flame that stays becomes fire. Even seeds are for tuning, odd ones
for reporting. Real clips are looked for in the folder `video` below
STILLAIR_RECORDINGS and in the one that `--clips` names, each with a
`catalogue.csv` of file, flame, smoke, onset_s and indoor; the hash of a file's name
says whether it is for tuning or for reporting. Prints figures, no verdicts. Bounds
are those of 95 % (Wilson's for shares, Poisson's for counts).
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from multiprocessing import get_context
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench import fire_score  # noqa: E402 - the paths above come first
from bench.figures import share, show  # noqa: E402
from bench.fire_clips import ClipScore, by_set, watch_clip  # noqa: E402
from bench.fire_cost import cost_figures  # noqa: E402
from bench.fire_scenes import (  # noqa: E402
    BLIND,
    FLAMES,
    HARMLESS,
    SMOKES,
    usual_seconds,
)
from bench.fire_score import Score, score  # noqa: E402
from bench.thermal_report import poisson_bounds  # noqa: E402
from stillair.simulation.look import WALLS  # noqa: E402

MOST_BLIND = 12  # scenes of each condition; fewer where fewer fires are asked for
RATES_PER_S = (10.0, 12.0, 15.0)  # how fast cameras come
SELDOM = {"slow smoulder": 3}  # every third round of the smokes: it takes ten times as long
Task = tuple[str, int, float]


def tasks(
    hours: float,
    fires: int,
    kinds: Sequence[str],
    *,
    tuning: bool,
    rates_per_s: Sequence[float] = RATES_PER_S,
) -> list[Task]:
    """Kind, seed and pictures a second of every scene of a run."""
    first = 0 if tuning else 1

    def task(kind: str, number: int) -> Task:
        seed = first + 2 * number
        return kind, seed, rates_per_s[zlib.crc32(f"{kind}{seed}".encode()) % len(rates_per_s)]

    found: list[Task] = []
    harmless = [kind for kind in HARMLESS if not kinds or kind in kinds]
    number, left_s = 0, hours * 3600.0
    while harmless and left_s > 0.0:
        kind = harmless[number % len(harmless)]
        found.append(task(kind, number // len(harmless)))
        left_s -= usual_seconds(kind)
        number += 1
    for family, count in ((FLAMES, fires - fires // 2), (SMOKES, fires // 2)):
        chosen = [kind for kind in family if not kinds or kind in kinds]
        number, left = 0, count if chosen else 0
        while left > 0:
            for kind in chosen:
                if number % SELDOM.get(kind, 1) == 0 and left > 0:
                    found.append(task(kind, number))
                    left -= 1
            number += 1
    each = min(MOST_BLIND, math.ceil(fires / 20))
    found.extend(task(kind, n) for kind in BLIND if not kinds or kind in kinds for n in range(each))
    return found


def wilson(found: int, of: int) -> tuple[float, float]:
    """Bounds of 95 % of a share (Wilson, E. B. (1927), J. Am. Stat. Assoc. 22)."""
    if of == 0:
        return 0.0, 1.0
    z = 1.96
    middle = (found / of + z * z / (2 * of)) / (1 + z * z / of)
    half = (
        z / (1 + z * z / of) * ((found / of) * (1 - found / of) / of + z * z / (4 * of**2)) ** 0.5
    )
    return max(0.0, middle - half), min(1.0, middle + half)


def of_line(name: str, found: int, of: int, delays_s: Sequence[float] = ()) -> str:
    """Found of how many, bounds, delays."""
    if not of:
        return ""
    low, high = wilson(found, of)
    line = f"  {name:30} {found:4} of {of:4}  {found / of:6.1%}  ({low:.1%} to {high:.1%})"
    if delays_s:
        line += f"  median {share(delays_s, 0.5):.1f} s, 95 % {share(delays_s, 0.95):.1f} s"
    return line


def false_line(name: str, number: int, hours: float) -> str:
    if hours <= 0.0:
        return ""
    low, high = poisson_bounds(number)
    return (
        f"  {name:30} {number:4} in {hours:6.2f} h, {12 * number / hours:6.2f} in 12 h"
        f"  ({12 * low / hours:.2f} to {12 * high / hours:.2f})"
    )


def _begin(sparing: bool) -> None:
    """In each process of the pool."""
    fire_score.sparing = sparing


def _work(task: Task) -> Score:
    return score(*task)


def scene_lines(scores: Sequence[Score]) -> Iterator[str]:
    """Everything that is said of the simulated scenes."""
    by_kind: dict[str, list[Score]] = defaultdict(list)
    for each in scores:
        by_kind[each.kind].append(each)
    yield "flames: told as flame or fire; delay from the onset"
    flames = [s for kind in FLAMES for s in by_kind[kind]]
    for name, some in (*((kind, by_kind[kind]) for kind in FLAMES), ("all flames", flames)):
        delays = [s.flame_s for s in some if s.flame_s is not None]
        yield of_line(name, len(delays), len(some), delays)
    for low, high in ((0.03, 0.06), (0.06, 0.10), (0.10, 0.16)):
        some = [s for s in flames if low <= s.width < high]
        delays = [s.flame_s for s in some if s.flame_s is not None]
        yield of_line(f"grown to {low:.0%} to {high:.0%} wide", len(delays), len(some), delays)
    delays = [s.fire_s for s in flames if s.fire_s is not None]
    yield of_line("told as fire", len(delays), len(flames), delays)
    yield "smokes: told as smoke; delay from hiding 15 % (8 %) of contrast over a tenth"
    smokes = [s for kind in SMOKES for s in by_kind[kind]]
    for name, some in (
        *((kind, by_kind[kind]) for kind in SMOKES),
        *((f"before {wall}", [s for s in smokes if s.wall == wall]) for wall in WALLS),
        ("all smokes", smokes),
    ):
        yield of_line(f"{name}: at all", sum(s.smoke_told for s in some), len(some))
        for limit, reached, after, within in (
            ("15 %", "reached_15", "from_15_s", 15.0),
            ("8 %", "reached_8", "from_8_s", 60.0),
        ):
            counted = [s for s in some if getattr(s, reached)]
            times = [t for s in counted if (t := getattr(s, after)) is not None]
            soon = sum(t <= within for t in times)
            yield of_line(f"  {limit} within {within:.0f} s", soon, len(counted), times)
    yield "false events: in harmless scenes; before the onset of fires"
    harmless = [s for kind in HARMLESS for s in by_kind[kind]]
    before = flames + smokes
    for name, some in (*((kind, by_kind[kind]) for kind in HARMLESS), ("harmless", harmless)):
        hours = sum(s.quiet_s for s in some) / 3600.0
        told = Counter(kind for s in some for kind, _ in s.false)
        blind = sum(s.heard.blind_s for s in some) / max(1.0, sum(s.heard.seconds for s in some))
        if line := false_line(name, sum(told.values()), hours):
            yield f"{line}  blind {blind:.1%}" + "".join(f", {k} {n}" for k, n in told.items())
    for kind in ("flame", "smoke", "fire"):
        hours = sum(s.quiet_s for s in harmless) / 3600.0
        yield false_line(kind, sum(f == kind for s in harmless for f, _ in s.false), hours)
    hours = sum(s.quiet_s for s in before) / 3600.0
    yield false_line("before the onset", sum(len(s.false) for s in before), hours)
    yield "blind views: told as blind within 5 s (by their own name)"
    for kind in BLIND:
        some = by_kind[kind]
        delays = [s.blind_after_s for s in some if s.blind_after_s is not None]
        soon = sum(after <= 5.0 for after in delays)
        if line := of_line(kind, soon, len(some), delays):
            yield f"{line}  named {sum(s.named for s in some)}"
    frames = sum(s.heard.frames for s in scores)
    spent_s = sum(s.heard.vision_s for s in scores)
    if frames:
        yield f"vision in these: {1e3 * spent_s / frames:.2f} ms a picture, {frames} pictures"


def clip_lines(name: str, scores: Sequence[ClipScore], *, show: bool) -> Iterator[str]:
    """What is said of a folder of real clips."""
    yield f"real clips, {name}"
    for each in scores:
        if each.error:
            yield f"  left out: {each.error}"
    read = [s for s in scores if s.heard is not None]
    flames = [s for s in read if s.clip.flame]
    indoor = [s for s in flames if s.clip.indoor]
    smokes = [s for s in read if s.clip.smoke]
    quiet = [s for s in read if not s.clip.flame and not s.clip.smoke]

    def found(some: Sequence[ClipScore], *kinds: str) -> tuple[int, int, list[float]]:
        delays = [t for s in some if (t := s.after_s(*kinds)) is not None]
        return len(delays), len(some), delays

    yield of_line("flame", *found(flames, "flame", "fire"))
    yield of_line("flame, indoor", *found(indoor, "flame", "fire"))
    yield of_line("smoke", *found(smokes, "smoke"))
    burning = [s for s in read if s.clip.flame or s.clip.smoke]
    yield of_line("flame or smoke, told as any", *found(burning, "flame", "smoke", "fire"))
    yield of_line("harmless clips alarmed", sum(bool(s.heard and s.heard.raised) for s in quiet),
                  len(quiet))  # fmt: skip
    hours = sum(s.heard.seconds for s in quiet if s.heard) / 3600.0
    yield false_line("false events", sum(len(s.heard.raised) for s in quiet if s.heard), hours)
    if show:
        for each in read:
            assert each.heard is not None
            truth = "flame" * each.clip.flame + " smoke" * each.clip.smoke or "harmless"
            told = ", ".join(f"{kind} {at_s:.0f}" for kind, at_s, _ in each.heard.raised)
            blind = each.heard.blind_s / max(1.0, each.heard.seconds)
            yield (
                f"    {each.clip.path.name[:40]:40} {truth:12} {each.heard.seconds:5.0f} s"
                f"  blind {blind:4.0%}  told: {told or '-'}"
            )


def story(each: Score) -> str:
    """One line on one scene, for whoever looks for the reason."""
    told = ", ".join(f"{kind} {at_s:.1f}" for kind, at_s, _ in each.heard.raised)
    views = ", ".join(f"{what} {t_s:.0f}" for t_s, what in each.heard.conditions[:8])
    return (
        f"    {each.name:32} {each.wall:9} false {len(each.false)} flame {_s(each.flame_s)}"
        f" 15 % {_s(each.from_15_s)} 8 % {_s(each.from_8_s)} blind {_s(each.blind_after_s)}"
        f" told: {told or '-'}; view: {views}"
    )


def _s(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds:.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(description="figures of the fire watch by camera")
    parser.add_argument("--hours", type=float, default=12.0, help="of harmless scenes")
    parser.add_argument("--fires", type=int, default=200)
    parser.add_argument("--tuning", action="store_true", help="the set for tuning (even seeds)")
    parser.add_argument("--kinds", nargs="*", default=[], help="only these kinds of scene")
    parser.add_argument("--per-s", type=float, help="pictures a second of every scene")
    parser.add_argument("--clips", type=Path, action="append", default=[], metavar="DIR")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="a line for every scene and clip")
    parser.add_argument(
        "--every-picture", action="store_true", help="look at all, also where nothing stirs"
    )
    parser.add_argument("--cost-only", action="store_true")
    options = parser.parse_args()
    os.nice(5)
    if options.cost_only:
        show(list(cost_figures()), as_json=False)
        return
    chosen = tasks(
        options.hours,
        options.fires,
        options.kinds,
        tuning=options.tuning,
        rates_per_s=(options.per_s,) if options.per_s else RATES_PER_S,
    )
    folders: list[Path] = list(options.clips)
    if recordings := os.environ.get("STILLAIR_RECORDINGS"):
        folders.append(Path(recordings, "video"))
    which = "tuning" if options.tuning else "reporting"
    with get_context("spawn").Pool(options.workers, _begin, (not options.every_picture,)) as pool:
        ordered = sorted(chosen, key=lambda task: -usual_seconds(task[0]))
        scores = sorted(pool.imap_unordered(_work, ordered), key=lambda each: each.name)
        watched = {
            named: pool.map(watch_clip, clips, chunksize=1)
            for named, clips in by_set(folders).items()
        }
    print(f"simulated scenes, set for {which}: {len(scores)} scenes")
    if scores:
        print("\n".join(filter(None, scene_lines(scores))))
    if options.show:
        print("\n".join(story(each) for each in scores))
    for (folder, part), own in watched.items():
        lines = clip_lines(f"{folder}, {part}", own, show=options.show)
        print("\n".join(filter(None, lines)))
    show(list(cost_figures()), as_json=False)


if __name__ == "__main__":
    main()
