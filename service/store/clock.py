"""One clock for reference data and what is judged by it: the database's, read under a lock.

An inspection is judged by the reference data recorded up to its ``inputs_as_of``. A slow writer must not slip
in under a time that was already used: it stamps its rows while nobody may accept, and is seen by everyone
after.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from psycopg import Connection

from service.store.statements import sql


def writing_reference(conn: Connection[Any]) -> datetime:
    """Return the time to record reference data under; nothing is accepted until the transaction ends.

    Parameters
    ----------
    conn : Connection
        Of the caller's transaction, which holds the lock until its end.
    """
    return _stamp(conn, "clock/write_reference")


def accepting(conn: Connection[Any]) -> datetime:
    """Return the ``inputs_as_of`` of inspections accepted now; no reference data is recorded until the
    transaction ends.

    Parameters
    ----------
    conn : Connection
        Of the caller's transaction, which holds the lock until its end.
    """
    return _stamp(conn, "clock/accept")


def _stamp(conn: Connection[Any], statement: str) -> datetime:
    row = conn.execute(sql(statement)).fetchone()
    assert row is not None  # noqa: S101 - a SELECT of a function has a row
    stamp: datetime = row[0]
    return stamp
