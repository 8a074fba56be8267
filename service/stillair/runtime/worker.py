"""Long work in a program of its own, so that no lock of the interpreter delays a reading.

The workshop starts `python -m stillair.runtime.worker`, which makes itself as nice
as can be, reads one question as JSON from standard input, and writes lines of
JSON to standard output: how far it is, now and then, and at last the answer. A
defect goes to the service's own log. One question at a time; what takes too
long is given up.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stillair.errors import CommandRefused, InputError, Refusal, StillairError, ToolpathError
from stillair.late import Late
from stillair.runtime import programs
from stillair.storage.items import Item
from stillair.storage.records import from_record, to_record

if TYPE_CHECKING:
    from stillair import model, watch
    from stillair.jobs import toolpath as toolpaths
    from stillair.runtime import beside as held
    from stillair.runtime import (
        comparing,
        diagnosing,
        foreseeing,
        toolpath_files,
        weathering,
        whatif,
    )
else:
    # The service asks and the worker answers one question: each loads what it needs for that.
    model, watch = Late("stillair.model"), Late("stillair.watch")
    toolpaths = Late("stillair.jobs.toolpath")
    held = Late("stillair.runtime.beside")
    comparing = Late("stillair.runtime.comparing")
    diagnosing = Late("stillair.runtime.diagnosing")
    foreseeing = Late("stillair.runtime.foreseeing")
    toolpath_files = Late("stillair.runtime.toolpath_files")
    weathering = Late("stillair.runtime.weathering")
    whatif = Late("stillair.runtime.whatif")

PATIENCE_S = 120.0
NICE = 15
MOST_WAITING = 4
LONGEST_ANSWER_BYTES = 8_000_000  # a curve of two weeks with 64 sensors

Share = Callable[[float], None]


class WorkFailedError(StillairError):
    """The worker had no answer."""


class Workshop:
    """Where the service has long work done."""

    def __init__(self, folder: Path, *, patience_s: float = PATIENCE_S) -> None:
        self._folder = folder
        self._patience_s = patience_s
        self._one_at_a_time = asyncio.Lock()
        self._waiting = 0
        self._shares: dict[str, float] = {}  # of each job that is being watched again

    def share(self, job: str) -> float | None:
        """How far watching a job again is, from 0 to 1; None if it isn't being done."""
        return self._shares.get(job)

    async def what_if(
        self, job: str, before: watch.WatchPlan, after: watch.WatchPlan, material: str | None = None
    ) -> list[Item]:
        """The differences of two plans over a job; see `whatif`.

        Raises `CommandRefused` where another job is being watched again, where
        this one can't be, or where it takes too long.
        """
        if self._shares:
            raise CommandRefused(
                Refusal.CONFLICT, "Another job is being looked into; ask again in a minute."
            )
        self._shares[job] = 0.0
        question = {
            "what": "what_if",
            "job": job,
            "before": to_record(before),
            "after": to_record(after),
            "material": material,
        }
        try:
            answer = await self._ask(question, noting(self._shares, job))
        except InputError as error:
            raise CommandRefused(Refusal.CONFLICT, f"{error}.") from None
        except TimeoutError:
            raise CommandRefused(
                Refusal.CONFLICT, "It took too long and was given up: the job is very long."
            ) from None
        finally:
            del self._shares[job]
        items: list[Item] = answer["items"]
        return items

    async def diagnosis(self, asked: diagnosing.Diagnosed) -> model.JobDiagnosis:
        """What a job says of its box; see `diagnosing`.

        Raises `StillairError`, or `TimeoutError` where it takes too long.
        """
        answer = await self._ask({"what": "diagnosis", "asked": to_record(asked)})
        return from_record(model.JobDiagnosis, answer["diagnosis"])

    async def weather(self, asked: weathering.Weathered) -> Item:
        """What each layer of a job met; see `weathering`.

        Raises as `diagnosis`, and `CommandRefused` where too many others wait.
        """
        answer = await self._in_turn({"what": "weather", "asked": to_record(asked)})
        return Item(answer["weather"])

    async def beside(self, asked: held.HeldAgainst) -> Item:
        """What a job is held against; see `beside`. Raises as `weather`."""
        answer = await self._in_turn({"what": "beside", "asked": to_record(asked)})
        return Item(answer["beside"])

    async def look_before(self, asked: foreseeing.LookedAt) -> Item:
        """What commonly spoils such a job; see `foreseeing`. Raises as `weather`."""
        answer = await self._in_turn({"what": "before", "asked": to_record(asked)})
        return Item(answer["before"])

    async def curve(self, job: str, sensors: tuple[str, ...]) -> comparing.Curve:
        """A job's minutes; see `comparing`. Raises as `diagnosis`."""
        answer = await self._ask({"what": "curve", "job": job, "sensors": list(sensors)})
        return comparing.Curve(answer["job"], answer["minutes"], answer["soak_s"])

    async def toolpath(
        self, toolpath: str, path: Path, to: Path, limits: toolpaths.MotionLimits
    ) -> toolpaths.Whole:
        """What the toolpath in a file builds; its layers are written to another file.

        How far it is, `share` tells meanwhile. Raises `ToolpathError` for what can't be
        understood, `InputError` for a file that can't be read, and as `diagnosis`.
        """
        self._shares[toolpath] = 0.0
        question = {
            "what": "toolpath",
            "path": str(path),
            "to": str(to),
            "limits": to_record(limits),
        }
        try:
            answer = await self._ask(question, noting(self._shares, toolpath))
        finally:
            del self._shares[toolpath]
        if "wrong" in answer:
            raise ToolpathError(int(answer["line"]), str(answer["wrong"]))
        return from_record(toolpaths.Whole, answer["whole"])

    async def _in_turn(self, question: Mapping[str, Any]) -> Any:
        """As `_ask`, but refused while too many others wait who asked from a page."""
        if self._waiting >= MOST_WAITING:
            raise CommandRefused(
                Refusal.CONFLICT, "Others are just being worked out; ask again in a minute."
            )
        self._waiting += 1
        try:
            return await self._ask(question)
        finally:
            self._waiting -= 1

    async def _ask(self, question: Mapping[str, Any], share: Share = lambda _: None) -> Any:
        """The answer to one question. Raises `InputError` where it is refused, `TimeoutError`."""
        async with self._one_at_a_time:
            process = await programs.begun(
                "stillair.runtime.worker", longest_line_bytes=LONGEST_ANSWER_BYTES
            )
            try:
                async with asyncio.timeout(self._patience_s):
                    written = json.dumps({"folder": str(self._folder), **question}) + "\n"
                    return await _answered(process, written.encode(), share)
            finally:
                await programs.ended(process)


