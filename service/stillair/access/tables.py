"""Tables of people, their sessions, tokens of programs, and what was done with them.

Of a password only an Argon2id hash is kept, of a token only a SHA-256 hash:
whoever reads the file can't sign in with what stands there. Instants are
microseconds since the epoch, UTC.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKey, Integer, Text
from sqlalchemy.orm import registry
from sqlmodel import Column, Field, SQLModel

NUMBERED = BigInteger().with_variant(Integer, "sqlite")


class PeopleTable(SQLModel, registry=registry()):
    """Base of the tables of people."""


class Person(PeopleTable, table=True):
    """Somebody who can sign in."""

    __tablename__ = "person"

    key: str = Field(primary_key=True, sa_type=Text)  # the name without regard to capitals
    name: str = Field(sa_type=Text)
    role: str = Field(sa_type=Text)
    password_hash: str = Field(sa_type=Text)
    created_us: int = Field(sa_type=BigInteger)


class Session(PeopleTable, table=True):
    """One browser in which somebody has signed in."""

    __tablename__ = "session"

    token_hash: str = Field(primary_key=True, sa_type=Text)
    person: str = Field(
        sa_column=Column(
            Text, ForeignKey("person.key", ondelete="CASCADE"), nullable=False, index=True
        )
    )
    address: str = Field(sa_type=Text)
    created_us: int = Field(sa_type=BigInteger)
    seen_us: int = Field(sa_type=BigInteger)


class Token(PeopleTable, table=True):
    """One program that may ask."""

    __tablename__ = "token"

    token_hash: str = Field(primary_key=True, sa_type=Text)
    name: str = Field(sa_type=Text, unique=True)
    role: str = Field(sa_type=Text)
    scopes: str = Field(default="", sa_type=Text)  # words, by blanks; empty: all that the role may
    chamber: str | None = Field(default=None, sa_type=Text)
    created_us: int = Field(sa_type=BigInteger)


class Wish(PeopleTable, table=True):
    """What somebody once decided on and must not be lost with other files."""

    __tablename__ = "wish"

    name: str = Field(primary_key=True, sa_type=Text)


class Audit(PeopleTable, table=True):
    """Something that somebody did, or tried to."""

    __tablename__ = "audit"
    __table_args__ = ({"sqlite_autoincrement": True},)

    id: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    at_us: int = Field(sa_type=BigInteger)
    what: str = Field(sa_type=Text)
    subject: str = Field(sa_type=Text)
    by: str = Field(sa_type=Text)
    address: str = Field(sa_type=Text)
