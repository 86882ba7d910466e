"""The series of one feature or fit in a tool, and of a component, from the newest assessments; lengths are
mm.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import dict_row

from service.store.statements import sql

#: Where a page ended: time, stage, reference, ordinal.
Mark = tuple[datetime, str, str, int]

#: Where a page of a component ended: time, stage, reference, id of the tool, ordinal.
ComponentMark = tuple[datetime, str, str, int, int]


def _page(after: Mark | None, limit: int) -> dict[str, Any]:
    time, stage, reference, ordinal = after or (None, None, None, None)
    return {
        "after_time": time,
        "after_stage": stage,
        "after_reference": reference,
        "after_ordinal": ordinal,
        "limit": limit,
    }


def list_size_history(
    conn: Connection[Any], tool_id: int, feature: str, *, after: Mark | None, limit: int
) -> list[dict[str, Any]]:
    """Return the sizes of a feature of a tool in the order of time.

    Notes
    -----
    From the newest assessment of each inspection that is neither withdrawn nor failed. `component_usage` is
    weighted by ground, in 1000 of the life basis.
    """
    parameters = {"tool_id": tool_id, "code": feature} | _page(after, limit)
    with conn.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(sql("history/sizes"), parameters).fetchall()


def list_clearance_history(
    conn: Connection[Any],
    tool_id: int,
    fit: str,
    *,
    shaft: str,
    bore: str,
    after: Mark | None,
    limit: int,
) -> list[dict[str, Any]]:
    """Return the clearances of a fit of a tool in the order of time, with the usage of its two components."""
    parameters = {"tool_id": tool_id, "code": fit, "shaft": shaft, "bore": bore}
    with conn.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(sql("history/clearances"), parameters | _page(after, limit)).fetchall()


def list_component_sizes(
    conn: Connection[Any], component_id: int, feature: str | None, *, after: ComponentMark | None, limit: int
) -> list[dict[str, Any]]:
    """Return the sizes of a component, in whichever tool or on the bench, in the order of time."""
    parameters = {"component_id": component_id, "feature": feature, "after_tool": after and after[3]}
    mark = (*after[:3], after[4]) if after else None
    with conn.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(sql("history/component_sizes"), parameters | _page(mark, limit)).fetchall()