def noting(shares: dict[str, float], job: str) -> Share:
    """Note how far a job is."""

    def note(share: float) -> None:
        shares[job] = share

    return note


async def _answered(process: asyncio.subprocess.Process, question: bytes, share: Share) -> Any:
    assert process.stdout is not None
    await programs.ask(process, question)
    answer: Any = None
    try:
        async for line in process.stdout:
            answer = json.loads(line)
            if not isinstance(answer, dict):
                raise ValueError("no record")
            if "share" in answer:
                share(float(answer["share"]))
    except (ValueError, RecursionError) as error:  # a line that is no record, or far too long
        raise WorkFailedError(f"the worker's answer can't be read: {error}") from None
    status = await process.wait()
    if status or answer is None or "share" in answer:
        raise WorkFailedError(f"the worker ended with {status}")
    if "refused" in answer:
        raise InputError(answer["refused"])
    return answer


def answer(question: Mapping[str, Any], share: Share = lambda _: None) -> dict[str, Any]:
    """Work on one question."""
    folder = Path(question["folder"])
    try:
        match question["what"]:
            case "diagnosis":
                asked = from_record(diagnosing.Diagnosed, question["asked"])
                return {"diagnosis": to_record(diagnosing.diagnose(folder, asked))}
            case "weather":
                return {
                    "weather": weathering.weather_of(
                        folder, from_record(weathering.Weathered, question["asked"])
                    )
                }
            case "beside":
                return {
                    "beside": held.beside_of(
                        folder, from_record(held.HeldAgainst, question["asked"])
                    )
                }
            case "before":
                return {
                    "before": foreseeing.look_of(
                        folder, from_record(foreseeing.LookedAt, question["asked"])
                    )
                }
            case "curve":
                return comparing.curve_record(
                    comparing.past_curve(folder, question["job"], question["sensors"])
                )
            case "toolpath":
                limits = from_record(toolpaths.MotionLimits, question["limits"])
                whole = toolpath_files.read_toolpath(
                    Path(question["path"]), Path(question["to"]), limits, share
                )
                return {"whole": to_record(whole)}
            case _:
                found = whatif.what_if(
                    folder,
                    question["job"],
                    from_record(watch.WatchPlan, question["before"]),
                    from_record(watch.WatchPlan, question["after"]),
                    material=question["material"],
                    share=share,
                )
    except ToolpathError as error:
        return {"wrong": error.reason, "line": error.line}
    except (InputError, StillairError) as error:
        return {"refused": str(error).rstrip(".")}
    return {"items": [difference.item() for difference in found]}


def _say(told: object) -> None:
    sys.stdout.write(json.dumps(told) + "\n")
    sys.stdout.flush()


def main() -> None:
    """One question in, one answer out."""
    with suppress(OSError):
        os.nice(NICE)
    question = json.loads(sys.stdin.readline())
    _say(answer(question, lambda share: _say({"share": share})))


if __name__ == "__main__":
    main()
