"""The log: every line in order, and nobody ever waits for it."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator

import pytest

from running import wait_until
from stillair.runtime.saying import UnhurriedLog

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

    wait_until(accounted, within_s=10, every_s=0.0)
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
