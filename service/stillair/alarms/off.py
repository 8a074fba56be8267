"""Alarms that a person has switched off until somebody switches them on again.

Out of service, as the standard calls it: a switch that is broken, a sensor that is
known to read wrong. It needs a reason, is always on view with who did it and since
when, and survives a restart. Never danger, nor the word that nobody is there.

References
----------
ANSI/ISA-18.2-2016, clause 11 (out-of-service alarms: authorization, documentation,
display of all of them).
"""

from __future__ import annotations

from stillair.alarms.catalogue import CATALOGUE, one_line
from stillair.alarms.words import WORDS
from stillair.errors import CommandRefused, Refusal
from stillair.model import Kind, OutOfServiceState, PutBack, SwitchedOff, TakeOut

MOST = 40  # more than that is no watch any more
_SUBJECT_LENGTH = 200
_NEEDS_SUBJECT = frozenset({Kind.SENSOR_FAULT, Kind.DELIVERY_FAULT, Kind.STORE_FAULT})


class OutOfService:
    """Know which alarms are switched off; `kept` is what was before a restart."""

    def __init__(self, kept: OutOfServiceState | None = None) -> None:
        known = kept.off if kept else ()
        self._off = {(o.kind, o.subject): o for o in known if CATALOGUE[o.kind].may_hide}

    def __contains__(self, key: tuple[Kind, str]) -> bool:
        return key in self._off

    @property
    def all(self) -> tuple[SwitchedOff, ...]:
        """All of them, in the order in which they were switched off."""
        return tuple(self._off.values())

    def take_out(self, command: TakeOut) -> OutOfServiceState:
        """Switch one off; once more changes its reason. Raises `CommandRefused` (forbidden)."""
        kind, subject = command.kind, command.subject
        if not CATALOGUE[kind].may_hide:
            raise CommandRefused(
                Refusal.FORBIDDEN, f"“{WORDS[kind].title}” can't be switched off, only seen"
            )
        reason = one_line(command.reason)
        if not reason:
            raise CommandRefused(Refusal.FORBIDDEN, "say why it is to be switched off")
        if len(subject) > _SUBJECT_LENGTH or not (subject or kind not in _NEEDS_SUBJECT):
            raise CommandRefused(Refusal.FORBIDDEN, "say which one is to be switched off")
        known = self._off.get((kind, subject))
        if known is None and len(self._off) >= MOST:
            raise CommandRefused(
                Refusal.FORBIDDEN, f"{MOST} alarms are switched off already: put one back first"
            )
        since_s = known.since_s if known else command.t_s
        self._off[kind, subject] = SwitchedOff(kind, subject, command.by, since_s, reason)
        return OutOfServiceState(command.t_s, command.by, self.all)

    def put_back(self, command: PutBack) -> OutOfServiceState | None:
        """Switch one on again; None where it isn't off, which is harmless."""
        if self._off.pop((command.kind, command.subject), None) is None:
            return None
        return OutOfServiceState(command.t_s, command.by, self.all)
