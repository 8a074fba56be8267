"""What was found of the stop of a machine: for `inspect` and for the page of the first run."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from stillair.config import ChamberSettings
from stillair.errors import DeliveryError, StoreError
from stillair.model import StopState
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.found import Found, State
from stillair.runtime.plans import TOPIC, stop_plan
from stillair.runtime.switching import stop_messages
from stillair.storage.history import History

NOTHING = "nothing stops the machine in a fire"
TRY_IT = "try it for real on its page, while no job runs and nothing is hot"
MEND_IT = "see relay, contactor and wires, as hardware.md says, and try it again"
SUPPLY_OF_THE_MACHINE = "it cuts the machine's supply alone: never the board's, router's or lamp's"

Within = Callable[[Callable[[], str]], str]


def inspected(
    settings: ChamberSettings, folder: Path, prefix: str, within: Within
) -> Iterator[Found]:
    """Each way to stop the machine, tried without stopping it, and when it was tried for real.

    `within` gives an answer in time, or raises `TimeoutError`.
    """
    thing = f"{prefix}stop of the machine"
    of = settings.stop
    if of is None:
        yield Found(thing, State.NONE, NOTHING, "a relay and the table [stop]: see hardware.md")
        return
    if of.pin is not None:
        yield _pin(f"{thing}, relay", of.pin, of.stops_when)
    if of.command is not None:
        program = of.command.split()[0]
        there = shutil.which(program) is not None
        told = f"by {program}" if there else f"there is no program {program}"
        state = State.NOT_TRIED if there else State.UNFIT
        yield Found(f"{thing}, relay", state, told, TRY_IT if there else "install or rename it")
    for part, way in stop_messages(settings, lambda: datetime.now(UTC)).items():
        try:
            told = within(partial(way.check))
        except (DeliveryError, TimeoutError) as error:
            reason = error.reason if isinstance(error, DeliveryError) else str(error)
            remedy = "see [mqtt] and stop.topic" if part == TOPIC else "see stop.url and [webhook]"
            yield Found(f"{thing}, {part}", State.UNFIT, reason, remedy)
        else:
            yield Found(f"{thing}, {part}", State.FIT, told)
        finally:
            way.close()
    try:
        yield tried(thing, settings, kept(folder, settings.key))
    except StoreError as error:
        yield Found(thing, State.NOT_TRIED, f"the history can't be read: {error}")


def _pin(thing: str, pin: int, stops_when: str) -> Found:
    if not any(Path("/dev").glob("gpiochip*")):
        return Found(thing, State.UNFIT, "this machine has no GPIO pins", "run it on the board")
    told = f"GPIO {pin}, {'low' if stops_when == 'low' else 'high'} stops the machine"
    if stops_when == "high":
        remedy = "wire it so that low stops it: a cut wire or a dead board stops nothing now"
        return Found(thing, State.NOT_TRIED, told, remedy)
    return Found(thing, State.NOT_TRIED, f"{told}; {SUPPLY_OF_THE_MACHINE}", TRY_IT)


def kept(folder: Path, key: str) -> tuple[str, bool, str] | None:
    """When the stop was tried last, whether it worked, and a mark of its outputs then.

    Raises `StoreError`.
    """
    if not (folder / JOURNAL).is_file():
        return None
    history = History(folder / JOURNAL, folder / ARCHIVE)
    try:
        for entry in reversed(history.entries(0, 1, "stop", chamber=key, last=True).entries):
            at = entry.body.get("tried_at")
            if isinstance(at, str):
                worked = entry.body.get("tried_worked") is True
                return at[:10], worked, str(entry.body.get("tried_with"))
        return None
    finally:
        history.close()


def of_state(
    state: StopState | None, at: Callable[[float], datetime]
) -> tuple[str, bool, str] | None:
    """The same of a watch that runs."""
    if state is None or state.tried_s is None:
        return None
    return f"{at(state.tried_s):%Y-%m-%d}", state.tried_worked, state.tried_with


def tried(thing: str, settings: ChamberSettings, last: tuple[str, bool, str] | None) -> Found:
    """Whether the machine really stopped when somebody tried that, with the outputs of now."""
    plan = stop_plan(settings)
    if plan is None:
        return Found(thing, State.NONE, NOTHING)
    if last is None:
        return Found(thing, State.NOT_TRIED, "it was never tried for real", TRY_IT)
    day, worked, outputs = last
    if outputs != plan.outputs:
        told = f"it was tried for real on {day}, and has been set up otherwise since"
        return Found(thing, State.NOT_TRIED, told, TRY_IT)
    if not worked:
        return Found(thing, State.UNFIT, f"tried on {day}, the machine did not stop", MEND_IT)
    return Found(thing, State.FIT, f"tried for real on {day}: the machine stopped")
