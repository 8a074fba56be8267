"""How long a toolpath of 100 MB takes, and how much memory: figures, no verdicts.

    .venv/bin/python tests/bench/toolpath.py [--mb 100] [--kind bushing ...]

Each kind is written to a file first, then read by a process of its own, whose peak is
told as a whole and above what the same process has when it has loaded its modules.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import chain, cycle, islice
from math import cos, sin, tau
from pathlib import Path

from stillair.simulation.toolpaths import BUSHING, FIN_BOX, SPACER, Build, toolpath_lines

READ = """
import json, resource, sys, time
from stillair.jobs.toolpath.analysis import analyse
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
before = peak()
began, cpu = time.perf_counter(), time.process_time()
with open(sys.argv[1], "rb") as file:
    found = analyse(iter(lambda: file.read(1 << 16), b""))
print(json.dumps({"s": time.perf_counter() - began, "cpu_s": time.process_time() - cpu,
    "before_mb": before, "peak_mb": peak(), "layers": found.whole.layers,
    "h": found.whole.duration_s / 3600}))
"""


def _plate(part: Build, tall_mm: float = 400.0) -> Iterator[str]:
    return toolpath_lines(replace(part, part=replace(part.part, height_mm=tall_mm)))


def _many(build: Build) -> Iterator[str]:
    places = tuple((30.0 + 40 * x, 30.0 + 40 * y) for x in range(5) for y in range(5))
    return _plate(replace(build, places=places))


def _numbered(lines: Iterator[str]) -> Iterator[str]:
    for number, line in enumerate(lines):
        yield f"N{number % 90000} {line.rstrip()}*{number % 256}\n"


def _remarked(lines: Iterator[str]) -> Iterator[str]:
    kinds = cycle(("; a wall\n", "M204 S900\n", "M204 S1500\n", "; filling (some)\n"))
    for number, line in enumerate(lines):
        yield line
        if number % 5 == 0:
            yield next(kinds)


def _spiral() -> Iterator[str]:
    yield "G90\nM83\nG1 X120 Y100 Z0.2 F3000\n"
    for number in range(1, 10_000_000):
        angle = tau * number / 200
        x, y, z = 100 + 20 * cos(angle), 100 + 20 * sin(angle), 0.2 + 0.2 * number / 200
        yield f"G1 X{x:.3f} Y{y:.3f} Z{z:.4f} E0.02093\n"


def _wavering() -> Iterator[str]:
    """Each road at another height, as where an uneven bed is followed with a coarse step."""
    for number, line in enumerate(_many(Build(BUSHING, layer_mm=0.3))):
        if line.startswith("G1 X"):
            yield f"{line.rstrip()} Z{(number // 40_000) * 0.3 + 0.3 + 0.03 * (number % 3):.3f}\n"
        else:
            yield line


def _repeated(text: str) -> Iterator[str]:
    """A short road on a second layer, and the same lines without an end."""
    yield "M83\nG1 X1 Y1 Z0.2 E1 F3000\nG1 X9 E1\nG1 Z0.4\nG1 X1 E1\n"
    while True:
        yield text * 100


def _towers() -> Iterator[str]:
    """Nearly as many layers as are borne, each with road all over the plate."""
    yield "M83\nF9000\n"
    for number in range(19_900):
        yield f"G1 Z{0.2 + number * 0.05:.2f}\n"
        for line in range(100):
            yield f"G1 X{(number + line) % 2 * 200} Y{line * 2 + number % 2} E9\n"


# What nobody writes but who wants to hold a board up.
ODD = {
    "waits": "G4 P1\n",
    "names": "G92 X1 Y2 E3\n",
    "homes": "G28 X\n",
    "modes": "G91\nG1 X1 E1\nG90\nG1 X1 E1\n",
    "fans": "M106 S9\nM107\n",
    "tools": "T0\nT1\n",
    "limits": "M204 S900\nM204 S800\n",
    "rings": "G2 I9 E1\n",
    "tiny": "G1 X1\nX2\n",
    "empty": "\n",
    "letters": "WAIT A=1\n",
    "numbered_text": "N1 M117 x\n",
}
KINDS: dict[str, Callable[[], Iterator[str]]] = {
    "bushing": lambda: _many(Build(BUSHING)),
    "absolute": lambda: _many(Build(BUSHING, relative=False)),
    "arcs": lambda: _many(Build(BUSHING, arcs=True)),
    "spacer": lambda: _many(Build(SPACER)),
    "one_by_one": lambda: chain.from_iterable(
        toolpath_lines(Build(FIN_BOX, places=tuple((100.0, 30.0 + 30 * y) for y in range(8))))
        for _ in range(1)
    ),
    "numbered": lambda: _numbered(_many(Build(BUSHING))),
    "remarked": lambda: _remarked(_many(Build(BUSHING))),
    "spiral": _spiral,
    "wavering": _wavering,
    "towers": _towers,
    **{name: partial(_repeated, text) for name, text in ODD.items()},
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mb", type=float, default=100.0)
    parser.add_argument("--kind", action="append", choices=sorted(KINDS))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "toolpath"
        for kind in asked.kind or KINDS:
            began = time.perf_counter()
            size = 0
            with path.open("w") as file:
                lines = KINDS[kind]()
                while size < asked.mb * 1e6 and (block := "".join(islice(lines, 1000))):
                    size += file.write(block)
            wrote_s = time.perf_counter() - began
            done = subprocess.run(
                [sys.executable, "-c", READ, str(path)], capture_output=True, text=True
            )
            if done.returncode:
                print(f"{kind:12} {size / 1e6:6.1f} MB  {done.stderr.splitlines()[-1]}")
                continue
            told = json.loads(done.stdout)
            above_mb = told["peak_mb"] - told["before_mb"]
            print(
                f"{kind:12} {size / 1e6:6.1f} MB  {told['s']:5.1f} s ({told['cpu_s']:.1f} s of"
                f" processor)  peak {told['peak_mb']:.0f} MB, {above_mb:.0f} above start"
                f"  {told['layers']} layers  {told['h']:.1f} h (written in {wrote_s:.0f} s)",
                flush=True,
            )


if __name__ == "__main__":
    main()
