"""``Idempotency-Key``: a POST sent twice does its work once (after an expired Internet-Draft of that name).

Key, digest of the body and answer are written in the transaction of the work: a crash leaves neither or both.
Only answers that would come again are kept: 2xx, 409 and 422.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable

import orjson
from flask import Response, request

from service import access
from service.api.answers import Answer
from service.problems import CONTENT_TYPE, RENDERERS, Declined, render
from service.store import idempotency as store
from service.store.idempotency import Kept
from service.store.pool import Connection, transaction

#: A String of RFC 8941 without escapes, or the same text bare.
KEY = r'^("[ !#-\[\]-~]{1,255}"|[!#-\[\]-~]{1,255})$'
_KEY = re.compile(KEY.strip("^$"), re.ASCII)
KEPT_STATUSES = frozenset({*range(200, 300), 409, 422})


def sent_key() -> str | None:
    """Return the request's key, quoted or bare; None where there is none.

    Raises
    ------
    Declined
        400, if it is empty, over 255 characters, or not printable ASCII.
    """
    header = request.headers.get("Idempotency-Key")
    if header is None:
        return None
    if _KEY.fullmatch(header) is None:
        raise Declined("bad-key", "Idempotency-Key must be 1 to 255 printable characters")
    return header.strip('"')


def once(work: Callable[[Connection], Response], digest: Callable[[], bytes]) -> Response:
    """Run `work` in one transaction; where the request has a key, at most once for it.

    Parameters
    ----------
    work : callable
        Gets the connection, returns the answer of the request. What it raises is rolled back.
    digest : callable
        Of what was sent (not called without a key).
    """
    key = sent_key()
    with transaction() as conn:
        if key is None:
            return work(conn)
        return _keyed(conn, key, digest(), work)


def body_digest(raw: bytes) -> bytes:
    """Return the SHA-256 of a body and the query it came with."""
    return hashlib.sha256(request.query_string + b"\n" + raw).digest()


def _keyed(conn: Connection, key: str, digest: bytes, work: Callable[[Connection], Response]) -> Response:
    token_id, route = access.current().token_id, f"{request.method} {request.path}"
    if not store.claim_key(conn, token_id, route, key):
        raise Declined(
            "key-in-use", "a request with this Idempotency-Key is still running", headers={"Retry-After": "1"}
        )
    kept = store.get_kept(conn, token_id, route, key)
    if kept is not None:
        if kept.digest != digest:
            raise Declined("key-reused", "the Idempotency-Key was used with another body")
        return _replayed(kept)
    try:
        with conn.transaction():
            answer = work(conn)
    except tuple(RENDERERS) as error:
        answer = render(error)
        if answer.status_code not in KEPT_STATUSES:
            raise
    if answer.status_code in KEPT_STATUSES:
        location = answer.headers.get("Location")
        store.add_kept(conn, token_id, route, key, Kept(digest, answer.status_code, location, answer.get_data()))
    return answer


def _replayed(kept: Kept) -> Answer:
    kind = CONTENT_TYPE if kept.status >= 400 else "application/json"
    answer = Answer(kept.body, kept.status, content_type=kind)
    answer.document = orjson.loads(kept.body) if kept.body else None
    if kept.location is not None:
        answer.headers["Location"] = kept.location
    answer.headers["Idempotent-Replayed"] = "true"
    return answer
