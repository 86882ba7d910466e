"""The dictionary of features, fits and limits: four bytes in the large tables instead of a name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from psycopg import Connection

from service.store.statements import sql

# Rows of `codes` are never changed or deleted, so what was read once stays true (see `forget` for another
# database).
_ids: dict[str, int] = {}


def code_ids(conn: Connection[Any], names: Iterable[str]) -> dict[str, int]:
    """Return the id of every name; missing ones are added in the caller's transaction.

    Parameters
    ----------
    conn : Connection
        Of the caller's transaction.
    names : iterable of str
        Features as ``part.feature``, fits by their code, limits as ``feature:…``, ``fit:…``, ``performance``.

    Notes
    -----
    An id inserted here is remembered only once it is read back by a later transaction: this one may be rolled
    back.
    """
    wanted = set(names)
    found = {name: _ids[name] for name in wanted if name in _ids}
    missing = sorted(wanted - found.keys())  # sorted: two transactions adding the same ones do not deadlock
    if missing:
        found |= _read(conn, "codes/get_ids", {"codes": missing})
        new = [name for name in missing if name not in found]
        if new:
            conn.execute(sql("codes/add"), {"codes": new})
            found |= _read(conn, "codes/get_ids", {"codes": new})
    return found


def _read(conn: Connection[Any], statement: str, wanted: dict[str, Any]) -> dict[str, int]:
    found: dict[str, int] = {}
    for name, code_id, settled in conn.execute(sql(statement), wanted).fetchall():
        found[name] = code_id
        if settled:
            _ids[name] = code_id
    return found


def forget() -> None:
    """Drop what is remembered: another database stands behind the process."""
    _ids.clear()
