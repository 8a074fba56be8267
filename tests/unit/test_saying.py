"""The log: every line in order, and nobody ever waits for it."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Iterator

import pytest

from running import wait_until
from stillair.clock import ManualClock
from stillair.runtime.saying import UnhurriedLog, pass_on

PIPE_BYTES = 65_536  # what a pipe holds that nobody reads


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    reading, writing = os.pipe()
    yield reading, writing
    os.close(reading)
    os.close(writing)


def logger(handler: logging.Handler) -> logging.Logger:
    made = logging.Logger("shed", logging.INFO)
    made.addHandler(handler)
    return made


def test_lines_come_in_order_and_an_error_with_its_place(pipe: tuple[int, int]) -> None:
    handler = UnhurriedLog("%(levelname)s %(name)s: %(message)s", descriptor=pipe[1])
    handler.start()
    changing = ["oar"]
    logger(handler).info("the %s is here \udcff", changing)
    changing.clear()
    try:
        raise ValueError("no such boat")
    except ValueError:
        logger(handler).exception("it failed")
    handler.close()
    handler.close()
    first, second, *rest = os.read(pipe[0], PIPE_BYTES).decode().splitlines()
    assert (first, second) == ("INFO shed: the ['oar'] is here \\udcff", "ERROR shed: it failed")
    assert rest[0].startswith("Traceback")
    assert rest[-1] == "ValueError: no such boat"


def test_where_nobody_takes_them_lines_are_left_out_and_counted(pipe: tuple[int, int]) -> None:
    handler = UnhurriedLog("%(message)s", descriptor=pipe[1], lines=10)
    handler.start()
    said = logger(handler)
    for _ in range(200):  # more than the pipe and the queue hold; it would hang for ever
        said.info("x" * 1_000)
    got = ""

    def kept() -> int:
        return sum(set(line) == {"x"} for line in got.splitlines())

    def left_out() -> int:
        # In more than one line where its thread gets through some while more are said.
        return sum(int(line.split()[2]) for line in got.splitlines() if "left out" in line)

    def accounted() -> bool:
        nonlocal got
        got += os.read(pipe[0], PIPE_BYTES).decode()
        return got.endswith("\n") and kept() + left_out() == 200

    wait_until(accounted, within_s=30, every_s=0.0)
    handler.close()
    assert kept() >= 10
    assert left_out() > 0


def test_a_reader_that_has_gone_is_no_error() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    handler = UnhurriedLog("%(message)s", descriptor=writing)
    handler.start()
    logger(handler).info("nobody hears it")
    handler.close()
    os.close(writing)


def test_of_what_others_write_a_few_lines_a_minute_are_passed_on() -> None:
    reading, writing = os.pipe()
    said: list[str] = []
    clock = ManualClock()
    thread = threading.Thread(target=pass_on, args=(reading, said.append, clock.now_s))
    thread.start()
    for number in range(500):
        os.write(writing, b"Corrupt JPEG data: %d\n" % number)
    os.write(writing, b"x" * 100_000)  # a line without an end, longer than what is kept
    wait_until(lambda: len(said) == 10, within_s=30)
    clock.advance(60.0)
    os.write(writing, b"\xff\nlater\n")
    wait_until(lambda: said[-1] == "later", within_s=30)
    os.close(writing)
    thread.join(10)
    os.close(reading)
    assert said[0] == "Corrupt JPEG data: 0"
    assert said[10] == "490 lines that libraries wrote were left out"
    assert max(len(line) for line in said) <= 300


def test_a_library_that_complains_of_each_picture_fills_no_log() -> None:
    program = """
import logging, sys
from stillair.runtime import lines, saying
lines.begin({}, descriptor=saying.set_others_apart())
import cv2, numpy as np
whole = cv2.imencode(".jpg", np.random.default_rng(1).integers(0, 255, (90, 120, 3), np.uint8))[1]
for _ in range(300):
    cv2.imdecode(whole[: len(whole) // 2], cv2.IMREAD_COLOR)
logging.getLogger("shed").warning("our own words")
logging.shutdown()
raise SystemExit("and the last ones")
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False
    )
    lines = done.stderr.splitlines()
    assert lines[-1] == "and the last ones"
    assert any(line.endswith("our own words") for line in lines)
    assert sum("JPEG" in line for line in lines) <= 10
