"""The life of an alarm: two coupled state machines over one condition.

ANNUNCIATION is what people are asked to do: normal, not yet seen, seen, over
but not yet seen, and the latched forms of a danger that stays shown until
somebody clears it. SUPPRESSION is why nobody is asked just now: shelved for a
time, suppressed by design (a door that may stand open because nothing is
being built), out of service. The CONDITION is tracked underneath both.

While an alarm is suppressed its annunciation goes on underneath, with two
couplings after the standard's figure: what ends unsaid needs no answer, and
what still stands when the suppression ends is said anew.

References
----------
ANSI/ISA-18.2-2016 and IEC 62682:2014, alarm state transition diagram
(normal, unacknowledged, acknowledged, return-to-normal unacknowledged,
latched unacknowledged, latched acknowledged; shelved, suppressed by design,
out of service) and re-alarming.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from stillair.model import Annunciation as S
from stillair.model import Suppression as P


class Signal(StrEnum):
    """What can happen to an alarm."""

    CONDITION_TRUE = "condition_true"
    CONDITION_FALSE = "condition_false"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REALARM = "realarm"  # seen long ago and still standing, or worse than when it was seen
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    REMOVE = "remove"  # take out of service
    RETURN = "return"  # put back into service


# (state, signal): (next state, next state of an alarm that latches)
TRANSITIONS: Mapping[tuple[S, Signal], tuple[S, S]] = {
    (S.NORMAL, Signal.CONDITION_TRUE): (S.UNACKNOWLEDGED, S.UNACKNOWLEDGED),
    (S.UNACKNOWLEDGED, Signal.ACKNOWLEDGE): (S.ACKNOWLEDGED, S.ACKNOWLEDGED),
    (S.UNACKNOWLEDGED, Signal.CONDITION_FALSE): (
        S.RETURNED_UNACKNOWLEDGED,
        S.LATCHED_UNACKNOWLEDGED,
    ),
    (S.ACKNOWLEDGED, Signal.CONDITION_FALSE): (S.NORMAL, S.LATCHED_ACKNOWLEDGED),
    (S.ACKNOWLEDGED, Signal.REALARM): (S.UNACKNOWLEDGED, S.UNACKNOWLEDGED),
    (S.RETURNED_UNACKNOWLEDGED, Signal.ACKNOWLEDGE): (S.NORMAL, S.NORMAL),
    (S.RETURNED_UNACKNOWLEDGED, Signal.CONDITION_TRUE): (S.UNACKNOWLEDGED, S.UNACKNOWLEDGED),
    (S.LATCHED_UNACKNOWLEDGED, Signal.ACKNOWLEDGE): (
        S.LATCHED_ACKNOWLEDGED,
        S.LATCHED_ACKNOWLEDGED,
    ),
    (S.LATCHED_UNACKNOWLEDGED, Signal.CONDITION_TRUE): (S.UNACKNOWLEDGED, S.UNACKNOWLEDGED),
    (S.LATCHED_ACKNOWLEDGED, Signal.RESET): (S.NORMAL, S.NORMAL),
    (S.LATCHED_ACKNOWLEDGED, Signal.CONDITION_TRUE): (S.UNACKNOWLEDGED, S.UNACKNOWLEDGED),
}

SUPPRESSIONS: Mapping[tuple[P, Signal], P] = {
    (P.NONE, Signal.SHELVE): P.SHELVED,
    (P.NONE, Signal.SUPPRESS): P.SUPPRESSED_BY_DESIGN,
    (P.NONE, Signal.REMOVE): P.OUT_OF_SERVICE,
    (P.SHELVED, Signal.UNSHELVE): P.NONE,
    (P.SHELVED, Signal.REMOVE): P.OUT_OF_SERVICE,
    (P.SUPPRESSED_BY_DESIGN, Signal.UNSUPPRESS): P.NONE,
    (P.SUPPRESSED_BY_DESIGN, Signal.SHELVE): P.SHELVED,
    (P.SUPPRESSED_BY_DESIGN, Signal.REMOVE): P.OUT_OF_SERVICE,
    (P.OUT_OF_SERVICE, Signal.RETURN): P.NONE,
}

UNSEEN = frozenset({S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED})


@dataclass(frozen=True, slots=True)
class Life:
    """Where one alarm stands: both machines and the condition underneath."""

    annunciation: S = S.NORMAL
    suppression: P = P.NONE
    condition: bool = False

    def after(self, signal: Signal, *, latches: bool, may_hide: bool) -> Life:
        """The life after `signal`; the same life where the tables have no such step.

        `may_hide` is False for a danger: nothing suppresses it, and it leaves
        any suppression it is found in (a door's alarm that became a fire's).
        """
        condition = self.condition
        if signal is Signal.CONDITION_TRUE or signal is Signal.CONDITION_FALSE:
            condition = signal is Signal.CONDITION_TRUE
        annunciation = self.annunciation
        step = TRANSITIONS.get((annunciation, signal))
        if step is not None:
            annunciation = step[1] if latches else step[0]
        suppression = P.NONE
        if may_hide:
            suppression = SUPPRESSIONS.get((self.suppression, signal), self.suppression)
        if suppression is P.NONE and self.suppression is not P.NONE and condition:
            annunciation = S.UNACKNOWLEDGED  # said anew
        elif suppression is not P.NONE and not condition:
            annunciation = S.NORMAL  # what ends unsaid needs no answer
        return Life(annunciation, suppression, condition)

    @property
    def standing(self) -> bool:
        """True while somebody should see it on the page."""
        return self.annunciation is not S.NORMAL or self.suppression is not P.NONE

    @property
    def unseen(self) -> bool:
        """True while a person is asked to answer."""
        return self.annunciation in UNSEEN and self.suppression is P.NONE


def diagram() -> str:
    """Both tables as a Mermaid state diagram, for DEVELOPERS.md."""
    lines = ["stateDiagram-v2", "    state Annunciation {", f"        [*] --> {S.NORMAL}"]
    for (state, signal), (plain, latched) in TRANSITIONS.items():
        lines.append(f"        {state} --> {plain}: {signal}")
        if latched is not plain:
            lines.append(f"        {state} --> {latched}: {signal}, of a danger that latches")
    lines += ["    }", "    --", "    state Suppression {", f"        [*] --> {P.NONE}"]
    lines += [f"        {before} --> {p}: {signal}" for (before, signal), p in SUPPRESSIONS.items()]
    return "\n".join([*lines, "    }"])
