"""A broker that is tried before it is written into a chamber file: is it there, and does it speak.

It is asked as the watch would ask it, by the same reader, for some seconds. Only owners may, one
at a time and some in five minutes: nobody guesses passwords or goes through a network with it.
"""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from stillair.clock import Clock, SystemClock
from stillair.config.reach import MqttTable
from stillair.errors import CommandRefused, Refusal, SettingsError
from stillair.runtime.tries import Tries
from stillair.sensing.payloads import check_pointer, number_in, word_in
from stillair.sensing.topics import Subscription, TopicReader

ANSWER_S: Final = 6.0  # one try and its time-out, or two where it knows only the older version
MESSAGE_S: Final = 5.0  # what is retained comes at once; many a sensor speaks every few seconds
AGAIN_S: Final = 0.3
EVERY_S: Final = 0.05
BUSY = "Another broker is being tried. Try again in some seconds."


class Answer(StrEnum):
    CONNECTS = "connects"
    REFUSES = "refuses"
    NO_ANSWER = "no answer"
    UNKNOWN_NAME = "unknown name"
    CERTIFICATE = "certificate"
    NO_BROKER = "no broker"  # something answers there that doesn't speak this


class Heard(StrEnum):
    YES = "yes"
    NO = "no"
    UNREADABLE = "unreadable"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class BrokerTried:
    """How a broker answered, and what came on the topic that was asked for.

    `why` is what broker or network said, where it did. `heard` is None without a topic.
    """

    where: str
    answer: Answer
    why: str = ""
    heard: Heard | None = None
    value: str = ""


class BrokerTrial:
    """Reach a broker once."""

    def __init__(
        self, *, clock: Clock | None = None, wait: Callable[[float], object] = time.sleep
    ) -> None:
        self._clock = clock or SystemClock()
        self._wait = wait
        self._lock = threading.Lock()
        self._tries = Tries()

    def reach(
        self, of: MqttTable, topic: str = "", pointer: str = "", *, is_number: bool = True
    ) -> BrokerTried:
        """Connect, and wait some seconds for the first message of `topic`.

        `is_number`: whether a number or a word is expected in it. Blocks for 11 s at most.
        Raises `SettingsError` for a topic or pointer that is none, `CommandRefused` and
        `TooManyTriesError`.
        """
        if not self._lock.acquire(blocking=False):
            raise CommandRefused(Refusal.CONFLICT, BUSY)
        try:
            now_s = self._clock.now_s()
            self._tries.check(now_s)
            self._tries.begin(now_s)
            return self._reach(of, topic, pointer, is_number)
        finally:
            self._lock.release()

    def _reach(self, of: MqttTable, topic: str, pointer: str, is_number: bool) -> BrokerTried:
        reader = TopicReader(
            of.host,
            of.port,
            self._clock,
            username=of.username,
            password=of.password.get_secret_value() if of.password else None,
            tls=of.tls,
            trust=of.trust,
            again_s=AGAIN_S,
        )
        try:
            try:
                check_pointer(pointer)
                messages = reader.subscribe(topic) if topic else None
            except ValueError as error:
                raise SettingsError("the topic", (f"sensor.topic: {error}",)) from None
            reader.begin()
            answer, why = self._answer(reader)
            if answer is not Answer.CONNECTS or messages is None:
                return BrokerTried(reader.where, answer, why)
            return self._heard(reader, messages, pointer, is_number)
        finally:
            reader.close()

    def _answer(self, reader: TopicReader) -> tuple[Answer, str]:
        until_s = self._clock.now_s() + ANSWER_S
        found, why = Answer.NO_ANSWER, ""
        while reader.lost and self._clock.now_s() < until_s:
            error, refusal = reader.error, reader.refusal
            if refusal:
                found, why = Answer.REFUSES, refusal.removeprefix("it refuses: ")
                if "protocol version" not in refusal:  # else it is asked in the older one
                    return found, why
            elif isinstance(error, ssl.SSLCertVerificationError):
                return Answer.CERTIFICATE, error.verify_message
            elif isinstance(error, socket.gaierror):
                return Answer.UNKNOWN_NAME, ""
            elif isinstance(error, ConnectionRefusedError):
                return Answer.NO_ANSWER, "nothing listens there"
            elif isinstance(error, TimeoutError):
                return Answer.NO_ANSWER, ""
            elif error is not None:
                found, why = Answer.NO_BROKER, reader.why
            elif reader.why == "the connection broke":
                found, why = Answer.NO_BROKER, "it hangs up"
            self._wait(EVERY_S)
        return (found, why) if reader.lost else (Answer.CONNECTS, "")

    def _heard(
        self, reader: TopicReader, messages: Subscription, pointer: str, is_number: bool
    ) -> BrokerTried:
        until_s = self._clock.now_s() + MESSAGE_S
        heard, value, why = Heard.NO, "", ""
        while heard is Heard.NO and self._clock.now_s() < until_s:
            if waiting := messages.take():
                try:
                    payload = waiting[-1]
                    read = number_in if is_number else word_in
                    heard, value = Heard.YES, str(read(payload, pointer))
                except ValueError as error:
                    heard, why = Heard.UNREADABLE, str(error)
            elif messages.refused:
                heard, why = Heard.REFUSED, messages.refused.rpartition(": ")[2]
            else:
                self._wait(EVERY_S)
        return BrokerTried(reader.where, Answer.CONNECTS, why, heard, value)
