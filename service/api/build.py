"""What a tool is made of at a moment, and what each component has run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import marshmallow as ma

from service.access import requires
from service.api import fields
from service.api.answers import Answer, answer
from service.api.assessment_document import TypeRevision
from service.api.blueprint import Blueprint, asks, gives
from service.api.schema import Document
from service.api.tools import find_tool
from service.catalogue import ToolType
from service.store import fittings as store
from service.store.fittings import ComponentStint, Stint
from service.store.odometers import NOTHING, Odometer, Run, load_odometers
from service.store.pool import Connection, transaction
from service.store.tools import Tool, get_type_of_tool

blueprint = Blueprint("build", url_prefix="/v1/tools/<tool>/build", description="The components in a tool at a moment")


class Ran(Document):
    """What something ran; null where part of it was recorded in the other quantity only."""

    metres = fields.Number()
    hours = fields.Number()
    effective = fields.Number(metadata={"description": "In the life basis, weighted by ground"})
    usage_known = fields.Flag(
        required=True,
        metadata={
            "description": "false: it came used, or no usage is on record between two inspections (the first: put in)"
        },
    )


class Occupant(Ran):
    """One position of one part, and what holds it: `component` null is one without a serial."""

    part = fields.Name(required=True)
    position = fields.Count(low=1, required=True)
    component = fields.Name()
    set = fields.Name()
    fitting = ma.fields.UUID(allow_none=True, metadata={"description": "null: it was never fitted by name"})
    since = fields.Moment(data_key="from", metadata={"description": "null: since the tool's start"})


class BuildAnswer(Document):
    """A tool's components at a moment."""

    tool = fields.Name(required=True)
    tool_type = fields.Inner(TypeRevision, required=True)
    at = fields.Moment(required=True)
    basis = fields.Choice(("metres", "hours"), required=True)
    components = fields.ListOf(fields.Inner(Occupant), required=True)


class BuildQuery(Document):
    """When."""

    at = fields.Moment(past=True, metadata={"description": "Default: now"})


@dataclass(frozen=True, slots=True)
class _Place:
    """A position and what holds it."""

    part: str
    position: int
    stint: Stint | None  # None: an unnamed component
    since: datetime | None  # None: since the tool's start


@blueprint.get("")
@requires("read", "catalogue")
@asks(BuildQuery)
@gives(200, BuildAnswer)
def get_build(tool: str, query: dict[str, Any]) -> Answer:
    """Return the components in a tool at a moment, each with what it has run."""
    at = query.get("at") or datetime.now(UTC)
    with transaction() as conn:
        return answer(build_at(conn, find_tool(conn, tool), at))


def build_at(conn: Connection, tool: Tool, at: datetime, until: datetime | None = None) -> dict[str, Any]:
    """Return a tool's components at a moment as documents have them, with what they have run `until` then or later."""
    tool_type = get_type_of_tool(conn, tool.tool_id)
    assert tool_type is not None  # noqa: S101  a tool has a type, and a type a revision
    until = until or at
    places = list(_places(tool_type, store.stints_of_tool(conn, tool.tool_id, at), at))
    serialised = [p.stint.component_id for p in places if p.stint and p.stint.component_id is not None]
    histories = store.stints_of_components(conn, serialised, at)
    odometers = load_odometers(conn, sorted({tool.tool_id, *(h.tool_id for h in histories)}), until)
    runs: dict[int, Run] = {}
    for stint in histories:
        run = run_of(stint, odometers[stint.tool_id], until)
        runs[stint.component_id] = runs.get(stint.component_id, NOTHING) + run
    odometer = odometers[tool.tool_id]
    return {
        "tool": tool.serial,
        "tool_type": {"code": tool_type.code, "revision": tool_type.revision},
        "at": at,
        "basis": tool_type.life_basis,
        "components": [_occupant(place, _run(place, runs, odometer, tool, until), odometer) for place in places],
    }


def _places(tool_type: ToolType, stints: list[Stint], at: datetime) -> Iterator[_Place]:
    """Yield every position of every part: what is fitted there, else an unnamed component.

    An unnamed one begins where the fitting before it ended, else with the tool.
    """
    last = {(stint.part, stint.position): stint for stint in stints}  # the latest of each position
    for part in tool_type.parts:
        for position in range(1, part.quantity + 1):
            stint = last.get((part.code, position))
            if stint is None:
                yield _Place(part.code, position, None, None)
            elif stint.until is None or stint.until > at:
                yield _Place(part.code, position, stint, stint.since)
            else:
                yield _Place(part.code, position, None, stint.until)


def _run(place: _Place, runs: Mapping[int, Run], odometer: Odometer, tool: Tool, until: datetime) -> Run:
    """What the component in a place has run; of one that came with a tool bought used, nobody knows all."""
    if place.stint is not None and place.stint.component_id is not None:
        return runs[place.stint.component_id]
    run = odometer.run(place.since or odometer.begun, until)
    return replace(run, known=run.known and not (place.since is None and tool.history == "unknown"))


def _occupant(place: _Place, run: Run, odometer: Odometer) -> dict[str, Any]:
    stint = place.stint
    fitting: UUID | None = stint.fitting_id if stint else None
    return {
        "part": place.part,
        "position": place.position,
        "component": stint.component if stint else None,
        "set": stint.set_code if stint else None,
        "fitting": fitting,
        "from": place.since or odometer.begun,
        **show_run(run),
    }


def run_of(stint: ComponentStint, odometer: Odometer, at: datetime) -> Run:
    """Return what a component ran in one of its tools up to a moment."""
    if stint.until is None or stint.until > at:
        return odometer.run(stint.since, at)
    return odometer.run(stint.since, stint.until, ended=True)


def show_run(run: Run) -> dict[str, Any]:
    """Return what was run as documents have it."""
    return {
        "metres": run.metres,
        "hours": run.hours,
        "effective": run.effective,
        "usage_known": run.known,
    }
