"""What somebody may do: roles, and what a program's token is narrowed to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What somebody may do; each may do what those before it may."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    OWNER = "owner"


# How the record calls whoever acts without a name of their own; nobody may be named so.
COMMAND_LINE, CONSOLE, THIS_COMPUTER = "command line", "code from the console", "this computer"
BY_MESSAGE = ", by message"  # after the name of whoever answered by the link in a message

RANK = {role: rank for rank, role in enumerate(Role)}


class Scope(StrEnum):
    """What a token that is for one thing only may be for."""

    READ = "read"  # all that a viewer sees
    JOBS = "jobs"  # begin and finish jobs, note on them
    PAUSE = "pause"  # pause jobs and go on with them
    PROGRESS = "progress"  # tell the height of the part


@dataclass(frozen=True, slots=True)
class Principal:
    """A person or program that is known.

    `scopes` of a token that is for these things only, None of everybody else;
    `chamber` where it acts in that one only. `address` is where the request came from.
    """

    name: str
    role: Role
    scopes: frozenset[Scope] | None = None
    chamber: str | None = None
    address: str = ""

    def may(self, role: Role, scope: Scope | None = None, chamber: str | None = None) -> bool:
        """Whether this includes what `role` may do, as far as it belongs to `scope`.

        `chamber` is the one acted upon. What belongs to no scope needs a whole role.
        """
        if RANK[self.role] < RANK[role]:
            return False
        if self.scopes is not None and scope not in self.scopes:
            return False
        return self.chamber is None or chamber == self.chamber
