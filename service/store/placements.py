"""Where components sit at the moment of an inspection, in the order in time in which things take effect there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql

#: Of what happens at one moment: a fitting posted by itself comes first.
_BY_ITSELF = ("", "", 0)


@dataclass(frozen=True, slots=True)
class Placement:
    """A component, and (with a position) a fitting of it in the tool that begins, holds or ends at the moment."""

    serial: str
    component_id: int
    part: str
    tool_type_id: int
    position: int | None
    since: datetime | None
    until: datetime | None
    put_by: UUID | None  # the inspection whose renewal it is
    put_stage: str | None
    put_reference: str | None
    ended_by: UUID | None
    ended_stage: str | None
    ended_reference: str | None


@dataclass(frozen=True, slots=True)
class Instant:
    """The readings of one inspection: when they were taken, before or after what else happened then."""

    at: datetime
    stage: str
    reference: str
    inspection_id: UUID | None  # whose own renewals do not count: they are about to be derived anew

    def order(self) -> tuple[str, str, int]:
        """Return where readings stand at their moment: before an as-found's renewals, after an as-left's."""
        return (self.stage, self.reference, int(self.stage == "as_left"))


def find_placements(conn: Connection[Any], tool_id: int, at: datetime, serials: Sequence[str]) -> list[Placement]:
    """Return components by their serials, each with its fittings in a tool at a moment; one without has one row."""
    parameters = {"tool_id": tool_id, "at": at, "serials": list(serials)}
    with conn.cursor(row_factory=class_row(Placement)) as cursor:
        return cursor.execute(sql("renewals/places"), parameters).fetchall()


def holds(placement: Placement, instant: Instant) -> bool:
    """Say whether a component sits where a fitting says when the readings are taken.

    Examples
    --------
    >>> from datetime import UTC
    >>> noon = datetime(2026, 3, 1, 12, tzinfo=UTC)
    >>> fitted = Placement("P-1", 1, "piston", 1, 1, noon, None, None, None, None, None, None, None)
    >>> holds(fitted, Instant(noon, "as_found", "WO-1", None))
    True
    """
    if placement.position is None or placement.since is None:
        return False
    own = instant.inspection_id
    if own is not None and placement.put_by == own:
        return False
    mine = instant.order()
    if placement.since == instant.at and _order(placement.put_stage, placement.put_reference) > mine:
        return False
    if placement.until is None or placement.until > instant.at:
        return True
    ended_by_own = own is not None and placement.ended_by == own
    return ended_by_own or _order(placement.ended_stage, placement.ended_reference) > mine


def _order(stage: str | None, reference: str | None) -> tuple[str, str, int]:
    """Return where a renewal takes effect at its moment."""
    if stage is None or reference is None:
        return _BY_ITSELF
    return (stage, reference, int(stage == "as_found"))
