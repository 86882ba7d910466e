"""Query parameters: declared like documents, refused by name where a route does not know them."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

import marshmallow as ma
from flask import request

from service import faults
from service.api import fields
from service.api.schema import Document, check
from service.faults import Fault
from service.problems import Refused

_WHOLE = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_DECIMAL = re.compile(r"[+-]?\d{1,20}(\.\d{1,20})?([eE][+-]?\d{1,3})?", re.ASCII)
_FLAGS = {"true": True, "false": False}


class NoQuery(Document):
    """A route without parameters."""


class UnitQuery(Document):
    """``?unit=in`` for lengths in inches."""

    unit = fields.Unit(load_default="mm", metadata={"description": "Unit of the lengths in the answer"})


class PageQuery(Document):
    """Keyset paging."""

    limit = fields.Count(low=1, high=1000, load_default=100, metadata={"description": "Most items in one answer"})
    after = fields.Text(longest=500, metadata={"description": "`next` of the answer before"})


def read_query(schema: ma.Schema) -> dict[str, Any]:
    """Return the query of the request at hand, defaults filled in.

    Raises
    ------
    Refused
        Naming every parameter that is unknown, repeated or wrong (pointer ``?name``).
    """
    if not request.query_string:
        empty, found = _empty(schema)
        if found:
            raise Refused(found)
        return dict(empty)
    sent = {
        name: _typed(schema.fields.get(name), values[0]) for name, values in request.args.lists() if len(values) == 1
    }
    repeated = [
        faults.fault(f"?{name}", "repeated-parameter") for name, values in request.args.lists() if len(values) > 1
    ]
    read, found = check(schema, sent)
    found = [_of_query(item) for item in found if item.pointer[1:] not in _names(repeated)]
    if found or repeated:
        raise Refused(found + repeated)
    return read


def _names(found: list[Fault]) -> set[str]:
    return {item.pointer[1:] for item in found}


def _of_query(item: Fault) -> Fault:
    code = "unknown-parameter" if item.code == "unknown-field" else item.code
    message = faults.CODES[code] if code != item.code else item.message
    return Fault("?" + item.pointer.removeprefix("/").replace("~1", "/").replace("~0", "~"), code, message)


@cache
def _empty(schema: ma.Schema) -> tuple[dict[str, Any], list[Fault]]:
    read, found = check(schema, {})
    return read, [_of_query(item) for item in found]


def _typed(field: ma.fields.Field | None, text: str) -> Any:
    """Text of a query as the JSON value it stands for; what cannot stand for one is left for the field to refuse."""
    if isinstance(field, fields.Count) and _WHOLE.fullmatch(text):
        return int(text)
    if isinstance(field, fields.Number) and _DECIMAL.fullmatch(text):
        return float(text)
    if isinstance(field, fields.Flag):
        return _FLAGS.get(text, text)
    return text
