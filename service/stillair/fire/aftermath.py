"""After smoke or fire no part is said to be cool enough: it may burn on, or up again.

That holds for the warm spell in which it came. It is over once a person has cleared
every alarm of it, and so said that it is over or was none, and after it the chamber
has been cold, begun to warm up again or been given another job.
"""

from __future__ import annotations

from stillair.model import Phase

_BEFORE_WARMING = frozenset({Phase.COLD, Phase.COOLING, Phase.COOL_ENOUGH})


class Aftermath:
    """Know for how long something that burnt forbids the all-clear of a part.

    Parameters
    ----------
    event : int
        The number of the newest event of fire or smoke that is known; 0: none.
    done_with : int
        The newest one whose warm spell is over.
    """

    def __init__(self, event: int = 0, done_with: int = 0) -> None:
        self._event = event
        self._done_with = done_with
        self._spell_over = False
        self._phase = Phase.UNKNOWN

    def __bool__(self) -> bool:
        return self._event > self._done_with

    @property
    def done_with(self) -> int:
        """To be known at the next start."""
        return self._done_with

    def burns(self, event: int) -> None:
        """Something is told of a fire or smoke."""
        self._event = max(self._event, event)

    def begin_job(self) -> None:
        """Another job begins, and with it another spell."""
        self._spell_over = True

    def tick(self, phase: Phase, *, stands: bool, cleared: bool) -> None:
        """A second in `phase`: whether such an event stands, and whether all alarms are cleared."""
        # Fire warms a chamber too, so rising air counts only after a person's word.
        warms_anew = phase is Phase.WARMING and self._phase in _BEFORE_WARMING and cleared
        self._phase = phase
        spell_over = self._spell_over or phase is Phase.COLD or warms_anew
        self._spell_over = bool(self) and spell_over and not stands
        if self._spell_over and cleared:
            self._done_with = self._event
