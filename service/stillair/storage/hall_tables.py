"""Tables that a hall's database has beside those of the journal and the archive.

There all chambers of all boards lie in one database, and what a board keeps in a tail file
is a table as well. A chamber is called by its board's mark and its key.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, MetaData

from stillair.database.rows import Rows, column

# Held by who takes into the database; any number of our own, the same in every version.
LOCK = 0x5711_1A18


class HallTable(Rows):
    """Base of these tables."""

    metadata = MetaData()


class HallMark(HallTable, table=True):
    """By which this store is known to boards: one that is begun anew has another."""

    __tablename__ = "hall_mark"

    id: int = column(primary_key=True)  # always 1
    mark: str


class TakenRow(HallTable, table=True):
    """How far one chamber has been taken."""

    __tablename__ = "taken"

    chamber: str = column(primary_key=True)
    board: str
    key: str
    seq: int = column(BigInteger)  # of the board's ledger
    parcel: str
    lane: int = column(BigInteger)
    sensors: str  # JSON: of each sensor the last instant in that lane


class TailRow(HallTable, table=True):
    """Readings of one message, until there are enough to be packed."""

    __tablename__ = "tail"

    chamber: str = column(primary_key=True)
    id: int = column(BigInteger, primary_key=True)  # the database counts
    first_ms: int = column(BigInteger)
    last_ms: int = column(BigInteger)
    count: int  # of the sensor that has most
    payload: bytes


class PinNumber(HallTable, table=True):
    """The number that a pin has here: a later word may take it back by the board's number."""

    __tablename__ = "pin_number"

    chamber: str = column(primary_key=True)
    there: int = column(BigInteger, primary_key=True)
    here: int = column(BigInteger)
