"""What films cost: encoding by the picture, memory, size by the minute; and the ring's memory.

    python tests/bench/clips.py

One process makes one film at a time, as the service has it done. The pictures are a
drawn scene with a sensor's noise, which a codec finds harder than a calm chamber.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from integration.mjpeg_server import packed, picture
from stillair.media import clips
from stillair.media.clips import RATE_PER_S, Wanted
from stillair.media.cutting import LONGEST_S
from stillair.media.ring import RING_BYTES, FrameRing, Shot
from stillair.media.spool import Spool

SIZES = ((640, 480), (1280, 720))
FILM_S = 90.0
CHAMBERS = 8


def films() -> None:
    for wide, high in SIZES:
        jpegs = [packed(picture(n, width=wide, height=high)) for n in range(30)]
        with tempfile.TemporaryDirectory() as folder:
            spool = Spool(Path(folder) / "a.frames")
            began_s = time.perf_counter()
            for number in range(round(FILM_S * 2)):
                spool.append([Shot(number / 2, jpegs[number % len(jpegs)])])
            spooled_s = time.perf_counter() - began_s
            wanted = Wanted(
                spool=str(spool.path),
                to=str(Path(folder) / "a.webm"),
                part=clips.CLIP,
                start_s=0.0,
                end_s=FILM_S,
                zero_s=1_700_000_000.0,
                word="Simulated",
            )
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            process = subprocess.run(
                [sys.executable, "-m", clips.__name__],
                input=wanted.question(),
                capture_output=True,
                text=True,
                check=True,
                env=os.environ | clips.ENVIRONMENT,
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            made = json.loads(process.stdout)
            cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            frames = made["length_s"] * RATE_PER_S
            sys.stdout.write(
                f"{wide}x{high}: {cpu_s / frames * 1000:.1f} ms of one core by the picture, start "
                f"included, {cpu_s:.1f} s for {FILM_S:.0f} s of film; at most "
                f"{after.ru_maxrss / 1024:.0f} MB; {made['size_bytes'] / FILM_S * 60 / 1e6:.2f} MB "
                f"by the minute; pictures of it {spool.size_bytes / 1e6:.1f} MB, kept in "
                f"{spooled_s / FILM_S / 2 * 1000:.2f} ms each\n"
            )


def rings() -> None:
    for wide, high in SIZES:
        jpegs = [packed(picture(n, width=wide, height=high)) for n in range(30)]
        ring = FrameRing()
        began_s = time.perf_counter()
        count = 60 * 15
        for number in range(count):
            ring.take(number / 15, jpeg=jpegs[number % len(jpegs)])
        took_us = (time.perf_counter() - began_s) / count * 1e6
        shots = ring.shots()
        sys.stdout.write(
            f"ring at {wide}x{high}: {len(shots)} pictures, {ring.held_bytes / 2**20:.1f} MiB, "
            f"{shots[-1].t_s - shots[0].t_s:.1f} s back, {took_us:.1f} us by the picture\n"
        )
    most = CHAMBERS * RING_BYTES / 2**20
    sys.stdout.write(
        f"at most {RING_BYTES / 2**20:.0f} MiB a camera, {most:.0f} MiB for {CHAMBERS}; a film of "
        f"{LONGEST_S / 60:.0f} min takes no more, its pictures lie on the disk\n"
    )


if __name__ == "__main__":
    rings()
    films()
