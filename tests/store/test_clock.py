"""Reference data and what is judged by it share one clock."""

from __future__ import annotations

import threading
from datetime import datetime

import psycopg
import pytest

from service.config import Config
from service.store.clock import accepting, writing_reference

pytestmark = pytest.mark.db


def _in_thread(config: Config, stamp: object, stamps: list[datetime]) -> threading.Thread:
    def run() -> None:
        with psycopg.connect(config.database_url) as own:
            stamps.append(stamp(own))  # type: ignore[operator]

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def test_a_slow_writer_does_not_slip_under_a_time_used(config: Config, conn: psycopg.Connection) -> None:
    """Who accepts waits for reference data being recorded, and is stamped later: it sees what it is judged by."""
    stamps: list[datetime] = []
    recorded = writing_reference(conn)
    thread = _in_thread(config, accepting, stamps)
    thread.join(0.3)
    assert thread.is_alive()
    conn.commit()
    thread.join(10)
    assert stamps[0] > recorded


def test_a_writer_waits_for_who_accepts(config: Config, conn: psycopg.Connection) -> None:
    """Reference data is recorded after what is being accepted, never under its time."""
    stamps: list[datetime] = []
    accepted = accepting(conn)
    thread = _in_thread(config, writing_reference, stamps)
    thread.join(0.3)
    assert thread.is_alive()
    conn.commit()
    thread.join(10)
    assert stamps[0] > accepted


def test_accepting_does_not_wait_for_accepting(config: Config, conn: psycopg.Connection) -> None:
    """Many accept at once."""
    stamps: list[datetime] = []
    accepting(conn)
    _in_thread(config, accepting, stamps).join(10)
    assert len(stamps) == 1
