"""The inspection that another one measures again, and what happened between the two."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row

from service.store.placements import Instant
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Remeasured:
    """An earlier inspection of the same tool and stage."""

    inspection_id: UUID
    taken_at: datetime
    features: list[str]  # part.feature of what it measured


@dataclass(frozen=True, slots=True)
class Event:
    """Usage recorded, or a component put in, taken out or reversed."""

    what: str  # usage, fitting, removal or reversal
    part: str | None
    at: datetime | None
    inspection_id: UUID | None
    stage: str | None
    reference: str | None


def find_remeasured(conn: Connection[Any], tool_id: int, reference: str, stage: str) -> Remeasured | None:
    """Return the inspection in force with this reference and stage; None where there is none."""
    parameters = {"tool_id": tool_id, "remeasures": reference, "stage": stage}
    with conn.cursor(row_factory=class_row(Remeasured)) as cursor:
        return cursor.execute(sql("inspections/remeasured"), parameters).fetchone()


def events_between(
    conn: Connection[Any], tool_id: int, first: Instant, second: Instant, except_id: UUID | None
) -> list[Event]:
    """Return what happened to a tool after the readings of one inspection and before those of another.

    Parameters
    ----------
    conn : Connection
    tool_id : int
    first, second : Instant
    except_id : UUID or None
        The second inspection, where it is stored already: what it brought itself does not count.
    """
    parameters = {"tool_id": tool_id, "since": first.at, "until": second.at, "except_id": except_id}
    with conn.cursor(row_factory=class_row(Event)) as cursor:
        found = cursor.execute(sql("inspections/between"), parameters).fetchall()
    return [event for event in found if event.what == "usage" or _between(event, first, second)]


def _between(event: Event, first: Instant, second: Instant) -> bool:
    by_itself = event.stage is None or event.reference is None
    order = ("", "", 0) if by_itself else (str(event.stage), str(event.reference), int(event.stage == "as_found"))
    after = event.at != first.at or order > first.order()
    before = event.at != second.at or order < second.order()
    return after and before
