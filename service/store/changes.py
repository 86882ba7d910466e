"""The feed of status changes: written by workers only, last in their transaction and one at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson
from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Change:
    """One visible change: the status as it then became, lengths in mm, `updated_at` not filled in."""

    seq: int
    changed_at: datetime
    document: dict[str, Any]


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


def list_changes(
    conn: Connection[Any],
    *,
    after: int,
    limit: int,
    site: str | None = None,
    tool: str | None = None,
    tool_type: str | None = None,
    of_site: str | None = None,
) -> list[Change]:
    """Return up to `limit` changes after a place in the feed, in the order of their commits.

    Parameters
    ----------
    conn : Connection
    after : int
        `seq` of the last one seen; 0 from the beginning.
    limit : int
    site, tool, tool_type : str, optional
        As the change itself says them: a tool that has moved since was then where it was.
    of_site : str, optional
        The only site that whoever asks may see.
    """
    wanted = {"after": after, "limit": limit, "site": site, "tool": tool, "tool_type": tool_type, "of_site": of_site}
    with conn.cursor(row_factory=class_row(Change)) as cursor:
        return cursor.execute(sql("changes/list"), wanted).fetchall()
