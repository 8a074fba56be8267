"""Ask the service that runs over a folder of history for an alarm test, and tell how it goes.

The wish and its answer are files in that folder, so that whoever may write there needs no
account, and nobody else may ask. What becomes of the test stands in the history.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

from stillair.alarms.testing import STEPS
from stillair.errors import InputError, StoreError
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.storage.history import History
from stillair.storage.items import Item

log = logging.getLogger(__name__)

WANTED, ANSWERED = "alarm-test-wanted.json", "alarm-test-answer.json"
WANTED_S = 30.0  # a wish older than this was left by a command that has given up
WANTED_BYTES = 1000
TAKEN_S = 12.0  # a running service looks for a wish each second
OVER_S = 120.0  # and has ended a test a minute after it began
TURN_S = 0.25
BEGUN = "Alarm test: it has begun. Nothing is wrong, and everything that is sent says so."


@dataclass(frozen=True, slots=True)
class Wish:
    """That somebody at a shell wants an alarm test; `chamber` is empty for the first."""

    id: str
    chamber: str


# --- the service's side ----------------------------------------------------------


def taken(folder: Path) -> Wish | None:
    """The wish that lies there, which is gone with that; None for none that can be understood."""
    path = folder / WANTED
    try:
        age_s = time.time() - path.stat().st_mtime
        with path.open("rb") as file:
            text = file.read(WANTED_BYTES)
        path.unlink()
        wish = json.loads(text)
        if not isinstance(wish, dict) or age_s > WANTED_S:
            return None
        return Wish(str(wish.get("id")), str(wish.get("chamber") or ""))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as error:
        log.warning("a wish for an alarm test can't be understood: %s", error)
        forget(folder)
        return None


def answer(folder: Path, wish: Wish, *, test: str = "", refused: str = "") -> None:
    """Say which test has begun, or why none has; nothing where that can't be written."""
    part = (folder / ANSWERED).with_suffix(".part")
    try:
        part.write_text(json.dumps({"id": wish.id, "test": test, "refused": refused}))
        part.replace(folder / ANSWERED)
    except OSError as error:
        log.warning("who wished for an alarm test can't be answered: %s", error)


def forget(folder: Path) -> None:
    """Leave no wish there: whoever had it has given up."""
    with suppress(OSError):
        (folder / WANTED).unlink(missing_ok=True)


# --- the shell's side ------------------------------------------------------------


def alarm_test(
    folder: Path,
    chamber: str | None,
    *,
    now_s: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
) -> Iterator[str | bool]:
    """How a test goes, a line for each thing that becomes known; at last whether it passed.

    Raises `InputError` where no service runs or it refuses, `StoreError` where the history
    can't be read.
    """
    if not (folder / JOURNAL).is_file():
        raise InputError(f"there is no history in {folder}; name its folder with --data-dir")
    test = _begun(folder, chamber, now_s, pause)
    yield BEGUN
    history = History(folder / JOURNAL, folder / ARCHIVE)
    try:
        known: dict[str, str] = {}
        until_s = now_s() + OVER_S
        while now_s() < until_s:
            item = _newest(history, test)
            for thing, line in _lines(item) if item else ():
                if known.get(thing) != line:
                    known[thing] = line
                    yield f"{thing}: {line}"
            if item is not None and item["phase"] != "running":
                yield from _end(item)
                return
            pause(TURN_S)
        raise InputError("the test has not ended in time; see the page Alarm test")
    finally:
        history.close()


def _begun(
    folder: Path,
    chamber: str | None,
    now_s: Callable[[], float],
    pause: Callable[[float], None],
) -> str:
    """The id of the test that the service has begun."""
    wish = uuid4().hex
    wanted, answered = folder / WANTED, folder / ANSWERED
    part = wanted.with_suffix(".part")
    try:
        answered.unlink(missing_ok=True)
        part.write_text(json.dumps({"id": wish, "chamber": chamber}))
        part.replace(wanted)
    except OSError as error:
        raise InputError(f"{folder} can't be written: {error.strerror}") from None
    until_s = now_s() + TAKEN_S
    while now_s() < until_s:
        with suppress(FileNotFoundError, ValueError):
            said = json.loads(answered.read_text())
            if isinstance(said, dict) and said.get("id") == wish:
                answered.unlink(missing_ok=True)
                if refused := said.get("refused"):
                    raise InputError(f"no alarm test now: {refused}")
                return str(said["test"])
        pause(TURN_S)
    wanted.unlink(missing_ok=True)
    raise InputError(f"no service that runs over {folder} has taken it; start it first")


def _newest(history: History, test: str) -> Item | None:
    try:
        page = history.entries(topic="test", kind=test, limit=1, last=True)
    except StoreError:
        return None  # it may be locked for a moment
    return page.entries[-1].body if page.entries else None


def _lines(item: Item) -> Iterator[tuple[str, str]]:
    steps = tuple(map(str, _list(item["steps"])))
    ended = f"ended after: {', '.join(steps) or 'nothing'}"
    yield "signs, verdict, alarm", "went through" if steps == STEPS else ended
    for part in ("sounder", "stop"):
        if item[part] != "not known yet":
            yield part, str(item[part])
    for route in _list(item["routes"]):
        if isinstance(route, dict) and not str(route["text"]).startswith("no answer yet"):
            yield f"{route['person']}, {route['spoken']}", str(route["text"])


def _end(item: Item) -> Iterator[str | bool]:
    if item["phase"] != "done":
        yield f"The test didn't end as it should: {item['why']}."
        yield False
        return
    for route in _list(item["routes"]):
        if isinstance(route, dict) and str(route["text"]).startswith("no answer yet"):
            yield f"{route['person']}, {route['spoken']}: {route['text']}"
    if not item["routes"]:
        yield "Nobody was told: no person is named."
    else:
        yield "Now each person says what arrived, on the page of Stillair, under Alarm test."
    yield item["passed"] is True and bool(item["routes"])


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []
