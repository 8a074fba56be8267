"""Owners and others who sign in, their sessions, and tokens for programs.

Everything stands in a file of its own, so that people can still sign in while
the journal is damaged. If this file itself is damaged nobody gets in until
somebody with rights on the computer makes an owner anew: a broken lock must
not be an open door.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import delete, func, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.access import passwords
from stillair.access.first_code import FirstCode
from stillair.access.programs import Programs
from stillair.access.roles import COMMAND_LINE, CONSOLE, Principal, Role
from stillair.access.store import is_told
from stillair.access.tables import Person, Session, Wish
from stillair.database import plain
from stillair.errors import AccessError, NotKnownError, StoreError

FILE_NAME = "access.db"
IDLE_US = 30 * 86_400_000_000
LONGEST_US = 90 * 86_400_000_000
SEEN_EVERY_US = 3_600_000_000  # a session's last use is noted this often at most
MOST_SESSIONS = 20  # of one person; the oldest ends
MOST_PEOPLE = 200
WRONG = "name or password is wrong"
HTTPS = "https"  # a wish
FIRST = "\0first owner"  # no name of a person begins so
ID_LENGTH = 16  # of the hash of a session's token: names it, opens nothing


@dataclass(frozen=True, slots=True)
class KeptPerson:
    """Somebody who can sign in, as a list shows them."""

    person: Principal
    created_at: datetime
    sessions: int


@dataclass(frozen=True, slots=True)
class KeptSession:
    """A browser in which somebody has signed in; `is_this` the one that asks."""

    id: str
    address: str
    created_at: datetime
    seen_at: datetime
    is_this: bool


class TooManyTriesError(AccessError):
    """Too many wrong passwords from there; `wait_s` says when the next is looked at."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"too many tries; wait {max(1, round(wait_s))} s")
        self.wait_s = wait_s


