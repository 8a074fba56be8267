"""Questions that SQLite and PostgreSQL put in different words."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Float, SQLColumnExpression, literal_column
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement


def json_number(column: SQLColumnExpression[str], name: str) -> ColumnElement[float]:
    """The number that a column of JSON text has under a name, which is a word.

    NULL where it has none, or something else there.
    """
    assert name.isidentifier()
    return _JsonNumber(column, literal_column(f"'{name}'"))


class _JsonNumber(FunctionElement[float]):
    type = Float()
    inherit_cache = True


@compiles(_JsonNumber, "sqlite")
def _in_sqlite(element: _JsonNumber, compiler: Any, **how: Any) -> str:
    column, name = (compiler.process(each, **how) for each in element.clauses)
    path = f"'$.' || {name}"
    return (
        f"CASE WHEN json_valid({column}) AND json_type({column}, {path}) IN ('integer', 'real')"
        f" THEN json_extract({column}, {path}) END"
    )


@compiles(_JsonNumber, "postgresql")
def _in_postgresql(element: _JsonNumber, compiler: Any, **how: Any) -> str:
    column, name = (compiler.process(each, **how) for each in element.clauses)
    return (
        f"CASE WHEN jsonb_typeof(({column})::jsonb -> {name}) = 'number'"
        f" THEN (({column})::jsonb ->> {name})::float8 END"
    )
