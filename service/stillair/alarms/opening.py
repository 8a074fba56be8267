"""The door that somebody opens on purpose: what that does to the air is no news for a while.

Said before or after its alarms are there. Door and draft are quiet until the time that
was said, and what follows from them for some minutes more, in which the box warms again.
They come back by themselves. Danger, and who should be there, are never made quiet.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from stillair.alarms.catalogue import one_line
from stillair.errors import CommandRefused, Refusal
from stillair.model import EndOpening, ExpectOpening, Kind, OpeningState

OPENING_MINUTES = (1.0, 30.0)  # a door that is open for longer spoils any part: that is to be told
# For how long after the opening each may still last without being news.
QUIET_AFTER_S: Mapping[Kind, float] = {
    Kind.DOOR_OPEN: 0.0,
    Kind.DRAFT: 0.0,
    Kind.HEAT_LOST: 300.0,
    Kind.BELOW_TARGET: 600.0,
}
# Who says that it is shut need not wait for the switch and the sensors to say so too.
SETTLES_S = 60.0
USUAL_REASON = "the door is opened on purpose"


class Opening:
    """Know until when which kinds are quiet because of an opening."""

    def __init__(self) -> None:
        self._state: OpeningState | None = None
        self._quiet_s: dict[Kind, float] = {}  # until when

    def state(self, t_s: float) -> OpeningState | None:
        """The opening as long as it holds."""
        state = self._state
        held = state is not None and state.until_s is not None and t_s < state.until_s
        return state if held else None

    def expect(self, command: ExpectOpening) -> OpeningState:
        """Begin one, or give one that holds another end. Raises `CommandRefused` (forbidden)."""
        shortest, longest = OPENING_MINUTES
        if not (math.isfinite(command.minutes) and shortest <= command.minutes <= longest):
            raise CommandRefused(
                Refusal.FORBIDDEN,
                f"the door can be expected open for {shortest:.0f} to {longest:.0f} minutes",
            )
        reason = one_line(command.reason)
        until_s = command.t_s + command.minutes * 60.0
        self._quiet_s = {kind: until_s + after_s for kind, after_s in QUIET_AFTER_S.items()}
        self._state = OpeningState(command.t_s, command.by, reason, until_s)
        return self._state

    def end(self, command: EndOpening) -> OpeningState | None:
        """It is shut again; None where none was expected, which is harmless."""
        if self.state(command.t_s) is None:
            return None
        for kind, after_s in QUIET_AFTER_S.items():
            until_s = command.t_s + max(after_s, SETTLES_S)
            self._quiet_s[kind] = min(self._quiet_s[kind], until_s)
        self._state = OpeningState(command.t_s, command.by)
        return self._state

    def quiet_until_s(self, kind: Kind, t_s: float) -> float | None:
        """Until when this kind is quiet because of the opening; None where it isn't."""
        until_s = self._quiet_s.get(kind, -math.inf)
        return until_s if t_s < until_s else None

    @property
    def reason(self) -> str:
        """Why what is quiet because of it is quiet."""
        return (self._state.reason if self._state else "") or USUAL_REASON
