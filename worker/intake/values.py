"""What the text of a cell may be: the rules of a JSON document, applied to text, with the same codes and words.

A rule reads one text, without blanks around it and never empty, and returns its value or raises `Bad`. Columns hold
few different texts, so rules are called once for each of those.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta

from service import canonical, faults, layouts, units

Value = str | float | int | datetime
Rule = Callable[[str], Value]

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,5})?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf(?:inity)?)", re.ASCII | re.IGNORECASE)
_NAME = re.compile(faults.IDENTIFIER.strip("^$"), re.ASCII)
_CONTROL = re.compile(r"[\x00-\x08\x0a-\x1f\x7f]")


class Bad(ValueError):
    """A text that its column cannot have."""

    def __init__(self, code: str, words: str | None = None) -> None:
        super().__init__(code)
        self.code = code
        self.words = faults.CODES[code] if words is None else words


def name(text: str) -> str:
    """An identifier of the client's own."""
    if _NAME.fullmatch(text) is None:
        raise Bad("bad-identifier")
    return text


def feature(text: str) -> str:
    """``part.feature``."""
    part, dot, code = text.partition(".")
    if not dot or _NAME.fullmatch(part) is None or _NAME.fullmatch(code) is None:
        raise Bad("bad-identifier")
    return text


def text_of(longest: int) -> Rule:
    """Return the rule of a text that a person wrote."""

    def read(text: str) -> str:
        if len(text) > longest:
            raise Bad("too-long", f"must have 0 to {longest} characters")
        if _CONTROL.search(text):
            raise Bad("bad-text")
        return text

    return read


def one_of(words: Iterable[str], code: str = "not-one-of") -> Rule:
    """Return the rule of one of a few words."""
    allowed = tuple(words)
    refusal = f"must be one of {', '.join(allowed)}"

    def read(text: str) -> str:
        if text not in allowed:
            raise Bad(code, refusal)
        return text

    return read


def read_number(text: str) -> float:
    """Return the double nearest to a decimal.

    Examples
    --------
    >>> read_number("+97.8610"), read_number("1e-3")
    (97.861, 0.001)
    """
    if len(text) > faults.MAX_NUMBER_CHARACTERS or _NUMBER.fullmatch(text) is None:
        raise Bad("not-finite" if _NOT_FINITE.fullmatch(text) else "not-a-number")
    number = float(text)
    if not math.isfinite(number):
        raise Bad("not-finite")
    return number + 0.0  # minus zero is zero


def number_in(
    *, low: float | None = None, above: float | None = None, high: float | None = None, below: float | None = None
) -> Rule:
    """Return the rule of a number; `low` and `high` are allowed themselves, `above` and `below` are not."""
    refusal = _bounds(low, above, high, below)

    def read(text: str) -> float:
        number = read_number(text)
        if (
            (low is not None and number < low)
            or (above is not None and number <= above)
            or (high is not None and number > high)
            or (below is not None and number >= below)
        ):
            raise Bad("out-of-range", refusal)
        return number

    return read


def whole_in(low: int, high: int) -> Rule:
    """Return the rule of a whole number; 21.0 is one."""
    refusal = _bounds(low, None, high, None)

    def read(text: str) -> int:
        number = read_number(text)
        if not number.is_integer():
            raise Bad("not-a-whole-number")
        if not low <= number <= high:
            raise Bad("out-of-range", refusal)
        return int(number)

    return read


def _bounds(low: float | None, above: float | None, high: float | None, below: float | None) -> str:
    limits = (("at least", low), ("above", above), ("at most", high), ("below", below))
    return "must be " + " and ".join(f"{word} {limit:g}" for word, limit in limits if limit is not None)


def moment_until(latest: datetime) -> Rule:
    """Return the rule of a time of RFC 3339 that is not after `latest` (and its tolerance)."""
    bound = latest + timedelta(seconds=faults.FUTURE_TOLERANCE_S)

    def read(text: str) -> datetime:
        moment = units.read_moment(text)
        if moment is None:
            raise Bad("bad-time")
        return not_after(moment, bound)

    return read


def not_after(moment: datetime, bound: datetime) -> datetime:
    """Return a time that has come.

    Raises
    ------
    Bad
        Code ``time-in-future``.
    """
    if moment > bound:
        raise Bad("time-in-future")
    return moment


_LENGTH = number_in(low=-canonical.MAX_LENGTH, high=canonical.MAX_LENGTH)
_ORDINAL = whole_in(1, canonical.MAX_POSITION)
_TEMPERATURE = number_in(low=canonical.TEMPERATURES_C[0], high=canonical.TEMPERATURES_C[1])
_AMOUNT = number_in(low=0, high=canonical.MAX_AMOUNT)


def trace(text: str) -> str:
    """Numbers separated by spaces."""
    samples = text.split()
    for sample in samples:
        _LENGTH(sample)
    if len(samples) > 100_000:
        raise Bad("too-many", "must have at most 100000")
    return " ".join(samples)


def rules(moment: Rule) -> dict[str, Rule]:
    """Return the rule of every column, of readings and of checks."""
    return {
        "reference": name,
        "tool": name,
        "stage": one_of(canonical.STAGES),
        "taken_at": moment,
        "feature": feature,
        "component": name,
        "position": _ORDINAL,
        "station": _ORDINAL,
        "orientation": number_in(low=0, below=360),
        "kind": one_of(canonical.KINDS),
        "value": _LENGTH,
        "trace": trace,
        "unit": one_of(units.ROW_UNITS, "bad-unit"),
        "gauge": name,
        "master": name,
        "setup": name,
        "readings_at_zero": whole_in(1, canonical.MAX_AT_ZERO),
        "thermometer": name,
        "thermometer_u_c": number_in(above=0, high=100),
        "temperature_c": _TEMPERATURE,
        "reference_temperature_c": _TEMPERATURE,
        "inspector": text_of(faults.MAX_TEXT),
        "metres": _AMOUNT,
        "hours": _AMOUNT,
        "ground": name,
        "remeasures": name,
        "check": name,
        "result": one_of(canonical.RESULTS),
        "note": text_of(faults.MAX_NOTE),
    }


NUMBERS = frozenset(
    {
        "position",
        "station",
        "orientation",
        "value",
        "readings_at_zero",
        "thermometer_u_c",
        "temperature_c",
        "reference_temperature_c",
        "metres",
        "hours",
    }
)
ORDER = {column: place for place, column in enumerate((*layouts.READING_COLUMNS, *layouts.CHECK_COLUMNS[5:]))}
