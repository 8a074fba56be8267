"""Owners and others who sign in, their sessions, and tokens for programs.

Everything stands in a file of its own, so that people can still sign in while
the journal is damaged. If this file itself is damaged nobody gets in until
somebody with rights on the computer makes an owner anew: a broken lock must
not be an open door.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Engine, delete, func, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.access import passwords
from stillair.access.migrations import PEOPLE
from stillair.access.tables import Audit, Person, Session, Token
from stillair.access.throttle import Throttle
from stillair.database import Reader, inode_of, open_store, plain, store_errors
from stillair.errors import AccessError, StoreError

FILE_NAME = "access.db"
IDLE_US = 30 * 86_400_000_000
LONGEST_US = 90 * 86_400_000_000
SEEN_EVERY_US = 3_600_000_000  # a session's last use is noted this often at most
MOST_SESSIONS = 20  # of one person; the oldest ends
MOST_AUDIT = 10_000
WRONG = "name or password is wrong"


class Role(StrEnum):
    """What somebody may do; each may do what those before it may."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    OWNER = "owner"


RANK = {role: rank for rank, role in enumerate(Role)}


@dataclass(frozen=True, slots=True)
class Principal:
    """A person or program that is known."""

    name: str
    role: Role

    def may(self, role: Role) -> bool:
        """Whether this includes what `role` may do."""
        return RANK[self.role] >= RANK[role]


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """Something that was done with people, sessions or tokens."""

    at: datetime
    what: str
    subject: str
    by: str
    address: str


