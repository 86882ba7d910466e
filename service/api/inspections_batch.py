"""Several inspections in one request, each stored or refused by itself."""

from __future__ import annotations

from typing import Any

import orjson

from service import faults
from service.api.inspection_intake import accept
from service.faults import Fault, fault
from service.problems import RENDERERS, Refused, render
from service.store import inspections as store
from service.store.errors import StoreAway
from service.store.pool import Connection
from service.store.work import marked_together

MAX_INSPECTIONS = 500


def accept_each(conn: Connection, body: Any, on_existing: str) -> list[dict[str, Any]]:
    """Store what can be stored, in the order of the request and in one transaction; say of each what became of it.

    Raises
    ------
    Refused
        Where the body is not a list of inspections at all.
    """
    found = _envelope_faults(body)
    if found:
        raise Refused(found)
    documents = body["inspections"]
    # All tools first, in one order: two batches that share tools then wait for each other, and no more.
    named = [document.get("tool") for document in documents if isinstance(document, dict)]
    store.open_tools(conn, [name for name in named if isinstance(name, str)])
    with marked_together(conn):
        return [_accept_one(conn, index, document, on_existing) for index, document in enumerate(documents)]


def _envelope_faults(body: Any) -> list[Fault]:
    if not isinstance(body, dict):
        return [fault("", "not-an-object")]
    found = [fault(faults.pointer(name), "unknown-field") for name in body if name != "inspections"]
    documents = body.get("inspections")
    if documents is None:
        found.append(fault("/inspections", "required"))
    elif not isinstance(documents, list):
        found.append(fault("/inspections", "not-a-list"))
    elif not documents:
        found.append(fault("/inspections", "too-few", "must have at least 1"))
    elif len(documents) > MAX_INSPECTIONS:
        found.append(fault("/inspections", "too-many", f"must have at most {MAX_INSPECTIONS}"))
    return found


def _accept_one(conn: Connection, index: int, document: Any, on_existing: str) -> dict[str, Any]:
    try:
        with conn.transaction():
            accepted = accept(conn, document, on_existing)
    except StoreAway:
        raise
    except tuple(RENDERERS) as error:
        refused = render(error)
        problem = orjson.loads(refused.get_data())
        return {"index": index, "status": refused.status_code, "id": problem.get("id"), "problem": problem}
    status = 202 if accepted.changed else 200
    return {"index": index, "status": status, "id": str(accepted.inspection_id), "problem": None}
