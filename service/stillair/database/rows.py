"""Tables as classes: what a column is called and holds is known to the type checker.

    class Person(PeopleTable, table=True):
        __tablename__ = "person"

        key: str = column(primary_key=True)
        born_us: int | None = column(BigInteger)

Rows are asked for by expressions alone, so there is nothing here that makes objects of them: a
library that could, with what it keeps of each table, took 10 MB, and 0.15 s of every start.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar, cast

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

T = TypeVar("T")

# What a column holds that is told no type of SQL.
_KINDS = {"bool": Boolean, "bytes": LargeBinary, "float": Float, "int": Integer, "str": Text}
_OR_NONE = " | None"


@dataclass(frozen=True, slots=True)
class _Told:
    words: tuple[Any, ...]
    flags: dict[str, Any]


def column(*words: Any, **flags: Any) -> Any:
    """What SQLAlchemy's `Column` is to be told beside the name and whether it may be NULL."""
    return _Told(words, flags)


def col(attribute: T) -> Column[T]:
    """The column that an attribute of a table's class is."""
    return cast("Column[T]", attribute)


class Rows:
    """Base of classes that are tables, those of one store by a base with its own `metadata`.

    A class stands for its table in every expression. Columns come first from its bases, in the
    order in which they are written.
    """

    metadata: ClassVar[MetaData]
    __tablename__: ClassVar[str]
    __table_args__: ClassVar[tuple[Any, ...]] = ()  # indexes, and perhaps a dict of options last
    __table__: ClassVar[Table]

    def __init_subclass__(cls, *, table: bool = False) -> None:
        if not table:
            return
        told = {
            name: (annotation, vars(base).get(name, _Told((), {})))
            for base in reversed(cls.__mro__)
            if base is not Rows
            for name, annotation in vars(base).get("__annotations__", {}).items()
        }
        parts, options = list(cls.__table_args__), {}
        if parts and isinstance(parts[-1], dict):
            options = parts.pop()
        columns = [_made(name, *each) for name, each in told.items()]
        cls.__table__ = Table(cls.__tablename__, cls.metadata, *columns, *parts, **options)
        for each in cls.__table__.columns:
            setattr(cls, each.key, each)

    @classmethod
    def __clause_element__(cls) -> Table:
        return cls.__table__


def _made(name: str, annotation: str, told: _Told) -> Column[Any]:
    """One column; NULL where its annotation says None, but never in a key."""
    holds = annotation.removesuffix(_OR_NONE)
    words = told.words or (_KINDS[holds],)
    may_be_null = holds != annotation and not told.flags.get("primary_key", False)
    return Column(name, *words, nullable=may_be_null, **told.flags)
