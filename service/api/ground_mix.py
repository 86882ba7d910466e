"""A planned ground mix, ``?ground=soft:0.2,hard:0.8``: remaining usage at another mix is a change of scale.

The forecast counts in usage weighted by ground; what is left in metres or hours is that over the mean
factor of the ground ahead. Days scale alike, since what is run in a day does not depend on the ground.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import marshmallow as ma

from service import faults
from service.api import fields
from service.problems import Refused

_CLASS = re.compile(faults.IDENTIFIER.removeprefix("^").removesuffix("$"), re.ASCII)
_SHARE = re.compile(r"\d{1,6}(\.\d{1,15})?", re.ASCII)
SUM_TOLERANCE = 1e-3  # shares are written with a few digits
MAX_CLASSES = 50


class Ground(ma.fields.Raw):
    """Ground of a usage entry: a class, or shares of classes that sum to 1; loaded as shares."""

    def __init__(self, **more: Any) -> None:
        shares = {"type": "object", "additionalProperties": {"type": "number", "minimum": 0, "maximum": 1}}
        forms = [{"type": "string", "pattern": faults.IDENTIFIER}, shares, {"type": "null"}]
        super().__init__(allow_none=True, metadata={"oneOf": forms}, **more)

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> dict[str, float]:
        shares = {value: 1.0} if isinstance(value, str) else value
        if not isinstance(shares, dict) or not 0 < len(shares) <= MAX_CLASSES:
            raise ma.ValidationError("bad-ground")
        for name, share in shares.items():
            if _CLASS.fullmatch(name) is None or type(share) not in (int, float) or not 0 <= share <= 1:
                raise ma.ValidationError("bad-ground")
        if abs(sum(shares.values()) - 1.0) > SUM_TOLERANCE:
            raise ma.ValidationError("bad-ground")
        return {name: float(shares[name]) for name in sorted(shares)}


class GroundMix(fields.Text):
    """Query parameter: one ground class, or shares of classes that sum to 1."""

    def __init__(self, **more: Any) -> None:
        words = "Planned ground: a class, or shares such as soft:0.2,hard:0.8 that sum to 1"
        super().__init__(longest=2000, metadata={"description": words}, **more)

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> Any:
        text = super()._deserialize(value, attr, data, **more)
        if read_mix(text) is None:
            raise ma.ValidationError("bad-ground")
        return text


def read_mix(text: str) -> dict[str, float] | None:
    """Return the shares a text names, summing to exactly what was written; None where it is no mix.

    Examples
    --------
    >>> read_mix("soft:0.2,hard:0.8")
    {'soft': 0.2, 'hard': 0.8}
    >>> read_mix("hard")
    {'hard': 1.0}
    """
    shares: dict[str, float] = {}
    entries = text.split(",")
    for entry in entries:
        name, colon, share = (part.strip() for part in entry.partition(":"))
        if not colon and len(entries) == 1:
            share = "1"
        if _CLASS.fullmatch(name) is None or _SHARE.fullmatch(share) is None or name in shares:
            return None
        shares[name] = float(share)
    return shares if abs(sum(shares.values()) - 1.0) <= SUM_TOLERANCE else None


@dataclass(frozen=True, slots=True)
class Rescale:
    """What a planned mix does to figures computed for another one."""

    ground: Mapping[str, float]
    ratio: float  # of the remaining usage, and of the days ahead

    def usage(self, amount: float | None) -> float | None:
        return None if amount is None else amount * self.ratio

    def day(self, due: date | None, origin: date | None) -> date | None:
        """Return the due date at the rescaled distance from `origin`; None beyond every calendar."""
        if due is None or origin is None:
            return None
        try:
            return origin + timedelta(days=round((due - origin).days * self.ratio))
        except OverflowError:
            return None


def show_amount(amount: float | None) -> float | None:
    """Return metres or hours without what dividing by one mix and multiplying by another leaves in the last digits.

    Examples
    --------
    >>> show_amount(420.00000000000006)
    420.0
    """
    return None if amount is None else round(amount, 6)


def rescale(ground: str, ground_factor: float, factors: Mapping[str, float]) -> Rescale:
    """Return the change from the mean factor the figures were computed with to that of a planned mix.

    Parameters
    ----------
    ground : str
        As `GroundMix` read it.
    ground_factor : float
        Mean factor of the stored figures, [-].
    factors : mapping
        Ground factors of the tool type, [-].

    Raises
    ------
    Refused
        Naming the classes that the tool type has no factor for: a plan is not made on a guess.
    """
    shares = read_mix(ground) or {}
    unknown = sorted(name for name in shares if name not in factors)
    if unknown:
        words = f"names ground that the tool type has no factor for: {', '.join(unknown)}"
        raise Refused([faults.fault("?ground", "unknown-ground", words)])
    mean = sum(share * factors[name] for name, share in shares.items()) / sum(shares.values())
    return Rescale(shares, ground_factor / mean if mean > 0 else 1.0)
