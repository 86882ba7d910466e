"""Fittings derived from the renewals of inspections.

A renewal ends the fitting that holds its position then and lasts until that fitting's end; undone, it gives the time
back. `removed_to` of a fitting is set where it ended another one, so that undoing knows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row

from service.store.errors import Conflict
from service.store.sources import RenewalRow
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Moment:
    """The inspection whose renewals take effect."""

    tool_id: int
    inspection_id: UUID
    taken_at: datetime


@dataclass(frozen=True, slots=True)
class PutIn:
    """A fitting that a renewal made."""

    fitting_id: UUID
    part: str
    position: int
    component_id: int | None
    component: str | None
    since: datetime
    until: datetime | None
    removed_to: str | None


@dataclass(frozen=True, slots=True)
class _Holder:
    fitting_id: UUID | None
    component_id: int | None
    component: str | None
    since: datetime | None
    until: datetime | None
    inspection_id: UUID | None
    next_from: datetime | None


def component_ids(conn: Connection[Any], parts: Mapping[str, str], tool_type_id: int, site_id: int) -> dict[str, int]:
    """Return the ids of the components that renewals name; those unknown are created, and all are held.

    Parameters
    ----------
    conn : Connection
    parts : mapping
        Serial -> part.
    tool_type_id, site_id : int
        Of the tool: what a new component belongs to.

    Raises
    ------
    Conflict
        Code ``wrong-part``: a component of that serial is another part, or belongs to another tool type.
    """
    if not parts:
        return {}
    for serial in sorted(parts):
        parameters = {
            "serial": serial,
            "part": parts[serial],
            "tool_type_id": tool_type_id,
            "site_id": site_id,
        }
        conn.execute(sql("renewals/create_component"), parameters)
    found = conn.execute(sql("renewals/lock_components"), {"serials": list(parts)}).fetchall()
    for _, serial, part, of_type in found:
        if part != parts[serial] or of_type != tool_type_id:
            raise Conflict("wrong-part", f"component {serial} is not a {parts[serial]} of this tool type")
    return {serial: component_id for component_id, serial, _, _ in found}


def settle(conn: Connection[Any], moment: Moment, renewals: Sequence[RenewalRow], *, remeasured: bool) -> list[int]:
    """Make the fittings of an inspection those of its present renewals.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds the tool.
    moment : Moment
    renewals : sequence of RenewalRow
        With the ids of their components; none of a position twice; empty for an inspection that is withdrawn.
    remeasured : bool
        Whether an inspection in force measures this one again.

    Returns
    -------
    list of int
        Components whose place changed.

    Raises
    ------
    Conflict
        Codes ``component-named`` (something later names a component that would go), ``component-fitted`` (it sits
        elsewhere then) and ``position-taken`` (another fitting begins there at the same moment).
    """
    before = _put_in(conn, moment.inspection_id)
    wanted = {(r.part, r.position): r for r in renewals}
    kept = {
        (b.part, b.position)
        for b in before
        if b.since == moment.taken_at and _same(b, wanted.get((b.part, b.position)))
    }
    gone = [b for b in before if (b.part, b.position) not in kept]
    conn.execute("SET CONSTRAINTS fittings_one_per_position, fittings_one_place DEFERRED")
    touched = {b.component_id for b in gone}
    for fitting in gone:
        _check_not_named(conn, moment, fitting, renewals, remeasured=remeasured)
        touched.add(_take_back(conn, fitting))
    for key, renewal in wanted.items():
        touched |= _change_destination(conn, moment, before, renewal) if key in kept else _put(conn, moment, renewal)
    components = sorted(component_id for component_id in touched if component_id is not None)
    if components:
        conn.execute(sql("renewals/derive_states"), {"component_ids": components})
    return components


def _put_in(conn: Connection[Any], inspection_id: UUID) -> list[PutIn]:
    with conn.cursor(row_factory=class_row(PutIn)) as cursor:
        return cursor.execute(sql("renewals/of_inspection"), {"inspection_id": inspection_id}).fetchall()


def _same(fitting: PutIn, renewal: RenewalRow | None) -> bool:
    return renewal is not None and fitting.component_id == renewal.component_id


def _change_destination(
    conn: Connection[Any], moment: Moment, before: Sequence[PutIn], renewal: RenewalRow
) -> set[int | None]:
    for fitting in before:
        if (fitting.part, fitting.position) == (renewal.part, renewal.position):
            if fitting.removed_to in (None, renewal.removed_to):
                break
            parameters = {"fitting_id": fitting.fitting_id, "removed_to": renewal.removed_to}
            conn.execute(sql("renewals/set_removed_to"), parameters)
            place = {"tool_id": moment.tool_id, "part": renewal.part, "position": renewal.position}
            row = conn.execute(sql("renewals/predecessor"), place | {"at": fitting.since}).fetchone()
            return set() if row is None else {row[0]}
    return set()


def _take_back(conn: Connection[Any], fitting: PutIn) -> int | None:
    """Undo a fitting; return the component that goes on in its place."""
    row = conn.execute(sql("renewals/take_back"), {"fitting_id": fitting.fitting_id}).fetchone()
    return None if row is None else row[0]


def _put(conn: Connection[Any], moment: Moment, renewal: RenewalRow) -> set[int | None]:
    place = {"tool_id": moment.tool_id, "part": renewal.part, "position": renewal.position}
    with conn.cursor(row_factory=class_row(_Holder)) as cursor:
        holder = cursor.execute(sql("renewals/holder"), place | {"at": moment.taken_at}).fetchone()
    assert holder is not None  # noqa: S101 - the statement always has a row
    if holder.since == moment.taken_at:
        raise Conflict(
            "position-taken",
            f"another component begins at {renewal.part} {renewal.position} at the same moment",
            fitting={"id": str(holder.fitting_id), "component": holder.component, "from": holder.since},
        )
    until = holder.next_from if holder.fitting_id is None else holder.until
    component_id = renewal.component_id
    if component_id is not None:
        _check_free(conn, renewal, component_id, moment.taken_at, until)
    if holder.fitting_id is not None:
        parameters = {"fitting_id": holder.fitting_id, "until": moment.taken_at}
        conn.execute(sql("renewals/end_fitting"), parameters)
    fitting = {
        "component_id": component_id,
        "since": moment.taken_at,
        "until": until,
        "inspection_id": moment.inspection_id,
        "removed_to": None if holder.fitting_id is None else renewal.removed_to,
    }
    conn.execute(sql("renewals/put_in"), place | fitting)
    return {component_id, holder.component_id}


def _check_free(
    conn: Connection[Any], renewal: RenewalRow, component_id: int, since: datetime, until: datetime | None
) -> None:
    parameters = {"component_id": component_id, "since": since, "until": until}
    row = conn.execute(sql("renewals/elsewhere"), parameters).fetchone()
    if row is None:
        return
    fitting_id, tool, part, position, starts, ends = row
    raise Conflict(
        "component-fitted",
        f"component {renewal.component} sits in {tool}, {part} {position}",
        fitting={
            "id": str(fitting_id),
            "tool": tool,
            "part": part,
            "position": position,
            "from": starts,
            "until": ends,
        },
    )


def _check_not_named(
    conn: Connection[Any], moment: Moment, fitting: PutIn, renewals: Sequence[RenewalRow], *, remeasured: bool
) -> None:
    """Refuse to undo a fitting where something later names its component; one that only moves keeps its readings."""
    if fitting.component_id is None:
        return
    stays = any(
        r.component_id == fitting.component_id and r.part == fitting.part and r.position == fitting.position
        for r in renewals
    )
    until = moment.taken_at if stays else None
    parameters = {
        "tool_id": moment.tool_id,
        "component_id": fitting.component_id,
        "inspection_id": moment.inspection_id,
        "since": fitting.since,
        "until": until,
    }
    named: list[dict[str, Any]] = []
    if not stays:
        for row in conn.execute(sql("renewals/naming_fittings"), parameters).fetchall():
            named.append(dict(zip(("fitting", "tool", "part", "position", "from", "inspection"), row[:6], strict=True)))
    if until is None or until > fitting.since:
        for row in conn.execute(sql("renewals/naming_readings"), parameters).fetchall():
            named.append(dict(zip(("inspection", "reference", "stage", "taken_at"), row, strict=True)))
    if named or (remeasured and not stays):
        raise Conflict(
            "component-named",
            f"component {fitting.component}, which this inspection put in, is named by what came later",
            component=fitting.component,
            named_by=named,
        )
