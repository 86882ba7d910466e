"""Which component sat where and when: order in time, fittings, and who held a position (contract 2 and 3).

Order in time is (taken_at, as_found before as_left, reference). A fitting posted by itself acts before the
inspections of its moment; a renewal acts after the readings of its as-found inspection, before those of its as-left
one. A position that no fitting holds has an unnamed component, which begins where the fitting before it ended, or
with the tool.

Times are microseconds since 2000 UTC.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from service.store.assessment_inputs import FittingRow, InspectionRow, ToolRow
from service.store.columns import ALWAYS, NEVER, to_micros
from service.store.usage_record import first_day

Key = tuple[int, int, str, int]
"""Place in the order of events: time, 0 fitting / 1 as found / 2 as left, reference, place within the inspection."""

Place = tuple[str, int]
"""Part and position."""


@dataclass(frozen=True, slots=True)
class Stint:
    """One component in one position of one tool, from an event until another.

    `instance` is the component's id, or a negative number of its own for an unnamed one; `with_tool`: it came with
    the tool, without a fitting of its own.
    """

    number: int
    tool_id: int
    place: Place
    instance: int
    since: Key
    until_us: int
    with_tool: bool

    @property
    def since_us(self) -> int:
        """When it began, microseconds since 2000."""
        return self.since[0]


def reading_key(inspection: InspectionRow) -> Key:
    """Place of an inspection's readings in the order of events."""
    if inspection.stage == "as_found":
        return to_micros(inspection.taken_at), 1, inspection.reference, 0
    return to_micros(inspection.taken_at), 2, inspection.reference, 1


def _fitting_key(fitting: FittingRow, inspections: Mapping[UUID, InspectionRow]) -> Key:
    since = to_micros(fitting.since)
    cause = inspections.get(fitting.inspection_id) if fitting.inspection_id else None
    if cause is None:
        return since, 0, "", 0
    return (since, 1, cause.reference, 1) if cause.stage == "as_found" else (since, 2, cause.reference, 0)


@dataclass(slots=True)
class Timeline:
    """The stints of a batch of tools, and of their components elsewhere."""

    stints: list[Stint] = field(default_factory=list)
    by_place: dict[tuple[int, Place], list[Stint]] = field(default_factory=dict)
    of_component: dict[int, list[Stint]] = field(default_factory=dict)
    born: dict[int, int] = field(default_factory=dict)
    first_fitting: dict[int, int] = field(default_factory=dict)
    changes: dict[int, list[int]] = field(default_factory=dict)  # of each tool: when something was put in or out

    def occupants(self, tool_id: int, place: Place) -> list[Stint]:
        """The stints at one place of a tool in order; the first begins with the tool."""
        held = self.by_place.get((tool_id, place))
        if held is None:
            self.add_place(tool_id, place, ())
            held = self.by_place[tool_id, place]
        return held

    def occupant(self, tool_id: int, place: Place, key: Key) -> Stint:
        """Who held a place when an event took place."""
        held = self.occupants(tool_id, place)
        return held[max(bisect_left(held, key, key=lambda stint: stint.since) - 1, 0)]

    def add_place(self, tool_id: int, place: Place, fittings: Sequence[tuple[Key, FittingRow]]) -> None:
        """Lay down the stints of one place from its fittings, in order."""
        begun: Key = (self.born.get(tool_id, ALWAYS), 0, "", 0)
        held: list[Stint] = []
        free_from: Key | None = begun
        for n, (key, fitting) in enumerate(fittings):
            if free_from is not None and free_from < key:
                held.append(self._add(tool_id, place, None, free_from, key[0], with_tool=n == 0))
            until = to_micros(fitting.until, NEVER)
            held.append(self._add(tool_id, place, fitting.component_id, key, until))
            follows = n + 1 < len(fittings) and fittings[n + 1][0][0] <= until
            free_from = None if follows else (until, 0, "", 0)
        if free_from is not None and free_from[0] != NEVER:
            held.append(self._add(tool_id, place, None, free_from, NEVER, with_tool=not fittings))
        self.by_place[tool_id, place] = held

    def _add(
        self, tool_id: int, place: Place, component: int | None, since: Key, until_us: int, with_tool: bool = False
    ) -> Stint:
        # an unnamed component's own number follows from its stint's, which nobody else has
        instance = -1 - len(self.stints) if component is None else component
        stint = Stint(len(self.stints), tool_id, place, instance, since, until_us, with_tool)
        self.stints.append(stint)
        if component is not None:
            self.of_component.setdefault(component, []).append(stint)
        return stint


def lay_out(tools: Iterable[ToolRow], fittings: Iterable[FittingRow], inspections: Iterable[InspectionRow]) -> Timeline:
    """Lay down every stint of some tools.

    Parameters
    ----------
    tools, fittings, inspections : iterables
        Rows of the store; fittings in other tools belong to components that were in one of these.
    """
    timeline = Timeline()
    for tool in tools:
        timeline.born[tool.tool_id] = first_day(tool.commissioned_on, tool.time_zone)[0]
    by_id = {row.inspection_id: row for row in inspections}
    for one in by_id.values():  # measured before its day of commissioning: it was there already
        timeline.born[one.tool_id] = min(timeline.born[one.tool_id], to_micros(one.taken_at))
    places: dict[tuple[int, Place], list[tuple[Key, FittingRow]]] = {}
    for row in fittings:
        place = (row.tool_id, (row.part, row.position))
        begun = to_micros(row.since)
        timeline.changes.setdefault(row.tool_id, []).extend((begun, to_micros(row.until, NEVER)))
        timeline.first_fitting[row.tool_id] = min(timeline.first_fitting.get(row.tool_id, begun), begun)
        places.setdefault(place, []).append((_fitting_key(row, by_id), row))
    for (tool_id, at), entries in places.items():
        entries.sort(key=lambda pair: pair[0])
        timeline.add_place(tool_id, at, entries)
    for stints in timeline.of_component.values():
        stints.sort(key=lambda stint: stint.since)
    return timeline
