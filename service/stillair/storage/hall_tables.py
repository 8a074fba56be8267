"""Tables that a hall's database has beside those of the journal and the archive.

There all chambers of all boards lie in one database, and what a board keeps in a tail file
is a table as well. A chamber is called by its board's mark and its key.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, LargeBinary, Text
from sqlalchemy.orm import registry
from sqlmodel import Field, SQLModel

# Held by who takes into the database; any number of our own, the same in every version.
LOCK = 0x5711_1A18


class HallTable(SQLModel, registry=registry()):
    """Base of these tables."""


class HallMark(HallTable, table=True):
    """By which this store is known to boards: one that is begun anew has another."""

    __tablename__ = "hall_mark"

    id: int = Field(primary_key=True)  # always 1
    mark: str = Field(sa_type=Text)


class TakenRow(HallTable, table=True):
    """How far one chamber has been taken."""

    __tablename__ = "taken"

    chamber: str = Field(primary_key=True, sa_type=Text)
    board: str = Field(sa_type=Text)
    key: str = Field(sa_type=Text)
    seq: int = Field(sa_type=BigInteger)  # of the board's ledger
    parcel: str = Field(sa_type=Text)
    lane: int = Field(sa_type=BigInteger)
    sensors: str = Field(sa_type=Text)  # JSON: of each sensor the last instant in that lane


class TailRow(HallTable, table=True):
    """Readings of one message, until there are enough to be packed."""

    __tablename__ = "tail"

    chamber: str = Field(primary_key=True, sa_type=Text)
    id: int = Field(primary_key=True, sa_type=BigInteger)  # the database counts
    first_ms: int = Field(sa_type=BigInteger)
    last_ms: int = Field(sa_type=BigInteger)
    count: int  # of the sensor that has most
    payload: bytes = Field(sa_type=LargeBinary)


class PinNumber(HallTable, table=True):
    """The number that a pin has here: a later word may take it back by the board's number."""

    __tablename__ = "pin_number"

    chamber: str = Field(primary_key=True, sa_type=Text)
    there: int = Field(primary_key=True, sa_type=BigInteger)
    here: int = Field(sa_type=BigInteger)
