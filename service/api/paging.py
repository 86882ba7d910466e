"""Lists by key, never by offset: a page says where the next one begins, whatever came or went in between."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, TypeVar
from urllib.parse import urlencode
from uuid import UUID

import orjson
from flask import request

from service import faults, units
from service.api.answers import Answer, answer
from service.problems import Refused

Row = TypeVar("Row")


def _read_text(value: Any) -> str | None:
    return value if isinstance(value, str) and "\x00" not in value else None


def _read_whole(value: Any) -> int | None:
    return value if type(value) is int and abs(value) < 2**63 else None


def _read_moment(value: Any) -> datetime | None:
    return units.read_moment(value) if isinstance(value, str) else None


def _read_uuid(value: Any) -> UUID | None:
    try:
        return UUID(value) if isinstance(value, str) else None
    except ValueError:
        return None


_READERS: dict[type, Callable[[Any], Any]] = {
    str: _read_text,
    int: _read_whole,
    datetime: _read_moment,
    UUID: _read_uuid,
}


def cursor(key: Sequence[Any]) -> str:
    """Return the opaque cursor of a key: what `read_cursor` gives back."""
    return base64.urlsafe_b64encode(orjson.dumps(list(key))).rstrip(b"=").decode()


def read_cursor(query: Mapping[str, Any], *kinds: type) -> Any:
    """Return the key that ``?after=`` stands for, a tuple; None on the first page.

    Parameters
    ----------
    query : mapping
        As `PageQuery` read it.
    *kinds : str, int, datetime or UUID
        The types of the key's parts.

    Raises
    ------
    Refused
        If it is not a cursor of this kind of list.
    """
    after = query.get("after")
    if after is None:
        return None
    try:
        parts = orjson.loads(base64.urlsafe_b64decode(after.encode("ascii") + b"=" * (-len(after) % 4)))
    except (UnicodeEncodeError, binascii.Error, orjson.JSONDecodeError):
        parts = None
    if isinstance(parts, list) and len(parts) == len(kinds):
        key = tuple(_READERS[kind](part) for kind, part in zip(kinds, parts, strict=True))
        if None not in key:
            return key
    raise Refused([faults.fault("?after", "bad-cursor")])


def page(
    rows: Sequence[Row],
    query: Mapping[str, Any],
    key: Callable[[Row], Sequence[Any]],
    show: Callable[[Row], Any],
    head: Mapping[str, Any] | None = None,
    name: str = "items",
) -> Answer:
    """Return one page of a list.

    Parameters
    ----------
    rows : sequence
        Up to ``limit + 1`` rows in the order of their keys: the one too many tells that there is a next page.
    query : mapping
        As `PageQuery` read it.
    key, show : callable
        The key of a row, and its document.
    head : mapping, optional
        What the answer says once, beside its items.
    name : str
        Of the list.
    """
    limit = query["limit"]
    following = cursor(key(rows[limit - 1])) if len(rows) > limit else None
    made = answer({**(head or {}), name: [show(row) for row in rows[:limit]], "next": following})
    return made if following is None else _linked(made, following)


def feed_page(
    rows: Sequence[Row],
    query: Mapping[str, Any],
    after: Sequence[Any],
    key: Callable[[Row], Sequence[Any]],
    show: Callable[[Row], Any],
) -> Answer:
    """Return one page of a feed, which has no end: ``next`` is always there, `after` again where nothing came.

    Parameters
    ----------
    rows, query, key, show
        As of `page`.
    after : sequence
        The key that was asked for.
    """
    limit = query["limit"]
    following = cursor(key(rows[:limit][-1]) if rows else after)
    made = answer({"items": [show(row) for row in rows[:limit]], "next": following})
    return _linked(made, following) if len(rows) > limit else made


def _linked(made: Answer, following: str) -> Answer:
    """Say at which address the next page is."""
    parameters = {asked: value for asked, value in request.args.items() if asked != "after"}
    link = f"{request.path}?{urlencode(parameters | {'after': following})}"
    made.headers["Link"] = f'<{link}>; rel="next"'
    return made
