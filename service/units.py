"""Units of length and times, converted once, at the edge: millimetres and UTC inside.

Scalars and numpy arrays alike; CSV and JSON use the same functions, so that both give the same last digit.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, TypeVar

from service import faults

#: Exact by definition: 1 in = 25.4 mm (the international inch of 1959).
MM_PER_INCH = 25.4
DOCUMENT_UNITS = ("mm", "in")  # what a document may say
ROW_UNITS = ("mm", "in", "um")  # what a row of a gauge export may say
#: Two roundings each way, of a variance twice as many; far below the last digit of any gauge.
ROUNDING = 1e-14

_EXACT = {"mm": Decimal(1), "in": Decimal("25.4"), "um": Decimal("0.001")}
_MOMENT = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(\.\d{1,12})?([Zz]|[+-]\d\d:\d\d)", re.ASCII)

Length = TypeVar("Length", bound=Any)  # float or an array of them


def to_mm(value: Length, unit: str, power: int = 1) -> Length:
    """Return a length (or its `power`: 2 for a variance) in mm.

    Examples
    --------
    >>> to_mm(1.0, "in")
    25.4
    >>> to_mm(35.0, "um")
    0.035
    """
    for _ in range(power):
        if unit == "in":
            value = value * MM_PER_INCH
        elif unit == "um":
            value = value / 1000.0
    return value


def from_mm(value: Length, unit: str, power: int = 1) -> Length:
    """Return a length (or its `power`) of mm in another unit.

    Examples
    --------
    >>> from_mm(25.4, "in")
    1.0
    """
    for _ in range(power):
        if unit == "in":
            value = value / MM_PER_INCH
        elif unit == "um":
            value = value * 1000.0
    return value


def exact_mm(value: float | int | str, unit: str = "mm") -> Decimal:
    """Return a length as an exact decimal in mm, normalised, for canonical forms and digests.

    The shortest text that reads back as the same float stands for it, so 3.8 in and 96.52 mm are one length.

    Examples
    --------
    >>> exact_mm(3.8, "in"), exact_mm("96.520")
    (Decimal('96.52'), Decimal('96.52'))
    """
    exact = (Decimal(str(value)) * _EXACT[unit]).normalize()
    return exact + 0  # minus zero is zero


def alike(one: Any, other: Any) -> bool:
    """Whether two documents in mm say the same, but for the last digit that a change of unit and back may move.

    Examples
    --------
    >>> alike({"size": 97.9, "unit": "mm"}, {"size": 97.9 / 25.4 * 25.4, "unit": "mm"})
    True
    >>> alike([97.9], [97.9 + 1e-9])
    False
    """
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=ROUNDING)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    return bool(one == other)


def read_moment(text: str) -> datetime | None:
    """Return the UTC time an RFC 3339 text names; None where it is not one, or lies outside 1950 to 2200.

    Examples
    --------
    >>> read_moment("2026-03-01T09:30:00+10:00")
    datetime.datetime(2026, 2, 28, 23, 30, tzinfo=datetime.timezone.utc)
    >>> read_moment("2026-03-01T09:30:00") is None
    True
    """
    match = _MOMENT.fullmatch(text)
    if match is None:
        return None
    day, clock, fraction, offset = match.groups()
    offset = "+00:00" if offset in "Zz" else offset
    try:
        moment = datetime.fromisoformat(f"{day}T{clock}{(fraction or '')[:7]}{offset}").astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    return moment if faults.FIRST_YEAR <= moment.year <= faults.LAST_YEAR else None


def show_moment(moment: datetime) -> str:
    """Return a time as the service writes it: UTC with ``Z``, microseconds only where there are any.

    Examples
    --------
    >>> show_moment(datetime(2026, 3, 1, 9, 30, tzinfo=UTC))
    '2026-03-01T09:30:00Z'
    """
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