class TooManyTriesError(AccessError):
    """Too many wrong passwords from there; `wait_s` says when the next is looked at."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"too many tries; wait {max(1, round(wait_s))} s")
        self.wait_s = wait_s


class Access:
    """Know who may come in. Thread-safe.

    Methods raise `AccessError` for what isn't allowed and `StoreError` if the
    file can't be used.

    Parameters
    ----------
    path : Path
        The file of people.
    wall, monotonic_s : callable
        Wall clock for the age of sessions, monotonic seconds for pauses.
    """

    def __init__(
        self,
        path: Path,
        *,
        mend: bool = False,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = path
        self._mend = mend
        self._wall = wall
        self._throttle = Throttle(monotonic_s)
        self._lock = threading.RLock()
        self._reader = Reader(path)
        self._engine: Engine | None = None
        self._inode: int | None = None
        self._owned = False

    @classmethod
    def open(cls, folder: Path, *, mend: bool = False) -> Access:
        """The people of a data directory. With `mend` a damaged file is set aside.

        Whether the file can be used shows at the first question, so that a
        service can watch without it.
        """
        return cls(folder / FILE_NAME, mend=mend)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def ready(self) -> None:
        """Open the file unless it is open."""
        with self._lock:
            if self._engine is not None and self._inode != inode_of(self.path):
                self.close()
            if self._engine is None:
                self._engine, _repaired = open_store(
                    self.path, PEOPLE, mend=self._mend, wall=self._wall
                )
                self._inode = inode_of(self.path)

    def close(self) -> None:
        """Let the file go; it is opened again when needed. Harmless twice."""
        self._reader.close()
        with self._lock:
            if self._engine is not None:
                self._engine.dispose()
                self._engine = None

    # --- people ------------------------------------------------------------------

    def has_owner(self) -> bool:
        """Whether an owner has been made; once True, True until the process ends.

        True as well while the file can't be read: then nobody gets in.
        """
        if not self._owned:
            owners = select(col(Person.key)).where(col(Person.role) == Role.OWNER.value)
            try:
                with self._reading() as connection:
                    self._owned = connection.execute(owners.limit(1)).first() is not None
            except StoreError:
                if not self._is_unused():
                    return True
        return self._owned

    def owner_add(self, name: str, password: str, *, by: str = "command line") -> None:
        """Make an owner. Somebody of that name gets the role and this password."""
        self.person_set(name, Role.OWNER, password, by=by)

    def person_set(self, name: str, role: Role, password: str, *, by: str) -> None:
        """Make a person, or give one a role and password anew; that ends their sessions."""
        name = passwords.clean_name(name)
        passwords.check_password(name, password)
        key = passwords.name_key(name)
        values = {
            "name": name,
            "role": role.value,
            "password_hash": passwords.hash_password(password),
        }
        with self._writing() as connection:
            if role is not Role.OWNER:
                self._keep_an_owner(connection, key)
            renewed = connection.execute(
                update(Person).where(col(Person.key) == key).values(values)
            )
            if renewed.rowcount == 0:
                values["key"] = key
                connection.execute(insert(Person).values(**values, created_us=self._now_us()))
            connection.execute(delete(Session).where(col(Session.person) == key))
            self._note(connection, f"{role.value} made", name, by)

    def person_remove(self, name: str, *, by: str) -> None:
        """Remove a person and end their sessions. The last owner can't be removed."""
        key = passwords.name_key(name)
        with self._writing() as connection:
            self._keep_an_owner(connection, key)
            removed = connection.execute(delete(Person).where(col(Person.key) == key))
            if removed.rowcount == 0:
                raise AccessError(f"there is nobody named {name}")
            self._note(connection, "person removed", name, by)

    def people(self) -> list[Principal]:
        """Everybody who can sign in, by name."""
        with self._reading() as connection:
            rows = connection.execute(select(Person).order_by(col(Person.key))).mappings()
            return [Principal(row["name"], Role(row["role"])) for row in rows]

    # --- sessions ------------------------------------------------------------------

    def sign_in(self, name: str, password: str, *, address: str = "") -> str:
        """A token for a new session; why it was refused doesn't say which of both is wrong."""
        key, address = passwords.name_key(name[:200]), plain(address[:64])
        pause_s = self._throttle.pause_s(key, address)
        if pause_s > 0:
            raise TooManyTriesError(pause_s)
        with self._reading() as connection:
            person = (
                connection.execute(select(Person).where(col(Person.key) == key)).mappings().first()
            )
        if not passwords.is_password(person["password_hash"] if person else None, password):
            failures = self._throttle.failed(key, address)
            # Not each one: a stranger must not be able to wear out the card.
            if failures in (1, 5) or failures % 50 == 0:
                with self._writing() as connection:
                    self._note(connection, f"sign-in failed ({failures})", name[:40], "", address)
            raise AccessError(WRONG)
        assert person is not None
        self._throttle.succeeded(key, address)
        token = passwords.new_token()
        now_us = self._now_us()
        with self._writing() as connection:
            if passwords.is_outdated(person["password_hash"]):
                renewed = passwords.hash_password(password)
                connection.execute(
                    update(Person).where(col(Person.key) == key).values(password_hash=renewed)
                )
            self._end_old_sessions(connection, key, now_us)
            connection.execute(
                insert(Session).values(
                    token_hash=passwords.token_hash(token),
                    person=key,
                    address=address,
                    created_us=now_us,
                    seen_us=now_us,
                )
            )
            self._note(connection, "signed in", person["name"], person["name"], address)
        return token

    def session(self, token: str) -> Principal | None:
        """Who signed in with this token, or None if nobody did or it has run out."""
        hashed = passwords.token_hash(token)
        query = (
            select(
                col(Person.name), col(Person.role), col(Session.seen_us), col(Session.created_us)
            )
            .join(Session, col(Session.person) == col(Person.key))
            .where(col(Session.token_hash) == hashed)
        )
        with self._reading() as connection:
            found = connection.execute(query).first()
        if found is None:
            return None
        name, role, seen_us, created_us = found
        now_us = self._now_us()
        if now_us - seen_us > IDLE_US or now_us - created_us > LONGEST_US:
            return None
        if abs(now_us - seen_us) > SEEN_EVERY_US:
            # A full disk must not keep out somebody who has signed in already.
            with suppress(StoreError), self._writing() as connection:
                connection.execute(
                    update(Session)
                    .where(col(Session.token_hash) == hashed)
                    .values(seen_us=max(now_us, seen_us))
                )
        return Principal(name, Role(role))

    def sign_out(self, token: str) -> None:
        """End a session; harmless if there is none."""
        hashed = passwords.token_hash(token)
        with self._writing() as connection:
            connection.execute(delete(Session).where(col(Session.token_hash) == hashed))

    def sign_out_everywhere(self, name: str, *, by: str) -> int:
        """End all sessions of a person; returns how many there were."""
        key = passwords.name_key(name)
        with self._writing() as connection:
            ended = connection.execute(delete(Session).where(col(Session.person) == key)).rowcount
            self._note(connection, "signed out everywhere", name, by)
        return ended

    # --- tokens of programs ----------------------------------------------------------

    def token_add(self, name: str, role: Role, *, by: str = "command line") -> str:
        """A new token, which is shown only this once."""
        name = passwords.clean_name(name)
        token = passwords.new_token(passwords.MARK)
        with self._writing() as connection:
            known = select(col(Token.name)).where(col(Token.name) == plain(name))
            if connection.execute(known).first() is not None:
                raise AccessError(f"there is a token named {name} already; remove it first")
            connection.execute(
                insert(Token).values(
                    token_hash=passwords.token_hash(token),
                    name=name,
                    role=role.value,
                    created_us=self._now_us(),
                )
            )
            self._note(connection, f"token made ({role.value})", name, by)
        return token

    def token_remove(self, name: str, *, by: str = "command line") -> None:
        """Make a token worthless."""
        with self._writing() as connection:
            removed = connection.execute(delete(Token).where(col(Token.name) == plain(name)))
            if removed.rowcount == 0:
                raise AccessError(f"there is no token named {name}")
            self._note(connection, "token removed", name, by)

    def tokens(self) -> list[Principal]:
        """The programs that hold a token, by name."""
        with self._reading() as connection:
            rows = connection.execute(select(Token).order_by(col(Token.name))).mappings()
            return [Principal(row["name"], Role(row["role"])) for row in rows]

    def bearer(self, token: str) -> Principal | None:
        """Which program holds this token, or None."""
        query = select(col(Token.name), col(Token.role)).where(
            col(Token.token_hash) == passwords.token_hash(token)
        )
        with self._reading() as connection:
            found = connection.execute(query).first()
        return Principal(found[0], Role(found[1])) if found else None

    # --- record ------------------------------------------------------------------------

    def audit(self, limit: int = 100) -> list[AuditEntry]:
        """The newest entries, newest last."""
        query = select(Audit).order_by(col(Audit.id).desc()).limit(min(max(limit, 1), 1_000))
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            AuditEntry(
                datetime.fromtimestamp(row["at_us"] / 1e6, UTC),
                row["what"],
                row["subject"],
                row["by"],
                row["address"],
            )
            for row in reversed(rows)
        ]

    # --- inside ------------------------------------------------------------------------

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        if self._engine is None:
            self.ready()
        with self._reader.connection("the file of people can't be read") as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._lock:
            self.ready()
            assert self._engine is not None
            with (
                store_errors("the file of people can't be written"),
                self._engine.begin() as connection,
            ):
                yield connection

    def _is_unused(self) -> bool:
        """Whether there certainly is no file, or one into which nothing was ever written."""
        try:
            return self.path.stat().st_size == 0
        except FileNotFoundError:
            return True
        except OSError:
            return False

    def _now_us(self) -> int:
        return round(self._wall().timestamp() * 1e6)

    @staticmethod
    def _keep_an_owner(connection: Connection, key: str) -> None:
        """Refuse to lose the last owner; whoever comes next would find an open door."""
        owners = connection.execute(
            select(col(Person.key)).where(col(Person.role) == Role.OWNER.value)
        ).scalars()
        if list(owners) == [key]:
            raise AccessError("this is the last owner; make another one first")

    @staticmethod
    def _end_old_sessions(connection: Connection, key: str, now_us: int) -> None:
        old = (col(Session.seen_us) < now_us - IDLE_US) | (
            col(Session.created_us) < now_us - LONGEST_US
        )
        connection.execute(delete(Session).where(old))
        newest = (
            select(col(Session.token_hash))
            .where(col(Session.person) == key)
            .order_by(col(Session.seen_us).desc())
            .limit(MOST_SESSIONS - 1)
        )
        connection.execute(
            delete(Session).where(
                col(Session.person) == key, col(Session.token_hash).not_in(newest)
            )
        )

    def _note(
        self, connection: Connection, what: str, subject: str, by: str, address: str = ""
    ) -> None:
        values: dict[str, Any] = {
            "at_us": self._now_us(),
            "what": what,
            "subject": plain(subject),
            "by": by,
            "address": address,
        }
        connection.execute(insert(Audit).values(**values))
        newest = connection.execute(select(func.max(col(Audit.id)))).scalar() or 0
        connection.execute(delete(Audit).where(col(Audit.id) <= newest - MOST_AUDIT))
