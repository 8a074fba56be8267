"""What fails of a hall itself: whether the broker lets it in and what boards send is kept.

Its troubles are told as they begin and end, by whatever thread finds it; nothing here waits.
"""

from __future__ import annotations

from stillair.alerts.push import PushRoute
from stillair.clock import Clock
from stillair.hall.hearing import Hearing
from stillair.model import Kind
from stillair.runtime.hall_telling import BROKER, LATE, STORE
from stillair.runtime.troubles import Troubles
from stillair.storage.items import label
from stillair.storage.journal import Journal

OTHER = "other hall"
OPENING_S = 15.0  # after a start the database is open by then, or it is known why not


class HallAiling:
    """Tell what of the hall fails, and know how broker and store are.

    Attributes
    ----------
    heard : bool
        Whether the broker lets us in.
    why : str
        Why not, or why it did not before.
    """

    def __init__(self, troubles: Troubles, clock: Clock) -> None:
        self.heard = False
        self.why = "it has not been reached so far"
        self._troubles = troubles
        self._clock = clock
        self._lost_at = label(clock.wall().timestamp())
        self._takes = (False, "")  # and what ails that, once it is known
        self._begun_s = clock.now_s()

    @property
    def lost_at(self) -> str | None:
        """Since when the broker isn't heard; None while it is."""
        return None if self.heard else self._lost_at

    @property
    def is_kept(self) -> bool:
        """Whether what boards send is kept, and nothing ails that."""
        return self._takes == (True, "")

    def connected(self, is_in: bool, why: str) -> None:
        """The broker lets us in, or doesn't."""
        if self.heard and not is_in:
            self._lost_at = label(self._clock.wall().timestamp())
        self.heard, self.why = is_in, why
        self._troubles.tell(Kind.WATCH_GAP, BROKER, not is_in, why)
        self._tell_store()

    def took(self, takes: bool, why: str) -> None:
        """What boards send is being kept, can't be just now, or is only tried again."""
        self._takes = takes, why
        self._tell_store()

    def look(self, hearing: Hearing, journal: Journal, push: PushRoute, refused: int) -> None:
        """See what else fails; `refused` messages of boards had no room."""
        other, late_s, repaired = hearing.other_hall, hearing.late_s, journal.repaired
        why = f"another hall ({other}) takes what boards send on the same topic"
        self._tell(Kind.STORE_FAULT, OTHER, why if other else "")
        why = f"what boards say comes {late_s:.0f} s late, or later"
        self._tell(Kind.WATCH_GAP, LATE, why if late_s else "")
        self._tell(Kind.STORE_FAULT, "journal's file", repaired or "")
        self._troubles.push(push.repaired)
        self._tell_store()
        why = f"for {refused} messages of boards there was no room"
        self._tell(Kind.STORE_FAULT, "room", why if refused else "")

    def _tell_store(self) -> None:
        """Without the broker nothing comes that could be kept, and that is trouble enough."""
        takes, why = self._takes
        if not takes and not why and self._clock.now_s() - self._begun_s > OPENING_S:
            why = f"it could not be opened within {OPENING_S:g} s"
        self._tell(Kind.STORE_FAULT, STORE, why if self.heard else "")

    def _tell(self, kind: Kind, subject: str, why: str) -> None:
        self._troubles.tell(kind, subject, bool(why), why)
