"""Tables that are classes: which columns they have, and that they stand in expressions."""

from __future__ import annotations

import subprocess
import sys

import pytest
from sqlalchemy import BigInteger, Index, MetaData, create_engine, delete, insert, select, update
from sqlalchemy.schema import CreateTable

from stillair.database.rows import Rows, col, column


class BoatTable(Rows):
    """Base of the tables of a boat shed."""

    metadata = MetaData()


class _Built(BoatTable):
    """What more than one table has."""

    builder: str
    at_us: int = column(BigInteger)


class Boat(_Built, table=True):
    """One boat."""

    __tablename__ = "boat"
    __table_args__ = (Index("boat_builder", "builder"), {"sqlite_with_rowid": False})

    id: str = column(primary_key=True)
    seats: int = column(default=4)
    weight_kg: float | None
    cox: bool
    drawing: bytes | None


class Oar(_Built, table=True):
    """One oar."""

    __tablename__ = "oar"

    number: int | None = column(primary_key=True)


def test_columns_are_as_annotated_with_those_of_bases_first() -> None:
    made = str(CreateTable(Boat.__table__).compile(create_engine("sqlite://")))
    lines = [line.strip(" \t,") for line in made.strip().splitlines()]
    assert lines == [
        "CREATE TABLE boat (",
        "builder TEXT NOT NULL",
        "at_us BIGINT NOT NULL",
        "id TEXT NOT NULL",
        "seats INTEGER NOT NULL",
        "weight_kg FLOAT",
        "cox BOOLEAN NOT NULL",
        "drawing BLOB",
        "PRIMARY KEY (id)",
        ")",
        "WITHOUT ROWID",
    ]
    assert {index.name for index in Boat.__table__.indexes} == {"boat_builder"}


def test_each_table_has_columns_of_its_own_and_one_store_all_tables() -> None:
    assert col(Boat.builder).table is Boat.__table__
    assert col(Oar.builder).table is Oar.__table__
    assert set(BoatTable.metadata.tables) == {"boat", "oar"}
    assert not col(Oar.number).nullable  # a key never is, though a new row has none yet


def test_an_annotation_that_says_no_type_is_refused() -> None:
    with pytest.raises(KeyError, match="complex"):

        class Unknown(BoatTable, table=True):
            __tablename__ = "unknown"

            id: complex = column(primary_key=True)


def test_a_class_stands_for_its_table() -> None:
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        BoatTable.metadata.create_all(connection)
        for number, name in enumerate(("Heron", "Otter", "Swift")):
            new = insert(Boat).values(id=name, builder="Ann", at_us=number, cox=number > 1)
            connection.execute(new)
        connection.execute(insert(Oar).values(builder="Ann", at_us=7))
        connection.execute(update(Boat).where(col(Boat.id) == "Otter").values(seats=8))
        connection.execute(delete(Boat).where(col(Boat.cox)))
        rows = connection.execute(
            select(Boat, col(Oar.number))
            .join(Oar, col(Oar.builder) == col(Boat.builder))
            .order_by(col(Boat.at_us).desc())
        ).all()
    assert [(row.id, row.seats, row.weight_kg, row.number) for row in rows] == [
        ("Otter", 8, None, 1),
        ("Heron", 4, None, 1),
    ]


def test_the_service_loads_no_more_of_its_libraries_than_it_asks_for() -> None:
    """What makes objects of rows: 10 MB. pydantic's first version: 1.5 MB."""
    code = (
        "import sys; from stillair.runtime import memory; memory.begin();"
        "from stillair.api import serving;"
        "unasked = 'sqlalchemy.orm pydantic.v1 stillair.hall.messages stillair.simulation'.split();"
        "sys.exit(', '.join(name for name in unasked if sys.modules.get(name)) or None)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
