"""Fields of the documents: each refuses what it cannot mean, with a code of the fault table, and documents
itself.

A message handed to marshmallow is ``code`` or ``code|closer words``; `service.api.schema` turns it into a
fault. The stock fields are not used: they accept numbers as text, truncate 1.9 to 1, and take a bare date for
a time.
"""

from __future__ import annotations

import math
import re
import zoneinfo
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

import marshmallow as ma
from marshmallow import validate

from service import faults, units


#: Left out and ``null`` are the same thing wherever a field may be left out.
def _optional(more: dict[str, Any]) -> dict[str, Any]:
    return {"allow_none": not more.get("required", False)} | more


_SHAPE: dict[str, str | list[Any] | dict[Any, Any]] = {
    "required": "required",
    "null": "required",
    "validator_failed": "invalid",
}
MAX_NUMBER = 1e15  # of anything: squares of it are still finite
MAX_LENGTH = 1e6  # of a length, in its own unit: a kilometre of hammer
MAX_COUNT = 2**31 - 1  # what an integer column holds


def _range(low: float | None, above: float | None, high: float | None, below: float | None) -> validate.Range:
    words = [
        f"{word} {limit:.0f}" if float(limit).is_integer() else f"{word} {limit:g}"
        for word, limit in (("at least", low), ("above", above), ("at most", high), ("below", below))
        if limit is not None
    ]
    return validate.Range(
        min=low if above is None else above,
        max=high if below is None else below,
        min_inclusive=above is None,
        max_inclusive=below is None,
        error="out-of-range|must be " + " and ".join(words),
    )


