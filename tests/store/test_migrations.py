"""The schema's versions: there and back, one at a time."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import psycopg
import pytest

from migrations.run import CannotMigrate, downgrade, upgrade

SCHEMA = """
    SELECT table_name, column_name, data_type, is_nullable, column_default
    FROM information_schema.columns WHERE table_schema = 'public'
    UNION ALL
    SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid), '', ''
    FROM pg_constraint WHERE connamespace = 'public'::regnamespace
    UNION ALL
    SELECT tablename, indexname, indexdef, '', '' FROM pg_indexes WHERE schemaname = 'public'
    ORDER BY 1, 2, 3
"""


def _schema(url: str) -> list[tuple[object, ...]]:
    with psycopg.connect(url) as conn:
        return conn.execute(SCHEMA).fetchall()


def test_up_down_and_up_again(empty_database_url: str) -> None:
    """Going back leaves nothing behind, and coming again makes the same schema."""
    upgrade(empty_database_url)
    first = _schema(empty_database_url)
    downgrade(empty_database_url)
    assert {row[0] for row in _schema(empty_database_url)} <= {"alembic_version"}
    upgrade(empty_database_url)
    assert _schema(empty_database_url) == first
    assert len(first) > 100


def test_twice_changes_nothing(database_url: str) -> None:
    """Migrating a database that is up to date is harmless."""
    before = _schema(database_url)
    upgrade(database_url)
    assert _schema(database_url) == before


def test_two_at_once_take_turns(empty_database_url: str) -> None:
    """Two machines that start together and both migrate end with one schema and no error."""
    with ProcessPoolExecutor(2, get_context("spawn")) as both:
        list(both.map(upgrade, [empty_database_url] * 2))
    with psycopg.connect(empty_database_url) as conn:
        assert conn.execute("SELECT count(*) FROM alembic_version").fetchone() == (1,)


def test_a_server_that_is_not_there_is_said_so() -> None:
    """A database that cannot be reached ends with one error of our own."""
    with pytest.raises(CannotMigrate):
        upgrade("postgresql://nobody@127.0.0.1:9/nothing?connect_timeout=2")
