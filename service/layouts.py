"""How a delimited file of gauge readings is laid out: the two layouts that are built in, and those clients write.

A layout says which of the file's columns is which of ours; everything after that is the same for all of them. Pure
data, shared by the API (which checks what clients write) and the worker (which reads files by it).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from msgspec import Struct, convert, to_builtins

Kind = Literal["readings", "checks"]

#: Columns of a file of readings, in the order of the built-in layout ``plain``.
READING_COLUMNS = (
    "reference",
    "tool",
    "stage",
    "taken_at",
    "feature",
    "component",
    "position",
    "station",
    "orientation",
    "kind",
    "value",
    "trace",
    "unit",
    "gauge",
    "master",
    "setup",
    "readings_at_zero",
    "thermometer",
    "thermometer_u_c",
    "temperature_c",
    "reference_temperature_c",
    "inspector",
    "metres",
    "hours",
    "ground",
    "remeasures",
)
#: Columns of a file of check results, in the order of the built-in layout ``checks``.
CHECK_COLUMNS = ("reference", "tool", "stage", "taken_at", "inspector", "check", "result", "note")
#: A column of clients' layouts alone: the time of the day, where a file does not write it behind the day.
TIME_OF_DAY = "time_of_day"

REQUIRED = {
    "readings": ("reference", "tool", "taken_at", "feature"),
    "checks": ("reference", "tool", "taken_at", "check", "result"),
}
#: Of these a file of readings has one or both.
MEASURED = ("value", "trace")
#: May stand on one row of an inspection and be blank on the rest.
ONCE = ("thermometer", "thermometer_u_c", "inspector", "metres", "hours", "ground", "remeasures")

BUILT_IN_COLUMNS: Mapping[Kind, tuple[str, ...]] = {"readings": READING_COLUMNS, "checks": CHECK_COLUMNS}

DELIMITERS = (",", ";", "\t", "|")
ENCODINGS = ("utf-8", "utf-16", "cp1252", "latin-1")


class Layout(Struct, frozen=True, omit_defaults=True):
    """One layout, every field decided or ``auto``.

    Attributes
    ----------
    code, revision : str, int
        Its name; revision 0 is a built-in one.
    kind : str
        Whether its rows are readings or check results.
    delimiter, decimal, encoding : str
        As in the file, or ``auto``.
    header_row : int or None
        Physical line of the column names; None finds it.
    columns : mapping
        Our column -> theirs. A column of ours that is not named here has our name, or a constant.
    constants : mapping
        Our column -> the text of every row.
    feature_codes : mapping
        Their code -> ours (``part.feature``).
    timestamp : str or None
        strptime form of `taken_at`, with a blank before the time of day where that is a column of its own; None is
        RFC 3339.
    time_zone : str or None
        Of times without an offset.
    unit : str or None
        Of every row, unless a column of units or the header says it.
    strict : bool
        Whether a column that the layout does not know is a fault.
    """

    code: str
    revision: int = 0
    kind: Kind = "readings"
    delimiter: str = "auto"
    decimal: str = "auto"
    encoding: str = "auto"
    header_row: int | None = None
    columns: dict[str, str] = {}
    constants: dict[str, str] = {}
    feature_codes: dict[str, str] = {}
    timestamp: str | None = None
    time_zone: str | None = None
    unit: str | None = None
    strict: bool = False

    @property
    def our_columns(self) -> tuple[str, ...]:
        return BUILT_IN_COLUMNS[self.kind] if self.strict else columns_of(self.kind)

    def as_document(self) -> dict[str, Any]:
        """Return it as JSON says it (what is left to its default is not there)."""
        document: dict[str, Any] = to_builtins(self)
        return document


def columns_of(kind: Kind) -> tuple[str, ...]:
    """Return the columns that a client's layout may name."""
    return (*BUILT_IN_COLUMNS[kind], TIME_OF_DAY)


def from_document(document: Mapping[str, Any]) -> Layout:
    """Return a layout from what `Layout.as_document` made."""
    return convert(document, Layout)


def _built_in(code: str, kind: Kind) -> Layout:
    return Layout(code, 0, kind, delimiter=",", decimal=".", encoding="utf-8", header_row=1, strict=True)


BUILT_IN = {layout.code: layout for layout in (_built_in("plain", "readings"), _built_in("checks", "checks"))}