class Number(ma.fields.Float):
    """A finite number; `low`, `high` are allowed themselves, `above`, `below` are not."""

    default_error_messages = _SHAPE

    def __init__(
        self,
        *,
        low: float | None = None,
        above: float | None = None,
        high: float | None = None,
        below: float | None = None,
        **more: Any,
    ) -> None:
        if low is None and above is None:
            low = -MAX_NUMBER
        if high is None and below is None:
            high = MAX_NUMBER
        super().__init__(validate=_range(low, above, high, below), **_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> float:
        if type(value) is not float and type(value) is not int:
            raise ma.ValidationError("not-a-number")
        if not math.isfinite(value):
            raise ma.ValidationError("not-finite")
        return float(value)


class Length(Number):
    """A length in the unit the document names."""

    power = 1

    def __init__(self, **limits: Any) -> None:
        if "low" not in limits and "above" not in limits:
            limits["low"] = -MAX_LENGTH
        if "high" not in limits and "below" not in limits:
            limits["high"] = MAX_LENGTH
        super().__init__(**limits)


class Area(Length):
    """A variance or covariance of lengths: the unit squared."""

    power = 2


class Count(ma.fields.Integer):
    """A whole number; 21.0 is one, 21.5 and ``true`` are not."""

    default_error_messages = _SHAPE

    def __init__(self, *, low: int = 0, high: int = MAX_COUNT, **more: Any) -> None:
        super().__init__(validate=_range(low, None, high, None), **_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> int:
        if type(value) is int:
            return value
        if type(value) is not float:
            raise ma.ValidationError("not-a-number")
        if not math.isfinite(value):
            raise ma.ValidationError("not-finite")
        if not value.is_integer():
            raise ma.ValidationError("not-a-whole-number")
        return int(value)


class Text(ma.fields.String):
    """Text that a person wrote."""

    default_error_messages = _SHAPE

    def __init__(self, *, shortest: int = 0, longest: int = faults.MAX_TEXT, **more: Any) -> None:
        words = f"must have {shortest} to {longest} characters"
        checks = [validate.Length(max=longest, error=f"too-long|{words}"), *more.pop("also", ())]
        if shortest:
            checks.append(validate.Length(min=shortest, error=f"too-short|{words}"))
        super().__init__(validate=checks, **_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> str:
        if type(value) is not str:
            raise ma.ValidationError("not-text")
        if "\x00" in value:
            raise ma.ValidationError("bad-text")
        return value


def _patterned(pattern: str, code: str) -> Any:
    compiled = re.compile(pattern.removeprefix("^").removesuffix("$"), re.ASCII)

    def check(value: str) -> None:
        if compiled.fullmatch(value) is None:
            raise ma.ValidationError(code)

    return check


class Name(ma.fields.String):
    """An identifier of the client's own."""

    default_error_messages = _SHAPE
    pattern = faults.IDENTIFIER
    refusal = "bad-identifier"

    def __init__(self, **more: Any) -> None:
        metadata = {"pattern": self.pattern} | more.pop("metadata", {})
        check = _patterned(self.pattern, self.refusal)
        super().__init__(validate=check, metadata=metadata, **_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> str:
        if type(value) is not str:
            raise ma.ValidationError("not-text")
        return value


class Currency(Name):
    """Three letters in the form of ISO 4217; which of them are in use changes, and is not checked."""

    pattern = r"^[A-Z]{3}$"
    refusal = "bad-currency"


class FeatureName(Name):
    """``part.feature``."""

    pattern = r"^[A-Za-z0-9._-]{1,64}\.[A-Za-z0-9._-]{1,64}$"


class Choice(ma.fields.String):
    """One of a few words."""

    default_error_messages = _SHAPE

    def __init__(self, words: Iterable[str], *, code: str = "not-one-of", **more: Any) -> None:
        words = tuple(words)
        one_of = validate.OneOf(words, error=f"{code}|must be one of {', '.join(words)}")
        super().__init__(validate=one_of, **_optional(more))
        self.refusal = one_of.error

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> str:
        if type(value) is not str:
            raise ma.ValidationError(self.refusal)
        return value


class Unit(Choice):
    """The unit of every length in a document."""

    def __init__(self, **more: Any) -> None:
        super().__init__(units.DOCUMENT_UNITS, code="bad-unit", **more)


class Flag(ma.fields.Boolean):
    """``true`` or ``false``; not the words, not 1."""

    default_error_messages = _SHAPE

    def __init__(self, **more: Any) -> None:
        super().__init__(**_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> bool:
        if type(value) is not bool:
            raise ma.ValidationError("not-a-flag")
        return value


class Moment(ma.fields.AwareDateTime):
    """A time of RFC 3339 with its offset; `past` allows a client's clock to be a little ahead, no more."""

    default_error_messages = _SHAPE

    def __init__(self, *, past: bool = False, **more: Any) -> None:
        self.past = past
        super().__init__(**_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> datetime:
        moment = units.read_moment(value) if type(value) is str else None
        if moment is None:
            raise ma.ValidationError("bad-time")
        if self.past and moment > datetime.now(UTC) + timedelta(seconds=faults.FUTURE_TOLERANCE_S):
            raise ma.ValidationError("time-in-future")
        return moment


class Day(ma.fields.Date):
    """A date such as 2026-03-01."""

    default_error_messages = _SHAPE
    _form = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)

    def __init__(self, **more: Any) -> None:
        super().__init__(**_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> date:
        try:
            if type(value) is str and self._form.fullmatch(value):
                day = date.fromisoformat(value)
                if faults.FIRST_YEAR <= day.year <= faults.LAST_YEAR:
                    return day
        except ValueError:
            pass
        raise ma.ValidationError("bad-date")


class TimeZone(Text):
    """A zone of the tz database."""

    def __init__(self, **more: Any) -> None:
        super().__init__(longest=64, also=[_check_zone], **more)


def _check_zone(name: str) -> None:
    if name not in _zones():
        raise ma.ValidationError("bad-time-zone")


def _zones() -> set[str]:
    if not _ZONES:
        _ZONES.update(zoneinfo.available_timezones())
    return _ZONES


_ZONES: set[str] = set()


class ListOf(ma.fields.List):
    """A list with bounds on its length."""

    default_error_messages = _SHAPE | {"invalid": "not-a-list"}

    def __init__(self, item: ma.fields.Field, *, fewest: int = 0, most: int = 1_000, **more: Any) -> None:
        bounds = []
        if fewest:
            bounds.append(validate.Length(min=fewest, error=f"too-few|must have at least {fewest}"))
        self.most, self.too_many = most, f"too-many|must have at most {most}"
        bounds.append(validate.Length(max=most, error=self.too_many))
        item.allow_none = False
        super().__init__(item, validate=bounds, **_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> Any:
        if isinstance(value, list) and len(value) > self.most:
            raise ma.ValidationError(self.too_many)  # before any of them is looked at
        return super()._deserialize(value, attr, data, **more)


class Inner(ma.fields.Nested):
    """A document within the document."""

    default_error_messages = _SHAPE | {"type": "not-an-object"}

    def __init__(self, document: Any, **more: Any) -> None:
        super().__init__(document, **_optional(more))


class Table(ma.fields.Dict):
    """An object whose keys are the client's codes, or the words of `keys`, each with a value of one kind."""

    default_error_messages = _SHAPE | {"invalid": "not-an-object"}

    def __init__(
        self, value: ma.fields.Field, *, keys: Iterable[str] | None = None, most: int = 100, **more: Any
    ) -> None:
        key = Name() if keys is None else Choice(keys, code="unknown-field")
        bound = validate.Length(max=most, error=f"too-many|must have at most {most}")
        value.allow_none = False
        super().__init__(keys=key, values=value, validate=bound, **_optional(more))

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> Any:
        if not isinstance(value, Mapping):
            raise ma.ValidationError("not-an-object")
        try:
            return super()._deserialize(value, attr, data, **more)
        except ma.ValidationError as error:
            found = {key: said.get("value") or said["key"] for key, said in error.messages_dict.items()}
            raise ma.ValidationError(found, valid_data=error.valid_data) from None
