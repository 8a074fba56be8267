"""The process for long work: one question at a time, and nothing it does harms who asks."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

import pytest

from stillair.errors import CommandRefused, InputError
from stillair.model import Place
from stillair.runtime import worker
from stillair.runtime.weathering import Weathered
from stillair.runtime.worker import WorkFailedError, Workshop
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import WatchPlan

PLAN = WatchPlan("bench", "Bench", ThermalPlan((SensorPlan("top", Place.CHAMBER),)))


async def answered(code: str, *, limit: int = worker.LONGEST_ANSWER_BYTES) -> object:
    """What a worker that runs `code` is taken to have answered."""
    shares: list[float] = []
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        code,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        limit=limit,
    )
    try:
        answer = await worker._answered(process, b"{}\n", shares.append)
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    return answer, shares


async def test_shares_come_before_the_answer() -> None:
    told = [{"share": 0.25}, {"share": 0.5}, {"items": []}]
    code = f"for t in {[json.dumps(t) for t in told]!r}: print(t)"
    assert await answered(code) == ({"items": []}, [0.25, 0.5])


@pytest.mark.parametrize(
    "code",
    [
        pytest.param("", id="says nothing"),
        pytest.param("print('warm')", id="no JSON"),
        pytest.param("print('{\"share\": 0.5}')", id="ends half way"),
        pytest.param("print('{}'); raise SystemExit(3)", id="ends badly"),
        pytest.param("print('[' * 100_000)", id="deep"),
        pytest.param("print('[1]')", id="a list"),
        pytest.param('print(\'{"share": "half"}\')', id="a share that is a word"),
        pytest.param("print('x' * 3_000_000)", id="far too much in a line"),
    ],
)
async def test_what_it_should_not_say_is_an_error(code: str) -> None:
    with pytest.raises(WorkFailedError):
        await answered(code, limit=1_000_000)


async def test_a_refusal_is_told_as_one() -> None:
    with pytest.raises(InputError, match="no readings"):
        await answered('print(\'{"refused": "no readings"}\')')


async def test_one_job_is_watched_again_at_a_time(tmp_path: Path) -> None:
    shop = Workshop(tmp_path)
    first = asyncio.create_task(shop.what_if("bench-1", PLAN, PLAN))
    await asyncio.sleep(0)
    assert shop.share("bench-1") == 0.0
    with pytest.raises(CommandRefused, match="ask again"):
        await shop.what_if("bench-2", PLAN, PLAN)
    with pytest.raises(CommandRefused, match="no history"):
        await first
    assert shop.share("bench-1") is None


async def test_what_takes_too_long_is_given_up(tmp_path: Path) -> None:
    shop = Workshop(tmp_path, patience_s=0.01)
    with pytest.raises(CommandRefused, match="took too long"):
        await shop.what_if("bench-1", PLAN, PLAN)
    assert shop.share("bench-1") is None


async def test_pages_that_ask_too_much_at_once_are_told_to_come_again(tmp_path: Path) -> None:
    shop = Workshop(tmp_path)
    asked = Weathered("bench-1", "bench", ("top",), 0.0)
    waiting = [asyncio.create_task(shop.weather(asked)) for _ in range(worker.MOST_WAITING)]
    await asyncio.sleep(0)
    with pytest.raises(CommandRefused, match="ask again in a minute"):
        await shop.weather(asked)
    answers = await asyncio.gather(*waiting, return_exceptions=True)
    assert all(isinstance(answer, InputError) for answer in answers), answers
    with pytest.raises(InputError, match="can't be read just now"):
        await shop.weather(asked)  # and then it is their turn again
