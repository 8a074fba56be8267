"""Tokens for programs, whole or for one thing only."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import delete, insert, select
from sqlmodel import col

from stillair.access import passwords
from stillair.access.roles import COMMAND_LINE, Principal, Role, Scope
from stillair.access.store import Store
from stillair.access.tables import Token
from stillair.database import plain
from stillair.errors import AccessError, UnfitError

MOST_TOKENS = 100


@dataclass(frozen=True, slots=True)
class KeptToken:
    """A token as a list shows it."""

    holder: Principal
    created_at: datetime


class Programs(Store):
    """The programs that may ask."""

    def token_add(
        self,
        name: str,
        role: Role,
        *,
        scopes: Collection[Scope] = (),
        chamber: str | None = None,
        by: str = COMMAND_LINE,
        address: str = "",
    ) -> str:
        """A new token, which is shown only this once.

        With `scopes` it is for these things only, and with `chamber` for acting there only.
        """
        name = passwords.clean_name(name)
        _check_narrowing(role, scopes, chamber)
        token = passwords.new_token(passwords.MARK)
        narrowed = " ".join(sorted(scopes)) + (f" in {chamber}" if chamber else "")
        with self._writing() as connection:
            held = connection.execute(select(col(Token.name))).scalars().all()
            if plain(name) in held:
                raise AccessError(f"there is a token named {name} already; remove it first")
            if len(held) >= MOST_TOKENS:
                raise AccessError(f"there are {MOST_TOKENS} tokens already; remove one first")
            connection.execute(
                insert(Token).values(
                    token_hash=passwords.token_hash(token),
                    name=name,
                    role=role.value,
                    scopes=" ".join(sorted(scopes)),
                    chamber=chamber,
                    created_us=self._now_us(),
                )
            )
            what = f"token made ({role.value}{', only ' if scopes else ''}{narrowed})"
            self._note(connection, what, name, by, address)
        return token

    def token_remove(self, name: str, *, by: str = COMMAND_LINE, address: str = "") -> None:
        """Make a token worthless."""
        with self._writing() as connection:
            removed = connection.execute(delete(Token).where(col(Token.name) == plain(name)))
            if removed.rowcount == 0:
                raise AccessError(f"there is no token named {name}")
            self._note(connection, "token removed", name, by, address)

    def tokens(self) -> list[Principal]:
        """The programs that hold a token, by name."""
        return [kept.holder for kept in self.kept_tokens()]

    def kept_tokens(self) -> list[KeptToken]:
        """All tokens as a list shows them, by name."""
        with self._reading() as connection:
            rows = connection.execute(select(Token).order_by(col(Token.name))).mappings().all()
        return [
            KeptToken(
                _holder(row["name"], row["role"], row["scopes"], row["chamber"]),
                datetime.fromtimestamp(row["created_us"] / 1e6, UTC),
            )
            for row in rows
        ]

    def bearer(self, token: str) -> Principal | None:
        """Which program holds this token, or None."""
        query = select(
            col(Token.name), col(Token.role), col(Token.scopes), col(Token.chamber)
        ).where(col(Token.token_hash) == passwords.token_hash(token))
        with self._reading() as connection:
            found = connection.execute(query).first()
        return _holder(*found) if found else None


def _holder(name: str, role: str, scopes: str, chamber: str | None) -> Principal:
    # A scope that this version doesn't know opens nothing.
    known = frozenset(Scope(each) for each in scopes.split() if each in set(Scope))
    return Principal(name, Role(role), known if scopes else None, chamber)


def _check_narrowing(role: Role, scopes: Collection[Scope], chamber: str | None) -> None:
    """Refuse a token that would not do what its maker thinks. Raises `UnfitError`."""
    if chamber is not None and (not scopes or Scope.READ in scopes):
        raise UnfitError(
            "a token for one chamber is only for acting there: jobs, pause, progress; "
            "what can be read is of all chambers"
        )
    if role is Role.VIEWER and set(scopes) - {Scope.READ}:
        raise UnfitError("a viewer only reads; a token that acts needs the role operator")
