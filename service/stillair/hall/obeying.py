"""What a hall says to one chamber, on one connection, and what follows for what it is owed: pure.

no hall is known ───────────── wait 2 s ──> CONFIRMED   what the broker confirms is taken
it takes ──── its word on us, or wait 2 s ──> OBEYING   what it says it has is taken
it has ended, is silent, says what nobody understands ──> KEEPING
"""

from __future__ import annotations

from enum import Enum
from typing import Final

from stillair.hall.messages import HallMessage, TakenMessage

WAIT_S: Final = 2.0  # for what the broker has kept, on a new connection


class Mode(Enum):
    """What moves the cursors."""

    WAITING = "waiting"
    CONFIRMED = "confirmed"
    OBEYING = "obeying"
    KEEPING = "keeping"


class Heard:
    """The hall's last words.

    `hall` is the mark of the one that takes, "" while none does; `word` how far that has us,
    `together` how many entries it takes in one message.
    """

    def __init__(self, board: str, chamber: str, now_s: float) -> None:
        self.hall = ""
        self.together = 1
        self.word: TakenMessage | None = None
        self.why_not = ""  # why nobody takes, where a hall is known
        self._board = board
        self._chamber = chamber
        self._since_s = now_s
        self._words: TakenMessage | None = None

    def let_in(self, now_s: float) -> None:
        """The broker listens: what it has kept comes from now on."""
        self._since_s = now_s

    def says(self, payload: bytes, now_s: float) -> None:
        """Whether it takes. Raises `ValueError`."""
        before, self.hall, self.why_not = self.hall, "", ""
        if payload:
            self.why_not = "what the hall says can't be understood"
            told = HallMessage.model_validate_json(payload)
            if told.state == "taking":
                self.hall, self.why_not, self.together = told.hall, "", told.entries
            else:
                gone = "takes nothing just now" if told.state == "ended" else "is out of reach"
                self.why_not = f"the hall {gone}"
        if self.hall != before:
            self._since_s = now_s
            self._choose()

    def has(self, payload: bytes) -> None:
        """How far it has got. Raises `ValueError`."""
        if not payload:
            self._words = None
        else:
            told = TakenMessage.model_validate_json(payload)
            if (told.board, told.chamber) != (self._board, self._chamber):
                raise ValueError("it is a word on another chamber")
            self._words = told
        self._choose()

    def _choose(self) -> None:
        words = self._words
        self.word = words if words is not None and words.hall == self.hall else None

    def mode(self, now_s: float) -> Mode:
        """What moves the cursors just now."""
        if self.why_not:
            return Mode.KEEPING
        if self.word is None and now_s - self._since_s < WAIT_S:
            return Mode.WAITING
        return Mode.OBEYING if self.hall else Mode.CONFIRMED
