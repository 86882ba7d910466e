"""Sources of inspections: what one document, or one file's group of rows, says.

An inspection keeps its sources; `service.store.joining` makes one inspection of several.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql


class ReadingRow(
    msgspec.Struct,
    omit_defaults=True,
    gc=False,
    rename={
        "source": "q",
        "feature_id": "f",
        "position": "p",
        "component_id": "c",
        "station": "s",
        "orientation": "o",
        "kind": "k",
        "value": "v",
        "trace": "t",
        "sent": "x",
        "sent_unit": "u",
        "gauge_id": "g",
        "master_id": "m",
        "setup": "z",
        "temperature_c": "a",
        "reference_temperature_c": "b",
    },
):
    """One row of the table of readings, lengths in mm; the short names are those of the statements that store it."""

    source: int
    feature_id: int
    position: int | None = None
    component_id: int | None = None
    station: int | None = None
    orientation: float | None = None
    kind: int = 0  # size; 1 deviation, 2 trace
    value: float | None = None
    trace: list[float] | None = None
    sent: float | None = None  # the figure as sent, where it was not in mm
    sent_unit: str | None = None
    gauge_id: int | None = None
    master_id: int | None = None
    setup: str | None = None
    temperature_c: float | None = None
    reference_temperature_c: float | None = None

    def key(self) -> Hashable:
        """Return what makes it equal to another reading: every field, whatever unit and source it came by."""
        return (
            self.feature_id,
            self.position,
            self.component_id,
            self.station,
            self.orientation,
            self.kind,
            self.value,
            None if self.trace is None else tuple(self.trace),
            self.gauge_id,
            self.master_id,
            self.setup,
            self.temperature_c,
            self.reference_temperature_c,
        )


class CheckRow(msgspec.Struct, gc=False):
    """A check answered, as one of an inspection's sources has it."""

    source: int
    check: str
    result: str
    note: str | None = None


class RenewalRow(msgspec.Struct, gc=False):
    """A part renewed, as one of an inspection's sources has it."""

    source: int
    part: str
    position: int
    component: str | None
    removed_to: str
    component_id: int | None = None
    reason: str | None = None


class ReversalRow(msgspec.Struct, gc=False):
    """A part turned end for end, as one of an inspection's sources has it."""

    source: int
    part: str
    position: int


class SetupRow(msgspec.Struct, gc=False):
    """A gauge set on its master, as one of an inspection's sources has it."""

    source: int
    setup: str
    gauge: str | None
    master: str | None
    readings_at_zero: int
    return_reading: float | None = None


class Content(msgspec.Struct, omit_defaults=True, gc=False):
    """What joins when sources become one inspection."""

    readings: list[ReadingRow] = []
    checks: list[CheckRow] = []
    renewals: list[RenewalRow] = []
    setups: list[SetupRow] = []
    reversals: list[ReversalRow] = []


Amounts = list[dict[str, Any]]  # [{metres, hours, ground: {class: share} or None}]


@dataclass(frozen=True, slots=True)
class Source:
    """A checked source of one inspection, its references resolved."""

    reference: str
    stage: str
    taken_at: datetime
    digest: bytes  # of its canonical form
    content: Content
    inspector: str | None = None
    thermometer: str | None = None
    thermometer_u_c: float | None = None
    usage: Amounts | None = None
    remeasures: str | None = None  # the reference of the inspection measured again
    remeasures_id: UUID | None = None
    final: bool = False
    export_id: UUID | None = None


@dataclass(frozen=True, slots=True)
class StoredSource:
    """A source as an inspection keeps it."""

    source: int
    digest: bytes
    from_version: int
    until_version: int | None
    export_id: UUID | None
    taken_at: datetime
    inspector: str | None
    thermometer: str | None
    thermometer_u_c: float | None
    remeasures: str | None
    final: bool
    usage: Amounts | None
    held_back: dict[str, Any] | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Header:
    """What an inspection has once, whichever of its sources says it."""

    taken_at: datetime
    usage: Amounts | None
    remeasures: str | None
    final: bool


def sources_in_force(
    conn: Connection[Any], inspection_id: UUID, inspection_version: int | None = None
) -> list[StoredSource]:
    """Return the present sources of an inspection, or those of one of its versions, in the order they came."""
    parameters = {"inspection_id": inspection_id, "inspection_version": inspection_version}
    with conn.cursor(row_factory=class_row(StoredSource)) as cursor:
        return cursor.execute(sql("sources/in_force"), parameters).fetchall()


def add_source(
    conn: Connection[Any],
    inspection_id: UUID,
    inspection_version: int,
    source: Source,
    held_back: Content | None,
) -> None:
    """Keep a source from a version of its inspection on; its number is that of its content's rows."""
    parameters = {
        "inspection_id": inspection_id,
        "source": number_of(source.content),
        "digest": source.digest,
        "from_version": inspection_version,
        "export_id": source.export_id,
        "taken_at": source.taken_at,
        "inspector": source.inspector,
        "thermometer": source.thermometer,
        "thermometer_u_c": source.thermometer_u_c,
        "remeasures": source.remeasures,
        "final": source.final,
        "usage": encoded(source.usage),
        "held_back": encoded(held_back),
    }
    conn.execute(sql("sources/add"), parameters)


def next_number(conn: Connection[Any], inspection_id: UUID) -> int:
    """Return the number the next source of an inspection gets; numbers are never used again."""
    row = conn.execute(sql("sources/next_number"), {"inspection_id": inspection_id}).fetchone()
    return 1 if row is None else int(row[0])


def end_sources(conn: Connection[Any], inspection_id: UUID, numbers: Iterable[int], until_version: int) -> None:
    """Say that sources no longer hold from a version on."""
    parameters = {"inspection_id": inspection_id, "sources": list(numbers), "until_version": until_version}
    conn.execute(sql("sources/end"), parameters)


def hold_back(conn: Connection[Any], inspection_id: UUID, number: int, content: Content | None) -> None:
    """Keep what a source said that another one had said already."""
    parameters = {"inspection_id": inspection_id, "source": number, "held_back": encoded(content)}
    conn.execute(sql("sources/hold_back"), parameters)


def encoded(value: Any) -> str | None:
    """Return a value as JSON text for a ``jsonb`` placeholder; None stays NULL."""
    return None if value is None else msgspec.json.encode(value).decode()


def number_of(content: Content) -> int:
    """Return the source number its rows carry (those of a source not yet stored carry 1)."""
    for rows in (content.readings, content.checks, content.renewals, content.setups, content.reversals):
        if rows:
            return rows[0].source
    return 1


def numbered(source: Source, number: int) -> Source:
    """Return a source whose rows carry a number."""
    content = source.content
    for rows in (content.readings, content.checks, content.renewals, content.setups):
        for row in rows:
            row.source = number
    return replace(source, content=content)
