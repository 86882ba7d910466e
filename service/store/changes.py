"""The feed of status changes: written by workers only, last in their transaction and one at a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import orjson
from psycopg import Connection

from service.store.statements import sql


def add_changes(conn: Connection[Any], changes: Sequence[tuple[int, int, dict[str, Any]]]) -> None:
    """Add the changes of some tools.

    Parameters
    ----------
    conn : Connection
        The transaction that saved the statuses; nothing else may follow in it.
    changes : sequence of (int, int, dict)
        Tool id, the tool's sequence, and the status as it is now, lengths in mm.
    """
    if not changes:
        return
    rows = [
        {"tool_id": tool_id, "sequence": sequence, "document": document, "n": n}
        for n, (tool_id, sequence, document) in enumerate(changes)
    ]
    conn.execute(sql("changes/lock"))
    conn.execute(sql("changes/add"), {"rows": orjson.dumps(rows).decode()})
