"""Tables of people, their sessions, tokens of programs, and what was done with them.

Of a password only an Argon2id hash is kept, of a token only a SHA-256 hash:
whoever reads the file can't sign in with what stands there. Instants are
microseconds since the epoch, UTC.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKey, Integer, MetaData, Text

from stillair.database.rows import Rows, column

NUMBERED = BigInteger().with_variant(Integer, "sqlite")


class PeopleTable(Rows):
    """Base of the tables of people."""

    metadata = MetaData()


class Person(PeopleTable, table=True):
    """Somebody who can sign in."""

    __tablename__ = "person"

    key: str = column(primary_key=True)  # the name without regard to capitals
    name: str
    role: str
    password_hash: str
    created_us: int = column(BigInteger)


class Session(PeopleTable, table=True):
    """One browser in which somebody has signed in."""

    __tablename__ = "session"

    token_hash: str = column(primary_key=True)
    person: str = column(Text, ForeignKey("person.key", ondelete="CASCADE"), index=True)
    address: str
    created_us: int = column(BigInteger)
    seen_us: int = column(BigInteger)


class Token(PeopleTable, table=True):
    """One program that may ask."""

    __tablename__ = "token"

    token_hash: str = column(primary_key=True)
    name: str = column(unique=True)
    role: str
    scopes: str = column(default="")  # words, by blanks; empty: all that the role may
    chamber: str | None
    created_us: int = column(BigInteger)


class Wish(PeopleTable, table=True):
    """What somebody once decided on and must not be lost with other files."""

    __tablename__ = "wish"

    name: str = column(primary_key=True)


class Audit(PeopleTable, table=True):
    """Something that somebody did, or tried to."""

    __tablename__ = "audit"
    __table_args__ = ({"sqlite_autoincrement": True},)

    id: int | None = column(NUMBERED, primary_key=True)
    at_us: int = column(BigInteger)
    what: str
    subject: str
    by: str
    address: str
