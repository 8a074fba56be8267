"""Figures of the thermal watch: found, missed, confused, delays, false alarms, cost.

    .venv/bin/python tests/bench/thermal.py [--set reporting|tuning] [--quick]
        [--hours H] [--json] [--show] [--workers N]
    .venv/bin/python tests/bench/thermal.py --case SEED [--csv DIR]

Whole jobs, cold start to cool-down, from the product's simulated chamber and
from a second physics of the tests' own, drawn by seed: 500 h with events,
1,000 h without unless `--hours` asks for more quiet ones, 40 h in all with
`--quick`. What rules are tuned on has even seeds and other kinds of box than
what is reported. Real recordings are looked for in the folder that
STILLAIR_RECORDINGS names. Prints figures, no verdicts.

`--case` tells one job's truth and what the watch said, line by line; `--csv`
writes its readings for `stillair replay`.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import os
import sys
import time
from collections import defaultdict
from multiprocessing import Pool
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench import thermal_report, thermal_score  # noqa: E402 - the paths above come first
from bench.thermal_jobs import (  # noqa: E402 - the paths above come first
    REPORTING,
    TUNING,
    JobPlan,
    draw,
    plans,
    play,
    rows,
)
from bench.thermal_recordings import recordings  # noqa: E402 - the paths above come first

EVENT_H, FIRE_H, QUIET_H = 450.0, 60.0, 1000.0
QUICK_H = 40.0


def chosen_plans(chosen: str, hours: float | None, *, quick: bool) -> list[JobPlan]:
    """All jobs of a run; `hours` are those of the quiet ones."""
    if quick:
        return [
            *plans(chosen, "events", 0.45 * QUICK_H),
            *plans(chosen, "fire", 0.15 * QUICK_H),
            *plans(chosen, "quiet", 0.4 * QUICK_H),
        ]
    return [
        *plans(chosen, "events", EVENT_H),
        *plans(chosen, "fire", FIRE_H),
        *plans(chosen, "quiet", QUIET_H if hours is None else hours),
    ]


def run_all(jobs: list[JobPlan], workers: int) -> list[thermal_score.JobScore]:
    """Play all jobs, the longest first, so that no worker is left alone at the end."""
    ordered = sorted(jobs, key=lambda plan: -plan.end_s)
    with Pool(workers) as pool:
        scores = pool.map(thermal_score.run, ordered, chunksize=1)
    return sorted(scores, key=lambda score: score.seed)


def parts() -> list[str]:
    """Which share of the watch's time each module takes, over the warm hour of one job."""
    plan = draw(200_003)
    span = (plan.build_s, plan.build_s + 3600.0)
    table = rows(plan, list(play(plan, until_s=span[1])))
    profile = cProfile.Profile()
    profile.enable()
    thermal_score.listen(thermal_score.thermal_plan(plan), table)
    profile.disable()
    spent_s: defaultdict[str, float] = defaultdict(float)
    for entry in profile.getstats():
        code = entry.code
        name = "built in" if isinstance(code, str) else Path(code.co_filename).stem
        spent_s[name] += entry.inlinetime
    total_s = sum(spent_s.values())
    ordered = sorted(spent_s.items(), key=lambda pair: -pair[1])
    shares = [f"{name} {100 * own_s / total_s:.0f} %" for name, own_s in ordered[:10]]
    return ["time by module (profiled): " + ", ".join(shares)]


def case(seed: int, folder: Path | None) -> None:
    """Tell one job's story."""
    plan = draw(seed)
    print(plan.describe())
    print("replay's view has no marks and no target" if plan.marked else "as a replay sees it")
    score = thermal_score.run(plan)
    sound = list(play(plan))
    table = rows(plan, sound)
    heard = thermal_score.listen(thermal_score.thermal_plan(plan), table, plan)
    story: list[tuple[float, str]] = []
    for habit in plan.habits:
        story.append((habit.start_s, f"  habit {habit.kind} {habit.amount:.2f}"
                      f" until {habit.end_s:.0f}"))  # fmt: skip
    for a in score.answers:
        story.append((a.start_s, f"TRUE {a.kind} {a.what} for {a.length_s:.0f} s until"
                      f" {a.start_s + a.length_s:.0f}, {a.size_k:.2f} K"
                      f"{'' if a.must else ' (need not be told)'} -> {a.result}"))  # fmt: skip
    for f in heard.findings:
        detail = json.dumps(dict(f.detail))
        end = "" if f.end_s is None else f" end {f.end_s:.0f}"
        story.append((f.at_s, f"    told {f.change.value} {f.kind.value} {f.subject}"
                      f" onset {f.onset_s:.0f}{end} {detail}"))  # fmt: skip
    for false in score.false:
        story.append((false.at_s, f"FALSE {false.kind} ({false.where})"))
    for t_s, line in sorted(story, key=lambda pair: pair[0]):
        values = "/".join(f"{v:.2f}" for v in sound[min(int(t_s), len(sound) - 1)][1])
        print(f"{t_s:8.0f}  {values:28} {line}")
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"case-{seed}.csv"
        with path.open("w") as out:
            out.write(",".join(["time_s", *(name for name, _ in plan.sensors)]) + "\n")
            for t_s, fields in table:
                cells = [f"{v:.4f}" if isinstance(v, float) else "" for v in fields]
                out.write(",".join([f"{t_s:g}", *cells]) + "\n")
        print(f"written: {path}")


def main() -> None:
    parser = argparse.ArgumentParser(description="figures of the thermal watch")
    parser.add_argument("--set", choices=(TUNING, REPORTING), default=REPORTING, dest="chosen")
    parser.add_argument("--hours", type=float, help="quiet hours instead of 1,000")
    parser.add_argument("--quick", action="store_true", help="40 h in all")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--show", action="store_true", help="name seeds and times")
    parser.add_argument("--case", type=int, metavar="SEED")
    parser.add_argument("--csv", type=Path, metavar="DIR")
    options = parser.parse_args()
    if options.case is not None:
        case(options.case, options.csv)
        return
    begun_s = time.monotonic()
    jobs = chosen_plans(options.chosen, options.hours, quick=options.quick)
    scores = run_all(jobs, options.workers)
    folder = os.environ.get("STILLAIR_RECORDINGS")
    real, real_lines = recordings(Path(folder)) if folder else ({}, [
        "recordings: left out, STILLAIR_RECORDINGS is not set"])  # fmt: skip
    if options.json:
        found = thermal_report.as_object(options.chosen, scores)
        print(json.dumps({**found, "recordings": real}))
        return
    for line in thermal_report.report(options.chosen, scores, show=options.show):
        print(line)
    print()
    for line in real_lines:
        print(line)
    print()
    for line in parts():
        print(line)
    print(f"\ntook {time.monotonic() - begun_s:.0f} s on {options.workers} workers")


if __name__ == "__main__":
    main()
