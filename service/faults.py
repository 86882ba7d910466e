"""Faults of what clients send: one table of codes, their messages, and the limits that are checked.

Pure data, shared by the API (problem documents) and the worker (fault rows of gauge exports): the same
mistake carries the same code whichever way it came in.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

#: Code -> default message. A message may be told more closely where the fault is found; the code is the
#: contract.
CODES: dict[str, str] = {
    # shape
    "required": "is required",
    "unknown-field": "is not a field of this document",
    "unknown-parameter": "is not a query parameter of this route",
    "repeated-parameter": "is given more than once",
    "not-an-object": "must be an object",
    "not-a-list": "must be a list",
    "not-a-number": "must be a number",
    "not-finite": "must be a finite number",
    "not-a-whole-number": "must be a whole number",
    "not-text": "must be text",
    "not-a-flag": "must be true or false",
    "not-one-of": "is not one of the values allowed here",
    "out-of-range": "is outside the range allowed here",
    "too-long": "is too long",
    "too-short": "is too short",
    "too-many": "has too many entries",
    "too-few": "has too few entries",
    "bad-identifier": "must be 1 to 64 of letters, digits, '.', '_' and '-'",
    "bad-time": "must be a time of RFC 3339 with its offset, for example 2026-03-01T09:30:00+10:00",
    "bad-date": "must be a date such as 2026-03-01",
    "time-in-future": "lies in the future",
    "bad-interval": "must end after it begins",
    "bad-unit": "must be a unit of length: mm or in",
    "bad-time-zone": "is not a time zone of the tz database",
    "bad-currency": "must be three capital letters in the form of ISO 4217, for example AUD",
    "bad-cursor": "is not a cursor this route gave out",
    "bad-ground": "must be a ground class or shares of ground classes that sum to 1",
    "bad-text": "holds a character that cannot be stored",
    "invalid": "is not valid",
    # references
    "unknown-tool": "names a tool that does not exist",
    "unknown-tool-type": "names a tool type that does not exist",
    "unknown-site": "names a site that does not exist",
    "unknown-component": "names a component that does not exist",
    "wrong-tool-type": "belongs to another tool type",
    "unknown-part": "names a part that the tool type does not have",
    "unknown-feature": "names a feature that the tool type does not have",
    "unknown-fit": "names a fit that the tool type does not have",
    "unknown-check": "names a check that the tool type does not have",
    "unknown-gauge": "names a gauge that does not exist",
    "unknown-master": "names a setting master that does not exist",
    "unknown-setup": "names a set-up that the document does not have",
    "unknown-layout": "names a layout that does not exist",
    "unknown-ground": "names ground that the tool type has no factor for",
    "unknown-air-setting": "names an air setting that the tool type does not have",
    "unknown-inspection": "names an inspection that is not stored",
    "outside-site": "belongs to a site this token has no access to",
    # catalogue
    "duplicate": "is there more than once",
    "discard-side": "lies on the wrong side of the new sizes",
    "monitor-side": "must lie between the new sizes and the discard size",
    "empty-interval": "min must not be above max",
    "not-a-shaft": "must name a feature of kind shaft",
    "not-a-bore": "must name a feature of kind bore",
    "new-interval": "has no point in common with what the new sizes of its two features give",
    "two-quantities": "has a part with quantity over 1 on both sides; at most one is allowed",
    "shares-sum": "must sum to 1",
    "pressure-order": "must not be above the pressure it comes from",
    "risk-sum": "the two risks must not sum to more than 1",
    "same-feature": "must name two different features",
    "target-outside": "must lie between min and max",
    "two-sides": "must be two sides, or none",
    "sides-differ": "must be alike at both ends",
    "unknown-station": "names a station that the feature does not have",
    # intake
    "position-required": "needs a position or a component: the part stands more than once in the tool",
    "position-mismatch": "does not agree with what is fitted",
    "master-required": "a deviation needs the setting master it is a deviation from",
    "usage-overlap": "overlaps usage already recorded",
    "usage-without-time": "has no time to have been run in",
    "remeasure-after-use": "usage was recorded or the component changed in between",
    "inspection-exists": "an inspection with this tool, reference and stage is already there",
    "wrong-part": "is a component of another part or tool type",
    "not-reversible": "names a part that cannot be reversed: it has no sides in the catalogue",
    "reversed-and-renewed": "names a part that this inspection renews: a new one is not reversed",
    "not-earlier": "is not earlier than this inspection",
    "cannot-change": "cannot be changed",
    "header-differs": "does not agree with what the inspection already has",
    "group-spread": "lies more than 24 h from the other rows of its inspection",
    "no-readings": "neither readings nor checks are there",
    # gauge exports
    "column-missing": "a column that the layout needs is missing",
    "archived": "lies in a year that is archived",
    "conflict": "does not go together with what is stored",
    "unknown-column": "is not a column of the layout",
    "wrong-columns": "the row has another number of fields than the header",
    "broken-quote": "a quotation mark is not closed, or stands within a field",
    "line-too-long": "the line is longer than any row of readings",
    "binary": "the line holds bytes that are no text",
    "bad-encoding": "the bytes are not text in the encoding expected",
    "bad-gzip": "the bytes begin as a gzip file does and do not go on as one",
    "empty-file": "the file holds no row",
}

# the two closer messages that both ways of reading an inspection have in common
NO_VALUE_BESIDE_A_TRACE = "a trace is read by its samples alone"
NO_TRACE_BESIDE_A_VALUE = "only a reading of kind trace has one"

MAX_FAULTS = 1_000  # in one answer; more help nobody
MAX_EXPORT_FAULTS = 10_000  # kept of one gauge export; all are counted

MAX_DEPTH = 32  # of a JSON document
MAX_NUMBER_CHARACTERS = 64
MAX_JSON_BYTES = 32 * 1024 * 1024
IDENTIFIER = r"^[A-Za-z0-9._-]{1,64}$"
MAX_TEXT = 500
MAX_NOTE = 2_000
FUTURE_TOLERANCE_S = 300.0  # a client's clock may run ahead by this much
FIRST_YEAR, LAST_YEAR = 1950, 2200  # of any time or date: outside it is a slip of the pen


class DomainError(Exception):
    """Something that may not be done; carries a code and no HTTP (problems.py makes the answer)."""

    code = "conflict"


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One mistake in what was sent: where (a JSON pointer, ``?name`` for a query parameter), which, and in
    words.
    """

    pointer: str
    code: str
    message: str