class Access(Programs):
    """Know who may come in. Thread-safe; see `Store` for its parameters.

    Methods raise `AccessError` for what isn't allowed and `StoreError` if the
    file can't be used.
    """

    _owned = False

    @classmethod
    def open(cls, folder: Path, *, mend: bool = False) -> Access:
        """The people of a data directory. With `mend` a damaged file is set aside.

        Whether the file can be used shows at the first question, so that a
        service can watch without it.
        """
        return cls(folder / FILE_NAME, mend=mend)

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

    def owner_add(self, name: str, password: str, *, by: str = COMMAND_LINE) -> None:
        """Make an owner. Somebody of that name gets the role and this password."""
        self.person_set(name, Role.OWNER, password, by=by)

    def first_owner(
        self, name: str, password: str, code: str, first: FirstCode, *, address: str = ""
    ) -> None:
        """Make the first owner for whoever has the code that the console shows.

        Raises `NotKnownError` for a wrong or old code, which says no more.
        """
        address = plain(address[:64])
        passwords.check_password(passwords.clean_name(name), password)
        pause_s, failures = self._throttle.begin(FIRST, address)
        if pause_s > 0:
            raise TooManyTriesError(pause_s)
        if not first.fits(code):
            if is_told(failures):
                self.act(f"wrong code for the first owner ({failures})", "", by="", address=address)
            raise NotKnownError("this is not the code, or it has run out")
        self._throttle.succeeded(FIRST, address)
        with self._lock:
            if self.has_owner():
                raise AccessError("there is an owner already")
            self._set(name, Role.OWNER, password, by=CONSOLE, address=address)
            first.use_up()

    def person_set(
        self, name: str, role: Role, password: str, *, by: str, address: str = ""
    ) -> None:
        """Make a person, or give one a role and password anew; that ends their sessions."""
        self._set(name, role, password, by=by, address=address)

    def person_add(
        self, name: str, role: Role, password: str, *, by: str, address: str = ""
    ) -> None:
        """Make a person. Raises `AccessError` where there is one of that name."""
        self._set(name, role, password, by=by, address=address, new=True)

    def _set(
        self,
        name: str,
        role: Role,
        password: str,
        *,
        by: str,
        address: str,
        new: bool = False,
    ) -> None:
        name = passwords.clean_name(name)
        passwords.check_password(name, password)
        key = passwords.name_key(name)
        values = {
            "name": name,
            "role": role.value,
            "password_hash": passwords.hash_password(password),
        }
        with self._writing() as connection:
            held = connection.execute(select(col(Person.key))).scalars().all()
            if key in held:
                if new:
                    raise AccessError(f"there is somebody named {name} already")
                if role is not Role.OWNER:
                    self._keep_an_owner(connection, key)
                connection.execute(update(Person).where(col(Person.key) == key).values(values))
            else:
                if len(held) >= MOST_PEOPLE:
                    raise AccessError(f"there are {MOST_PEOPLE} people already; remove one first")
                values["key"] = key
                connection.execute(insert(Person).values(**values, created_us=self._now_us()))
            connection.execute(delete(Session).where(col(Session.person) == key))
            self._note(connection, f"{role.value} made", name, by, address)

    def person_role(self, name: str, role: Role, *, by: str, address: str = "") -> None:
        """Give a person another role; it holds from their next request on."""
        key = passwords.name_key(name)
        with self._writing() as connection:
            if role is not Role.OWNER:
                self._keep_an_owner(connection, key)
            changed = connection.execute(
                update(Person).where(col(Person.key) == key).values(role=role.value)
            )
            if changed.rowcount == 0:
                raise AccessError(f"there is nobody named {name}")
            self._note(connection, f"role changed to {role.value}", name, by, address)

    def person_remove(self, name: str, *, by: str, address: str = "") -> None:
        """Remove a person and end their sessions. The last owner can't be removed."""
        key = passwords.name_key(name)
        with self._writing() as connection:
            self._keep_an_owner(connection, key)
            removed = connection.execute(delete(Person).where(col(Person.key) == key))
            if removed.rowcount == 0:
                raise AccessError(f"there is nobody named {name}")
            self._note(connection, "person removed", name, by, address)

    def people(self) -> list[Principal]:
        """Everybody who can sign in, by name."""
        return [kept.person for kept in self.kept_people()]

    def kept_people(self) -> list[KeptPerson]:
        """Everybody as a list shows them, by name."""
        now_us = self._now_us()
        alive = (col(Session.seen_us) >= now_us - IDLE_US) & (
            col(Session.created_us) >= now_us - LONGEST_US
        )
        query = (
            select(Person, func.count(col(Session.token_hash)).label("sessions"))
            .outerjoin(Session, (col(Session.person) == col(Person.key)) & alive)
            .group_by(col(Person.key))
            .order_by(col(Person.key))
        )
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            KeptPerson(
                Principal(row["name"], Role(row["role"])), _at(row["created_us"]), row["sessions"]
            )
            for row in rows
        ]

    def password_change(
        self, name: str, old: str, new: str, *, keep: str = "", address: str = "", mark: str = ""
    ) -> None:
        """Change one's own password, which ends all sessions but that of the token `keep`.

        It voids the marks of all browsers. Raises `NotKnownError` if `old` isn't the password;
        guessing is slowed down.
        """
        key, address = passwords.name_key(name), plain(address[:64])
        self._checked(key, name, old, address, mark)
        passwords.check_password(name, new)
        hashed = passwords.hash_password(new)
        with self._writing() as connection:
            connection.execute(
                update(Person).where(col(Person.key) == key).values(password_hash=hashed)
            )
            self._end(connection, key, keep=keep)
            self._note(connection, "password changed", name, name, address)

    # --- sessions ------------------------------------------------------------------

    def sign_in(self, name: str, password: str, *, address: str = "", mark: str = "") -> str:
        """A token for a new session; why it was refused doesn't say which of both is wrong.

        `mark` is what `new_mark` gave this browser: who tries there waits for nobody else's tries.
        """
        key, address = passwords.name_key(name[:200]), plain(address[:64])
        person = self._checked(key, name, password, address, mark)
        token = passwords.new_token()
        now_us = self._now_us()
        with self._writing() as connection:
            if passwords.is_outdated(person.password_hash):
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
            self._note(connection, "signed in", person.name, person.name, address)
        return token

    def new_mark(self, name: str) -> str:
        """A mark for the browser in which this person has just signed in; empty for nobody."""
        query = select(col(Person.password_hash)).where(col(Person.key) == passwords.name_key(name))
        with self._reading() as connection:
            found = connection.execute(query).scalar()
        return passwords.new_mark(found) if found else ""

    def _checked(self, key: str, name: str, password: str, address: str, mark: str) -> Person:
        """The person whose password this is. Raises `TooManyTriesError`, `NotKnownError`."""
        with self._reading() as connection:
            found = (
                connection.execute(select(Person).where(col(Person.key) == key)).mappings().first()
            )
        person = Person(**found) if found else None
        known = passwords.marked(person.password_hash, mark) if person and mark else None
        place = f"known {known}" if known else address
        pause_s, failures = self._throttle.begin(key, place)
        if pause_s > 0:
            raise TooManyTriesError(pause_s)
        if not passwords.is_password(person.password_hash if person else None, password):
            if is_told(failures):
                self.act(f"sign-in failed ({failures})", name[:40], by="", address=address)
            raise NotKnownError(WRONG)
        assert person is not None
        self._throttle.succeeded(key, place)
        return person

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
        idle_us, age_us = now_us - seen_us, now_us - created_us
        if idle_us > IDLE_US or age_us > LONGEST_US:
            return None
        if age_us < -IDLE_US:
            return None  # made by a clock that was far ahead, or this one is behind for now
        if abs(idle_us) > SEEN_EVERY_US:
            begun_us = min(created_us, now_us)  # one from a clock that was ahead lasts no longer
            # A full disk must not keep out somebody who has signed in already.
            with suppress(StoreError), self._writing() as connection:
                connection.execute(
                    update(Session)
                    .where(col(Session.token_hash) == hashed)
                    .values(seen_us=now_us, created_us=begun_us)
                )
        return Principal(name, Role(role))

    def sign_out(self, token: str, *, address: str = "") -> None:
        """End a session; harmless if there is none."""
        hashed = passwords.token_hash(token)
        own = select(col(Person.name)).join(Session, col(Session.person) == col(Person.key))
        with self._writing() as connection:
            name = connection.execute(own.where(col(Session.token_hash) == hashed)).scalar()
            if name is not None:
                connection.execute(delete(Session).where(col(Session.token_hash) == hashed))
                self._note(connection, "signed out", name, name, address)

    def sessions(self, name: str, *, this: str = "") -> list[KeptSession]:
        """The browsers in which a person has signed in, the newest use last."""
        now_us = self._now_us()
        query = (
            select(Session)
            .where(
                col(Session.person) == passwords.name_key(name),
                col(Session.seen_us) >= now_us - IDLE_US,
                col(Session.created_us) >= now_us - LONGEST_US,
            )
            .order_by(col(Session.seen_us))
        )
        own = passwords.token_hash(this)
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            KeptSession(
                row["token_hash"][:ID_LENGTH],
                row["address"],
                _at(row["created_us"]),
                _at(row["seen_us"]),
                row["token_hash"] == own,
            )
            for row in rows
        ]

    def session_end(self, name: str, session: str, *, address: str = "") -> None:
        """End one of a person's own sessions, by its id; harmless if there is none."""
        with self._writing() as connection:
            ended = connection.execute(
                delete(Session).where(
                    col(Session.person) == passwords.name_key(name),
                    func.substr(col(Session.token_hash), 1, ID_LENGTH) == plain(session),
                )
            )
            if ended.rowcount:
                self._note(connection, "session ended", name, name, address)

    def sign_out_everywhere(self, name: str, *, by: str, keep: str = "", address: str = "") -> int:
        """End all sessions of a person but that of the token `keep`; returns how many."""
        with self._writing() as connection:
            ended = self._end(connection, passwords.name_key(name), keep=keep)
            self._note(connection, "signed out everywhere", name, by, address)
        return ended

    # --- wishes ------------------------------------------------------------------------

    def https_wanted(self) -> bool:
        """Whether the service has spoken HTTPS, so that it must never speak in clear again.

        It stands here because without this file nobody else is let in at all.
        """
        with self._reading() as connection:
            return connection.execute(select(Wish)).first() is not None

    def want_https(self) -> None:
        """Note that it speaks HTTPS from now on, whatever becomes of the certificate's files."""
        if not self.https_wanted():
            with self._writing() as connection:
                connection.execute(insert(Wish).values(name=HTTPS))

    # --- inside ------------------------------------------------------------------------

    @staticmethod
    def _keep_an_owner(connection: Connection, key: str) -> None:
        """Refuse to lose the last owner; whoever comes next would find an open door."""
        owners = connection.execute(
            select(col(Person.key)).where(col(Person.role) == Role.OWNER.value)
        ).scalars()
        if list(owners) == [key]:
            raise AccessError("this is the last owner; make another one first")

    @staticmethod
    def _end(connection: Connection, key: str, *, keep: str) -> int:
        return connection.execute(
            delete(Session).where(
                col(Session.person) == key, col(Session.token_hash) != passwords.token_hash(keep)
            )
        ).rowcount

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


def _at(us: int) -> datetime:
    return datetime.fromtimestamp(us / 1e6, UTC)
