"""Answers: JSON that holds no NaN, times in UTC, and what a client needs to come back for the same thing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import orjson
from flask import Response, request
from flask.json.provider import JSONProvider

from service.problems import Declined

#: Times are written with ``Z``, microseconds only where there are any; a number that is not finite becomes
#: null.
OPTIONS = orjson.OPT_UTC_Z | orjson.OPT_NON_STR_KEYS


class Answer(Response):
    """A JSON answer that still has its document at hand (a keyed POST keeps it, a wait goes on from it)."""

    document: Any = None


class Json(JSONProvider):
    """Flask's own JSON, by the same writer."""

    def dumps(self, obj: Any, **_: Any) -> str:
        return orjson.dumps(obj, option=OPTIONS).decode()

    def loads(self, s: str | bytes, **_: Any) -> Any:
        return orjson.loads(s)


def accepted(*offered: str) -> str:
    """Return the media type that the request likes best of those offered; the first where it says nothing.

    Raises
    ------
    Declined
        Code ``not-acceptable``.
    """
    wanted = request.accept_mimetypes
    best = wanted.best_match(offered) if wanted else offered[0]
    if best is None:
        raise Declined("not-acceptable", f"this comes as {' or '.join(offered)}", headers={"Vary": "Accept"})
    return best


def answer(
    document: Any,
    status: int = 200,
    *,
    etag: str | None = None,
    location: str | None = None,
    headers: Mapping[str, str] | None = None,
) -> Answer:
    """Return a JSON answer. `document` may hold datetimes (UTC), dates, UUIDs, dataclasses."""
    made = Answer(orjson.dumps(document, option=OPTIONS), status, headers, content_type="application/json")
    made.document = document
    if etag is not None:
        made.headers["ETag"] = etag
    if location is not None:
        made.headers["Location"] = location
    return made


def nothing() -> Response:
    """204."""
    made = Response(status=204)
    del made.headers["Content-Type"]
    return made
