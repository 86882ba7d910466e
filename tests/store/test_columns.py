"""Rows as columns through binary COPY."""

from __future__ import annotations

from datetime import UTC, date, datetime
from uuid import UUID

import numpy as np
import psycopg
import pytest

from service.store.columns import (
    ALWAYS,
    NEVER,
    NULL_FIELD,
    Column,
    jsonb_field,
    read_columns,
    to_days,
    to_micros,
    to_time,
    write_columns,
)

pytestmark = pytest.mark.db
MOMENT = datetime(2026, 3, 1, 9, 30, 0, 5, tzinfo=UTC)
IDENTITY = UUID("01a21038-7987-74d3-8f19-7aa5e4392148")
TABLE = """CREATE TEMPORARY TABLE kept (a double precision, b integer, c text, d uuid, e boolean, f smallint,
    g timestamptz, h date, i bytea, j jsonb, k jsonb)"""


def columns() -> list[Column]:
    missing = np.array([False, True, False])
    return [
        Column("a", "f8", np.array([1.5, np.nan, np.inf])),
        Column("b", "i4", np.array([1, 2, -3]), missing),
        Column("c", "text", np.array([0, 1, 1]), missing, ("serviceable", "µm")),
        Column("d", "V16", np.frombuffer(IDENTITY.bytes * 3, "V16")),
        Column("e", "b1", np.array([True, False, True])),
        Column("f", "i2", np.array([1, 2, 3])),
        Column("g", "i8", np.full(3, to_micros(MOMENT))),
        Column("h", "i4", np.full(3, to_days(date(2026, 3, 1)))),
        Column("i", "V3", np.frombuffer(b"abc" * 3, "V3")),
    ]


def test_what_is_written_is_read(conn: psycopg.Connection) -> None:
    """Every kind of column arrives as it was, with NULL where the mask or a figure that is not finite says so."""
    conn.execute(TABLE)
    tails = [jsonb_field(b'{"n":1}') + NULL_FIELD, NULL_FIELD + jsonb_field(b"[]"), NULL_FIELD * 2]
    write_columns(conn, "kept", columns(), (("j", "k"), tails))
    rows = conn.execute("SELECT * FROM kept ORDER BY f").fetchall()
    same = (MOMENT, date(2026, 3, 1), b"abc")
    assert rows == [
        (1.5, 1, "serviceable", IDENTITY, True, 1, *same, {"n": 1}, None),
        (None, None, None, IDENTITY, False, 2, *same, None, []),
        (None, -3, "µm", IDENTITY, True, 3, *same, None, None),
    ]


def test_columns_are_read_with_parameters(conn: psycopg.Connection) -> None:
    """A SELECT with parameters becomes arrays of the machine's byte order; no rows become empty ones."""
    conn.execute(TABLE)
    write_columns(conn, "kept", columns())
    types = {"a": "f8", "b": "i4", "d": "V16", "e": "b1", "g": "i8"}
    statement = "SELECT coalesce(a, 'NaN'), coalesce(b, -1), d, e, g FROM kept WHERE f = ANY (%(f)s) ORDER BY f"
    found = read_columns(conn, statement, {"f": [1, 2]}, types)
    assert found["a"].tolist() == pytest.approx([1.5, np.nan], nan_ok=True)
    assert (found["b"].tolist(), found["e"].tolist()) == ([1, -1], [True, False])
    assert found["d"].tobytes() == IDENTITY.bytes * 2
    assert found["g"].tolist() == [to_micros(MOMENT)] * 2
    assert found["a"].dtype.isnative
    nothing = read_columns(conn, statement, {"f": [9]}, types)
    assert {name: len(column) for name, column in nothing.items()} == dict.fromkeys(types, 0)


@pytest.mark.parametrize("value", ["NULL::integer", "1::bigint"])
def test_null_or_another_width_is_refused(conn: psycopg.Connection, value: str) -> None:
    """A column that is NULL, or not of the width said, is an error and never a wrong figure."""
    statement = f"SELECT {value}, 2::integer"
    with pytest.raises(ValueError, match="width"):
        read_columns(conn, statement, {}, {"a": "i4", "b": "i4"})  # type: ignore[arg-type]


def test_times() -> None:
    """Microseconds since 2000, exactly; both infinities stand for no time."""
    assert to_time(to_micros(MOMENT)) == MOMENT
    assert (to_micros(None), to_micros(None, NEVER)) == (ALWAYS, NEVER)
    assert (to_time(ALWAYS), to_time(NEVER), to_days(None)) == (None, None, 0)
