"""Rows of a whole file written at once: the same rows as one by one, under every constraint."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import numpy as np
import psycopg
import pytest

from service.store.columns import Column, copy_blocks, encode_body, jsonb_field
from service.store.new_inspections import fresh_ids
from tests.plugins.exports import Exports, as_csv, rows

pytestmark = pytest.mark.db


@pytest.fixture
def table(conn: psycopg.Connection) -> Iterator[psycopg.Connection]:
    conn.execute(
        "CREATE TABLE kinds (n integer, x double precision, small smallint, id uuid, at timestamptz, flag boolean,"
        " word text, document jsonb)"
    )
    yield conn


def written(conn: psycopg.Connection, columns: list[Column], tail: list[bytes] | None = None) -> list[Any]:
    names = [column.name for column in columns] + (["document"] if tail else [])
    cut = len(columns[0].values) // 2
    halves = [
        [_part(column, slice(None, cut)) for column in columns],
        [_part(column, slice(cut, None)) for column in columns],
    ]
    tails = [None, None] if tail is None else [tail[:cut], tail[cut:]]
    blocks = [encode_body(part, len(names), rest) for part, rest in zip(halves, tails, strict=True)]
    copy_blocks(conn, "kinds", names, blocks)
    return conn.execute(f"SELECT {', '.join(names)} FROM kinds ORDER BY n").fetchall()  # type: ignore[arg-type]


def _part(column: Column, rows: slice) -> Column:
    null = None if column.null is None else column.null[rows]
    return Column(column.name, column.kind, column.values[rows], null, column.words)


def test_every_kind(table: psycopg.Connection) -> None:
    """Numbers, times, uuids, flags, words and documents come back as they were written, nulls among them."""
    n = np.arange(6)
    null = n % 3 == 1
    ids = fresh_ids(6)
    found = written(
        table,
        [
            Column("n", "i4", n),
            Column("x", "f8", np.array([0.1, np.nan, -1e300, np.inf, 5e-324, -0.0])),
            Column("small", "i2", n.astype(float) - 3, null),
            Column("id", "V16", ids, null),
            Column("at", "i8", n * 1_000_000),
            Column("flag", "b1", n > 2),
            Column("word", "text", np.array([0, 1, 2, -1, 0, 2]), null, ("", "é", "three")),
        ],
        [jsonb_field(b'{"n": %d}' % value) for value in range(6)],
    )
    assert [row[1] for row in found] == [0.1, None, -1e300, None, 5e-324, 0.0]
    assert [row[2] for row in found] == [-3, None, -1, 0, None, 2]
    assert [row[3] for row in found] == [None if null[i] else UUID(bytes=ids[i].tobytes()) for i in range(6)]
    assert found[5][4] == datetime(2000, 1, 1, 0, 0, 5, tzinfo=UTC)
    assert [row[5] for row in found] == [False, False, False, True, True, True]
    assert [row[6] for row in found] == ["", None, "three", None, None, "three"]
    assert [row[7] for row in found] == [{"n": value} for value in range(6)]


def test_columns_without_a_value(table: psycopg.Connection) -> None:
    """A column that is null throughout, or has no word, is null."""
    n = np.arange(4)
    nothing = np.ones(4, np.bool_)
    found = written(
        table,
        [
            Column("n", "i4", n),
            Column("x", "f8", n, nothing),
            Column("word", "text", np.full(4, -1), None, ()),
            Column("small", "i2", n, np.zeros(4, np.bool_)),
        ],
    )
    assert found == [(value, None, None, value) for value in range(4)]


def test_ids_are_in_order() -> None:
    """Fresh ids are UUIDs of version 7, ascending and all different, however many are made in a millisecond."""
    ids = [UUID(bytes=item.tobytes()) for item in fresh_ids(20_000)]
    assert ids == sorted(ids)
    assert len(set(ids)) == 20_000
    assert {(one.version, one.variant) for one in ids} == {(7, "specified in RFC 4122")}


@pytest.mark.broker
def test_the_rows_of_one_by_one(exports: Exports) -> None:
    """A file leaves the very rows that the same inspection leaves as a document."""
    exports.fleet.put_tool("H-1", commissioned_on="2026-01-01")
    exports.fleet.put_tool("H-2", commissioned_on="2026-01-01")
    readings = [
        {"feature": "piston.large-diameter", "station": 1, "orientation": 0, "value": 3.853, "gauge": "MIC-1"},
        {"feature": "casing.piston-bore", "kind": "deviation", "value": 0.001, "master": "RING-98", "setup": "am"},
        {"feature": "split-ring-half.thickness", "position": 2, "value": 0.39, "temperature_c": 20.5},
    ]
    body = {
        "reference": "WO-1", "tool": "H-1", "taken_at": "2026-03-01T09:30:00Z", "unit": "in", "inspector": "AB",
        "usage": {"metres": 10.5, "ground": "hard"}, "readings": readings,
        "setups": [{"setup": "am", "master": "RING-98", "readings_at_zero": 2}],
    }  # fmt: skip
    exports.fleet.call("POST", "/inspections", body)
    head = {"reference": "WO-1", "tool": "H-2", "taken_at": "2026-03-01T09:30:00Z", "unit": "in", "inspector": "AB"}
    table = [head | reading for reading in readings]
    table[0] |= {"metres": 10.5, "ground": "hard"}
    table[1] |= {"readings_at_zero": 2}
    exports.read(as_csv(table, dict.fromkeys(name for row in table for name in row)))
    assert stored(exports, "H-1") == stored(exports, "H-2")


def stored(exports: Exports, tool: str) -> list[list[dict[str, Any]]]:
    """Every row that a tool's inspection left, without what tells it from another's."""
    own = {
        "inspection_id",
        "tool_id",
        "digest",
        "export_id",
        "usage_id",
        "inputs_as_of",
        "recorded_at",
        "created_at",
        "updated_at",
    }
    found = []
    for name in ("inspections", "inspection_versions", "inspection_sources", "readings", "usage"):
        key = "inspection_id" if name != "readings" else "inspection_id, ordinal"
        statement = (
            f"SELECT to_jsonb(r) FROM {name} r WHERE inspection_id IN"
            f" (SELECT inspection_id FROM inspections JOIN tools USING (tool_id) WHERE serial = %s) ORDER BY {key}"
        )
        every = [row[0] for row in exports.fleet.conn.execute(statement, [tool]).fetchall()]  # type: ignore[arg-type]
        found.append([{key: value for key, value in row.items() if key not in own} for row in every])
        assert every
    return found


@pytest.mark.broker
def test_years_without_tables(exports: Exports) -> None:
    """Readings of years long gone get their tables."""
    old = rows(2, reference="A", taken_at="1999-06-01T00:00:00Z") + rows(
        2, reference="B", taken_at="1961-06-01T00:00:00Z"
    )
    assert exports.read(as_csv(old))["rows"]["accepted"] == 4
    found = exports.fleet.conn.execute("SELECT tableoid::regclass::text, count(*) FROM readings GROUP BY 1 ORDER BY 1")
    assert found.fetchall() == [("readings_1961", 2), ("readings_1999", 2)]


@pytest.mark.broker
def test_a_year_that_is_archived(exports: Exports) -> None:
    """Rows of a year that is archived are faults that say so, and the rest goes on."""
    exports.fleet.conn.execute("INSERT INTO archived_years (year, folder) VALUES (1999, 'x')")
    exports.fleet.conn.commit()
    export = exports.read(as_csv([*rows(1, reference="A", taken_at="1999-06-01T00:00:00Z"), *rows(1)]))
    assert exports.faults(export) == [(2, "taken_at", "archived")]
    assert export["rows"]["accepted"] == 1