def fault(pointer: str, code: str, message: str | None = None) -> Fault:
    """Return a fault with the table's message, or a closer one.

    Raises
    ------
    KeyError
        If the code is not in the table: a code nobody documented must not leave the house.
    """
    return Fault(pointer, code, CODES[code] if message is None else _known(code, message))


def _known(code: str, message: str) -> str:
    if code not in CODES:
        raise KeyError(code)
    return message


def in_document_order(found: Fault) -> tuple[list[tuple[bool, int, str]], str, str]:
    """Key by which faults are sorted as they stand in the document: entries of a list by number, not as text.

    Examples
    --------
    >>> places = [fault("/readings/10", "required"), fault("/readings/9/value", "required"), fault("", "required")]
    >>> [item.pointer for item in sorted(places, key=in_document_order)]
    ['', '/readings/9/value', '/readings/10']
    """
    # an entry's number has few digits; a field may be called anything
    numbered = [(len(step) < 10 and step.isdecimal(), step) for step in found.pointer.split("/")]
    return [(is_entry, int(step) if is_entry else 0, step) for is_entry, step in numbered], found.code, found.message


def is_name(text: str) -> bool:
    """Say whether a text is an identifier."""
    return _NAME.fullmatch(text) is not None


_NAME = re.compile(IDENTIFIER.strip("^$"), re.ASCII)


def pointer(*steps: str | int) -> str:
    """Return the JSON pointer (RFC 6901) of these steps.

    Examples
    --------
    >>> pointer("readings", 3, "value")
    '/readings/3/value'
    >>> pointer("air/oil", "a~b")
    '/air~1oil/a~0b'
    """
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in steps)
