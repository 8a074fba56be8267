"""Minutes of anything at all, asked of a real service and fed to what reads from outside.

    .venv/bin/python tests/bench/hostile.py [--minutes 30] [--fuzz-minutes 5] [--seed 1]

schemathesis asks one service after the other, each as every kind of caller, with all its phases
(edges of every form, chance, chains of requests). Afterwards hypothesis looks for new examples in
the tests of all that reads from outside. Printed: requests, findings with the words of
schemathesis, what the service's log says of errors, what memory and open files did.
Exit status 1 if anything was found.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = os.pathsep.join(sys.path[:2])

from hostile import EVERYBODY, PERSON, Attacked, attacked  # noqa: E402 - the paths come first

TURN_S = 60  # one caller's turn
READERS = (
    "tests/integration/test_hostile_peers.py",
    "tests/unit/test_hostile_input.py",
    "tests/unit/test_config_hostile.py",
    "tests/unit/test_table.py",
    "tests/unit/test_mjpeg.py",
    "tests/unit/test_sensing_payloads.py",
    "tests/unit/test_sensing_scratchpad.py",
    "tests/unit/test_sensing_thermocouple.py",
    "tests/unit/test_sensing_particles.py",
    "tests/unit/test_simulation_scenario.py",
)


def size_of(pid: int) -> tuple[float, int]:
    """Resident memory in MB, and how many files are open."""
    status = Path(f"/proc/{pid}/status").read_text()
    found = re.search(r"VmRSS:\s+(\d+)", status)
    assert found
    return int(found[1]) / 1024, len(list(Path(f"/proc/{pid}/fd").iterdir()))


def ask(minutes: float, seed: int) -> int:
    """Ask for so long; how much was found."""
    asked = findings = 0
    until_s = time.monotonic() + minutes * 60
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held)
        with attacked(folder) as service:
            first_mb, first_files = size_of(service.service.pid)
            while (left_s := until_s - time.monotonic()) > 1.0:
                for who in EVERYBODY:
                    seed += 1
                    asked_now, found_now = turn(service, who, min(TURN_S, left_s), seed, folder)
                    asked += asked_now
                    findings += found_now
                    if time.monotonic() > until_s:
                        break
            mb, files = size_of(service.service.pid)
            defects = service.defects()
        print(f"requests        {asked}")
        print(f"findings        {findings}")
        print(f"lines of errors {len(defects)} in the service's log", *defects[:10], sep="\n  ")
        print(f"memory          {first_mb:.0f} MB at first, {mb:.0f} MB at last")
        print(f"open files      {first_files} at first, {files} at last")
    return findings + len(defects)


def turn(service: Attacked, who: str, seconds: float, seed: int, folder: Path) -> tuple[int, int]:
    """One caller's turn: how much was asked and found."""
    words = ["--seed", str(seed), "--max-time", str(max(5, int(seconds))), "--max-examples", "40"]
    if who == PERSON:
        words += ["--include-path-regex", "/api/session"]
    done = service.run(who, *words, cwd=folder)
    print(f"as {who:14} {done.requests:6} requests, {done.findings} findings, seed {seed}")
    if done.words:
        print(done.words)
    if not service.lets_in(who):
        print(f"   {who} is not known any more: made anew")
        service.come_back(who)
    sys.stdout.flush()
    return done.requests, done.findings


def fuzz(minutes: float) -> int:
    """Let hypothesis look for new examples for so long; how many runs found one."""
    until_s, rounds, failed = time.monotonic() + minutes * 60, 0, 0
    while time.monotonic() < until_s:
        there = [name for name in READERS if (ROOT / name).exists()]
        done = subprocess.run(
            [
                *(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"),
                *("--hypothesis-profile=explore", *there),
            ],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        rounds += 1
        failed += done.returncode != 0
        if done.returncode:
            print(done.stdout)
    print(f"fuzzing         {rounds} rounds, {failed} with findings")
    return failed


def main() -> None:
    """Ask, fuzz, print; exit status 1 where anything was found."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--minutes", type=float, default=30.0)
    options.add_argument("--fuzz-minutes", type=float, default=5.0)
    options.add_argument("--seed", type=int, default=int(time.time()))
    given = options.parse_args()
    found = ask(given.minutes, given.seed) if given.minutes > 0 else 0
    found += fuzz(given.fuzz_minutes) if given.fuzz_minutes > 0 else 0
    sys.exit(bool(found))


if __name__ == "__main__":
    main()
