"""The dictionary of features, fits and limits: four bytes in the large tables instead of a name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from psycopg import Connection

from service.store.statements import sql

# Rows of `codes` are never changed or deleted, so what was read once stays true (see `forget` for another
# database).
_ids: dict[str, int] = {}
_names: dict[int, str] = {}


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


def code_names(conn: Connection[Any], ids: Iterable[int]) -> dict[int, str]:
    """Return the name of every id."""
    wanted = set(ids)
    found = {code_id: _names[code_id] for code_id in wanted if code_id in _names}
    missing = list(wanted - found.keys())
    if missing:
        read = _read(conn, "codes/get_names", {"ids": missing})
        found |= {code_id: name for name, code_id in read.items()}
    return found


def _read(conn: Connection[Any], statement: str, wanted: dict[str, Any]) -> dict[str, int]:
    found: dict[str, int] = {}
    for name, code_id, settled in conn.execute(sql(statement), wanted).fetchall():
        found[name] = code_id
        if settled:
            _ids[name], _names[code_id] = code_id, name
    return found


def forget() -> None:
    """Drop what is remembered: another database stands behind the process."""
    _ids.clear()
    _names.clear()
