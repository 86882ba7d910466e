"""The pool: one a process, alive after faults of the network."""

from __future__ import annotations

import multiprocessing
import time
from contextlib import suppress
from multiprocessing.connection import Connection as Pipe

import pytest

from service.config import Config
from service.store import pool
from service.store.errors import StoreAway
from tests.plugins.proxy import Proxy


def _backend() -> int:
    with pool.transaction() as conn:
        return conn.info.backend_pid


def test_an_exception_rolls_back(store: Config) -> None:
    """What a transaction did before it failed is not there afterwards."""
    with pytest.raises(ZeroDivisionError), pool.transaction() as conn:
        conn.execute("INSERT INTO sites (code, name, time_zone) VALUES ('a', 'A', 'UTC')")
        raise ZeroDivisionError
    with pool.transaction() as conn:
        assert conn.execute("SELECT count(*) FROM sites").fetchone() == (0,)


def test_sessions_speak_utc_and_have_limits(store: Config) -> None:
    """Every connection is in UTC, and neither a statement nor a wait for a lock lasts for ever."""
    with pool.transaction() as conn:
        shown = [
            conn.execute(f"SHOW {name}").fetchone()
            for name in ("timezone", "statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout")
        ]
    assert shown == [("UTC",), ("1min",), ("10s",), ("2min",)]


def test_a_forked_child_opens_its_own_connections(store: Config) -> None:
    """After a fork no connection is shared: the child's backend is another one, and the parent's lives on."""
    mine = _backend()
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe()

    def child(pipe: Pipe) -> None:
        pipe.send(_backend())
        pool.close()

    process = context.Process(target=child, args=(there,))
    process.start()
    assert here.poll(10)
    theirs = here.recv()
    process.join(10)
    assert theirs != mine
    with pool.transaction() as conn:
        lives = conn.execute("SELECT count(*) FROM pg_stat_activity WHERE pid = %s", [mine]).fetchone()
    assert lives == (1,)


@pytest.mark.faults
def test_connections_that_broke_are_replaced(proxied_config: Config, database_proxy: Proxy) -> None:
    """After the network broke every connection, the next transaction works."""
    pool.configure(proxied_config, size=3)
    before = _backend()
    database_proxy.break_connections()
    assert _backend() != before


@pytest.mark.faults
def test_a_database_that_is_away_is_said_so_and_comes_back(proxied_config: Config, database_proxy: Proxy) -> None:
    """While PostgreSQL cannot be reached a transaction is `StoreAway` within seconds; once it is back, it works."""
    pool.configure(proxied_config, size=3)
    _backend()
    database_proxy.cut()
    began = time.monotonic()
    with pytest.raises(StoreAway):
        _backend()
    assert time.monotonic() - began < proxied_config.pool_timeout_s + 2
    database_proxy.restore()
    until = time.monotonic() + 20
    while True:
        try:
            assert _backend()
            return
        except StoreAway:
            assert time.monotonic() < until


@pytest.mark.faults
@pytest.mark.long
def test_away_for_long_it_is_back_at_once(proxied_config: Config, database_proxy: Proxy) -> None:
    """However long PostgreSQL was away, transactions work within seconds of its return."""
    pool.configure(proxied_config, size=3)
    database_proxy.cut()
    until = time.monotonic() + 20
    while time.monotonic() < until:
        with pytest.raises(StoreAway):
            _backend()
    database_proxy.restore()
    back = time.monotonic()
    while time.monotonic() < back + 5:
        with suppress(StoreAway):
            assert _backend()
            return
    pytest.fail("not back within 5 s")


@pytest.mark.faults
def test_a_connection_lost_in_the_middle_is_store_away(proxied_config: Config, database_proxy: Proxy) -> None:
    """A transaction whose connection breaks is `StoreAway`, and nothing of it is stored."""
    pool.configure(proxied_config, size=3)
    with pytest.raises(StoreAway), pool.transaction() as conn:
        conn.execute("INSERT INTO sites (code, name, time_zone) VALUES ('a', 'A', 'UTC')")
        database_proxy.break_connections()
        conn.execute("SELECT 1")
    with pool.transaction() as conn:
        assert conn.execute("SELECT count(*) FROM sites").fetchone() == (0,)
