"""The dictionary of features, fits and limits, and what a process remembers of it."""

from __future__ import annotations

import psycopg
import pytest

from service.config import Config
from service.store import codes
from service.store.codes import code_ids

pytestmark = pytest.mark.db


def test_names_get_ids_that_stay(conn: psycopg.Connection) -> None:
    """A name gets an id the first time and the same one ever after."""
    first = code_ids(conn, ["piston.nose", "performance"])
    again = code_ids(conn, ["performance", "fit:a", "piston.nose"])
    assert again.items() >= first.items()
    assert len(set(again.values())) == 3
    assert code_ids(conn, []) == {}


def test_what_is_rolled_back_is_not_remembered(conn: psycopg.Connection) -> None:
    """An id of a transaction that came to nothing is never given out again."""
    lost = code_ids(conn, ["a"])["a"]
    assert code_ids(conn, ["a"])["a"] == lost
    conn.rollback()
    kept = code_ids(conn, ["a"])["a"]
    conn.commit()
    assert kept != lost and code_ids(conn, ["a"]) == {"a": kept}


def test_what_is_settled_costs_no_query(config: Config) -> None:
    """A name read once from a settled row is not asked for again."""
    with psycopg.connect(config.database_url) as first:
        code_ids(first, ["a", "b"])
    with psycopg.connect(config.database_url) as second:
        known = code_ids(second, ["a", "b"])
    assert second.closed
    assert code_ids(second, ["a", "b"]) == known
    codes.forget()


def test_two_writers_of_one_name_agree(config: Config, conn: psycopg.Connection) -> None:
    """A name added by another transaction meanwhile has that one's id."""
    with psycopg.connect(config.database_url) as other:
        theirs = code_ids(other, ["x", "y"])
    assert code_ids(conn, ["y", "x", "z"]).items() >= theirs.items()
