"""RFC 9457 problem documents: the one place that knows how errors become HTTP.

Everything that can go wrong on purpose has a code in `KINDS`; the rest is a 500 whose detail says nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from typing import Any

import orjson
from flask import Flask, Response, current_app, has_request_context, request
from werkzeug.exceptions import HTTPException
from werkzeug.http import HTTP_STATUS_CODES

from service import faults
from service.faults import DomainError, Fault
from service.store import errors

CONTENT_TYPE = "application/problem+json"

#: Code -> (status, title). A store conflict not named here is a 409 under its own code.
KINDS: dict[str, tuple[int, str]] = {
    "bad-key": (400, "The Idempotency-Key cannot be read"),
    "malformed-json": (400, "The body is not JSON as this service reads it"),
    "no-token": (401, "A bearer token is needed"),
    "outside-scope": (403, "The token's scopes do not allow this"),
    "outside-site": (403, "The token is bound to another site"),
    "not-found": (404, "There is no such thing"),
    "not-assessed-yet": (404, "There is no assessment yet"),
    "not-acceptable": (406, "It comes in none of the formats the request accepts"),
    "conflict": (409, "This does not go together with what is stored"),
    "inspection-failed": (409, "The inspection could not be assessed"),
    "archived": (409, "It needs a year that is archived"),
    "in-use": (409, "Something refers to it"),
    "built-in": (409, "It is part of the service and stays as it is"),
    "key-in-use": (409, "A request with this Idempotency-Key is still running"),
    "precondition-failed": (412, "It is not in the state the request expects"),
    "body-too-large": (413, "The body is too large"),
    "unsupported-media-type": (415, "The body is in a format this route does not read"),
    "input-faults": (422, "The request has faults"),
    "key-reused": (422, "The Idempotency-Key was used with another body"),
    "internal": (500, "Something went wrong here"),
    "unavailable": (503, "A part of the service is away"),
    "read-only": (503, "This address takes no writes"),
    "busy": (503, "There is no room for this right now"),
    "backlog": (503, "More waits to be computed than this service takes on"),
    "disk-low": (503, "The disk is nearly full"),
}

logger = logging.getLogger(__name__)


class Refused(Exception):
    """The input has faults; nothing is stored."""

    def __init__(self, found: Iterable[Fault]) -> None:
        super().__init__("the request has faults")
        self.faults = tuple(found)


class Declined(Exception):
    """A request that is well formed but cannot be done, under a code of `KINDS` (or a 409 of its own)."""

    def __init__(self, code: str, detail: str, *, headers: Mapping[str, str] | None = None, **members: Any) -> None:
        super().__init__(detail)
        self.code, self.detail, self.headers, self.members = code, detail, headers, members


def problem(
    code: str,
    detail: str,
    *,
    headers: Mapping[str, str] | None = None,
    status: int | None = None,
    **members: Any,
) -> Response:
    """Return the problem document of a code."""
    kind_status, title = KINDS.get(code) or (status or 409, HTTP_STATUS_CODES.get(status or 409, "Problem"))
    status = status or kind_status
    document = {
        "type": f"urn:stripdown:problem:{code}",
        "title": title,
        "status": status,
        "detail": detail,
        "instance": request.path if has_request_context() else None,
        "code": code,
    } | members
    return Response(orjson.dumps(document, option=orjson.OPT_UTC_Z), status, headers, content_type=CONTENT_TYPE)


def of_refused(error: Refused) -> Response:
    """All faults in one answer, sorted by where they are."""
    found = sorted(set(error.faults), key=faults.in_document_order)
    shown = [
        {"pointer": item.pointer, "code": item.code, "message": item.message} for item in found[: faults.MAX_FAULTS]
    ]
    detail = f"{len(found)} fault{'' if len(found) == 1 else 's'}"
    return problem("input-faults", detail if _only_reads() else f"{detail}; nothing was stored", errors=shown)


def _only_reads() -> bool:
    """Whether the request stores nothing by its nature: a read, or what the scope for reading is enough for."""
    view = current_app.view_functions.get(request.endpoint or "")
    return request.method in ("GET", "HEAD") or "read" in getattr(view, "required_scopes", ())


def of_declined(error: Declined) -> Response:
    return problem(error.code, error.detail, headers=error.headers, **error.members)


def of_conflict(error: errors.Conflict) -> Response:
    return problem(error.code, str(error), status=409, **error.facts)


def of_not_found(error: errors.NotFound) -> Response:
    return problem("not-found", str(error))


def of_away(error: errors.StoreAway) -> Response:
    logger.error("the database is away: %s", error)
    return problem("unavailable", "the database does not answer", headers={"Retry-After": "2"})


def of_read_only(_: errors.StoreReadOnly) -> Response:
    return problem("read-only", "the database behind this address is a copy for reading; write to the primary's")


def of_domain(error: DomainError) -> Response:
    headers = {"WWW-Authenticate": 'Bearer realm="stripdown"'} if error.code == "no-token" else None
    return problem(error.code, str(error), headers=headers)


def of_http(error: HTTPException) -> Response:
    """Keep what the framework knows (Allow, Retry-After, WWW-Authenticate), in our form."""
    if error.response is not None:
        return error.response  # type: ignore[return-value]
    status = error.code or 500
    headers = {name: value for name, value in error.get_headers() if name.lower() != "content-type"}
    if status == 413:
        return problem("body-too-large", "the body is larger than this route reads", headers=headers)
    slug = HTTP_STATUS_CODES.get(status, "problem").lower().replace(" ", "-").replace("'", "")
    detail = "there is nothing at this address" if status == 404 else (error.description or slug)
    return problem(slug, detail, status=status, headers=headers)


def of_unexpected(error: Exception) -> Response:
    """Log all of it, tell nothing of it."""
    logger.exception("unexpected error on %s %s", request.method, request.path, exc_info=error)
    return problem("internal", "the error was logged")


#: Errors that are answers: what a keyed request may keep and replay (see service.api.idempotency).
RENDERERS: dict[type[Exception], Any] = {
    Refused: of_refused,
    Declined: of_declined,
    errors.Conflict: of_conflict,
    errors.NotFound: of_not_found,
    errors.StoreAway: of_away,
    errors.StoreReadOnly: of_read_only,
    DomainError: of_domain,
}


def register(app: Flask) -> None:
    """Give the app every handler; the Api's own one for HTTPException delegates to `of_http`."""
    for kind, render in RENDERERS.items():
        app.register_error_handler(kind, render)
    app.register_error_handler(Exception, of_unexpected)


def render(error: Exception) -> Response:
    """Return the answer of an error that is one."""
    for kind, renderer in RENDERERS.items():
        if isinstance(error, kind):
            return renderer(error)
    raise error
