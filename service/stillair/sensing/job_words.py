"""What a machine, or whatever runs it, tells of its jobs on a topic.

A message is one word and what belongs to it, as a person would say it:

    start oarlock bushings
    height 12.4
    pause
    resume
    finish

or a JSON object with one of these words as key, where a start has more to say:
`{"start": {"name": "fin box", "material": "ASA", "machine": "the left one"}}`,
`{"height": 12.4}`. What the broker kept from earlier (retained) is left alone: a job that
began last week must not begin again when the board is switched on.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, RootModel

from stillair.sensing.payloads import LARGEST_PAYLOAD_BYTES, number_in
from stillair.sensing.topics import Subscription, TopicReader

log = logging.getLogger(__name__)

LONGEST_BYTES = 4096
PARTS = ("name", "material", "machine", "notes")


class Said(StrEnum):
    """What can be told of a job."""

    START = "start"
    HEIGHT = "height"
    PAUSE = "pause"
    RESUME = "resume"
    FINISH = "finish"


@dataclass(frozen=True, slots=True)
class JobWord:
    """One message: `name` to `notes` of a start, `height_mm` of a height."""

    said: Said
    name: str = ""
    material: str = ""
    machine: str = ""
    notes: str = ""
    height_mm: float = 0.0


class _Object(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _StartWords(_Object):
    name: Annotated[str, Field(pattern=r"\S")]
    material: str = ""
    machine: str = ""
    notes: str = ""


class _Start(_Object):
    start: Annotated[str, Field(pattern=r"\S")] | _StartWords


class _Height(_Object):
    height: Annotated[float, Field(description="Millimetres.")] | str


class _Pause(_Object):
    pause: Literal[""] | None


class _Resume(_Object):
    resume: Literal[""] | None


class _Finish(_Object):
    finish: Literal[""] | None


class JobMessage(RootModel[_Start | _Height | _Pause | _Resume | _Finish]):
    """The form of a message that is a JSON object, for who writes it; `job_word` reads it."""


class JobTopic:
    """The topic on which one chamber's machine tells of its jobs. Raises `ValueError`."""

    def __init__(self, reader: TopicReader, topic: str) -> None:
        self.where = f"{topic} at the broker {reader.where}"
        self._messages: Subscription = reader.subscribe(topic, kept=False)
        self._told = ""

    def outage(self) -> str:
        """Why no word can come, once that has lasted some seconds; "" while all is well."""
        return self._messages.outage()

    @property
    def refused(self) -> str:
        """Why the broker gives nothing of the topic, though it can be reached; "" else."""
        return self._messages.refused

    @property
    def is_open(self) -> bool:
        """Whether a word would come just now."""
        return self._messages.is_open

    def take(self) -> Sequence[JobWord]:
        """What has been told since the last call; what can't be read is logged, once."""
        words: list[JobWord] = []
        for payload in self._messages.take():
            try:
                words.append(job_word(payload))
            except ValueError as error:
                if str(error) != self._told:
                    log.warning("%s: %s", self.where, error)
                self._told = str(error)
        return words


def job_word(payload: bytes) -> JobWord:
    """What a message tells. Raises `ValueError` with one plain clause."""
    if len(payload) > min(LONGEST_BYTES, LARGEST_PAYLOAD_BYTES):
        raise ValueError(f"a message about a job is at most {LONGEST_BYTES} bytes long")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise ValueError("a message about a job is text in UTF-8") from None
    if text.startswith("{"):
        return _of_object(text)
    word, _, rest = text.partition(" ")
    return _made(_said(word), rest.strip())


def _of_object(text: str) -> JobWord:
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("the JSON of a message about a job can't be read") from None
    if not isinstance(told, dict) or len(told) != 1:
        raise ValueError('a JSON message about a job has one key, as {"height": 12.4}')
    word, value = next(iter(told.items()))
    said = _said(word)
    if said is Said.START and isinstance(value, dict):
        if strange := sorted(set(value) - set(PARTS)):
            raise ValueError(f"{strange[0][:40]!r} is nothing that a start can say")
        if not all(isinstance(each, str) for each in value.values()):
            raise ValueError("what a start says is text")
        return _started(JobWord(said, **value))
    if isinstance(value, bool) or not isinstance(value, str | int | float | None):
        raise ValueError(f"what {said} says can't be read")
    return _made(said, "" if value is None else str(value))


def _said(word: str) -> Said:
    try:
        return Said(word.casefold())
    except ValueError:
        words = ", ".join(each.value for each in Said)
        raise ValueError(f"{word[:40]!r} says nothing of a job; {words} do") from None


def _made(said: Said, rest: str) -> JobWord:
    if said is Said.HEIGHT:
        return JobWord(said, height_mm=number_in(rest.removesuffix("mm").strip().encode()))
    if said is Said.START:
        return _started(JobWord(said, name=rest))
    if rest:
        raise ValueError(f"after {said} nothing else is said")
    return JobWord(said)


def _started(word: JobWord) -> JobWord:
    if not word.name.strip():
        raise ValueError("a job that starts has a name")
    return word
