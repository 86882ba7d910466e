"""One connection pool per process, opened on first use.

A pool does not survive a fork (its threads stay behind, its sockets are shared), so it remembers the process
it belongs to, and a child opens its own.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import psycopg
from psycopg import Connection as Connection  # who calls the store needs its type, and nothing else of the driver
from psycopg.pq import TransactionStatus
from psycopg_pool import ConnectionPool, PoolTimeout

from service.config import Config
from service.store.errors import StoreAway, StoreEntangled, StoreReadOnly

Lent = Connection[tuple[Any, ...]]

#: So long a pool tries by itself to connect again, in pauses that double; then whoever asks makes it begin anew. With
#: more, a database that was away for long would be found only after as long again.
RECONNECT_S = 3.0

_lock = threading.Lock()


@dataclass(slots=True)
class _Opened:
    config: Config | None = None
    size: int = 5
    pid: int = 0
    pool: ConnectionPool[Lent] | None = None


_opened = _Opened()


def configure(config: Config, size: int) -> None:
    """Say where the database is; opens nothing.

    Parameters
    ----------
    config : Config
    size : int
        Connections this process may hold: its threads and one more.
    """
    with _lock:
        if _opened.config != config:
            _close()
        _opened.config, _opened.size = config, size


def close() -> None:
    """Close this process's pool, if it has one."""
    with _lock:
        _close()


def _close() -> None:
    if _opened.pool is not None and _opened.pid == os.getpid():
        _opened.pool.close()
    _opened.pool = None


def _pool() -> ConnectionPool[Lent]:
    with _lock:
        if _opened.pool is None or _opened.pid != os.getpid():
            if _opened.config is None:
                raise RuntimeError("the pool is not configured")
            _opened.pool = _open(_opened.config, _opened.size)
            _opened.pid = os.getpid()
        return _opened.pool


def options(config: Config) -> str:
    """Return the session settings every connection starts with, as libpq options."""
    return (
        "-c timezone=UTC"
        f" -c statement_timeout={config.statement_timeout_s * 1000:.0f}"
        f" -c lock_timeout={config.lock_timeout_s * 1000:.0f}"
        " -c idle_in_transaction_session_timeout=120000 -c jit=off"
    )


def _threshold(config: Config) -> int | None:
    """After how many times a statement is prepared; None is never, even where it says so itself."""
    return 5 if config.prepared_statements else None


def _open(config: Config, size: int) -> ConnectionPool[Lent]:
    return ConnectionPool(
        config.database_url,
        kwargs={
            "options": options(config),
            "application_name": "stripdown",
            "prepare_threshold": _threshold(config),
        },
        min_size=1,
        max_size=size,
        timeout=config.pool_timeout_s,
        max_lifetime=1800,
        reconnect_timeout=RECONNECT_S,
        check=ConnectionPool.check_connection,
        open=True,
    )


@contextmanager
def transaction() -> Iterator[Lent]:
    """Lend a connection for one transaction: committed at the end, rolled back by an exception.

    Raises
    ------
    StoreAway
        If the database does not answer, or went away meanwhile.
    StoreEntangled
        If it and another transaction waited for each other.
    StoreReadOnly
        If something was to be written to a database that takes no writes.
    """
    try:
        with _pool().connection() as conn:
            yield conn
    except psycopg.errors.ReadOnlySqlTransaction as refusal:
        raise StoreReadOnly(str(refusal)) from refusal
    except psycopg.errors.DeadlockDetected as entangled:
        raise StoreEntangled(str(entangled)) from entangled
    except (PoolTimeout, psycopg.OperationalError, psycopg.InterfaceError) as away:
        raise StoreAway(str(away)) from away


@contextmanager
def alone(config: Config) -> Iterator[Lent]:
    """Lend a connection without a pool, for a program that does one thing and ends; otherwise as `transaction`.

    Raises
    ------
    StoreAway
        If the database does not answer; with the reason.
    """
    try:
        with psycopg.connect(
            config.database_url,
            options=options(config),
            connect_timeout=10,
            prepare_threshold=_threshold(config),
        ) as conn:
            yield conn
    except (psycopg.OperationalError, psycopg.InterfaceError) as away:
        raise StoreAway(str(away).strip()) from away


@contextmanager
def snapshot() -> Iterator[Connection]:
    """Lend a connection for one transaction that sees one state of the database throughout.

    Raises
    ------
    StoreAway
        As `transaction`.
    """
    with transaction() as conn:
        conn.set_isolation_level(psycopg.IsolationLevel.REPEATABLE_READ)
        try:
            with conn.transaction():
                yield conn
        finally:
            conn.rollback()
            conn.set_isolation_level(None)


@contextmanager
def each_by_itself(conn: psycopg.Connection[Any]) -> Iterator[None]:
    """Make each statement on a connection its own transaction; one that has begun a transaction cannot."""
    conn.autocommit = True
    try:
        yield
    finally:
        conn.autocommit = False


def is_idle(conn: psycopg.Connection[Any]) -> bool:
    """Say whether a connection has begun no transaction."""
    return conn.info.transaction_status == TransactionStatus.IDLE
