"""Documents declared as marshmallow schemas: checked with all faults at once, scaled from unit to unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import marshmallow as ma

from service import faults, units
from service.api import fields
from service.faults import Fault


class Document(ma.Schema):
    """What every document of the service is: an object without unknown fields."""

    error_messages = {"unknown": "unknown-field", "type": "not-an-object"}

    class Meta:
        unknown = ma.RAISE


def check(schema: ma.Schema, document: Any, at: str = "") -> tuple[dict[str, Any], list[Fault]]:
    """Return what could be read of a document, and everything that is wrong with the rest.

    Fields left out and fields that are null are absent from what was read, or have their default. `at` is the
    pointer of the document.
    """
    try:
        return _read(schema, schema.load(document)), []
    except ma.ValidationError as error:
        read = error.valid_data if isinstance(error.valid_data, dict) else {}
        return _read(schema, read), list(_flat(error.messages, at))


def _read(schema: ma.Schema, loaded: dict[str, Any]) -> dict[str, Any]:
    read: dict[str, Any] = _without_none(loaded)
    for name, field in schema.load_fields.items():
        if name not in read and field.load_default not in (ma.missing, None):
            read[name] = field.load_default
    return read


def _flat(messages: Any, at: str) -> Iterator[Fault]:
    if isinstance(messages, Mapping):
        for step, inner in messages.items():
            yield from _flat(inner, at if step == "_schema" else at + faults.pointer(step))
    else:
        for message in messages:
            code, _, words = message.partition("|")
            yield faults.fault(at, code, words or None)


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return [_without_none(item) for item in value]
    return value


def in_mm(schema: ma.Schema, document: Mapping[str, Any], unit: str) -> dict[str, Any]:
    """Return a document that was read, with every `fields.Length` and `fields.Area` converted to mm."""
    return dict(document) if unit == "mm" else _scaled(schema, document, unit, units.to_mm)


def in_unit(schema: ma.Schema, document: Mapping[str, Any], unit: str) -> dict[str, Any]:
    """Return a document whose lengths are mm, with every one of them converted to `unit`, in the schema's
    order.
    """
    return _scaled(schema, document, unit, units.from_mm)


def _scaled(schema: ma.Schema, document: Mapping[str, Any], unit: str, convert: Any) -> dict[str, Any]:
    return {
        name: _scaled_value(field, document[name], unit, convert)
        for name, field in schema.fields.items()
        if name in document
    }


def _scaled_value(field: ma.fields.Field, value: Any, unit: str, convert: Any) -> Any:
    if value is None:
        return None
    if isinstance(field, fields.Length):
        return convert(value, unit, field.power)
    if isinstance(field, fields.Inner):
        return _scaled(field.schema, value, unit, convert)
    if isinstance(field, fields.ListOf):
        return [_scaled_value(field.inner, item, unit, convert) for item in value]
    if isinstance(field, fields.Table) and field.value_field is not None:
        return {key: _scaled_value(field.value_field, item, unit, convert) for key, item in value.items()}
    return value
