"""One digest of all that an assessment is computed from: the same inputs write no new version (house, "The tables").

Inputs are named, not copied, where the name fixes them: reference data is append-only and judged by time, so an
inspection's version and its ``inputs_as_of`` stand for its readings, gauges and certificates. What is derived in the
order of time (who sat where, what was run, what was measured before) is told over up to the inspection.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

import orjson

from service.store.assessment_inputs import UsageRow
from service.store.columns import to_micros
from worker.group import STATUS, Group
from worker.timeline import Stint

METHOD = "1.1"
"""Version of the method; a change of it that changes figures is a change of every digest."""


def digests(group: Group, rates: Mapping[int, list[tuple[int, bool]]]) -> dict[int, bytes]:
    """Digest of the inputs of each inspection that a group computes, by its row of `Batch.inspections`.

    Parameters
    ----------
    group : Group
    rates : mapping
        Which entries of the ledger an inspection's rates were compared with: that hangs on parts long gone.
    """
    found: dict[int, bytes] = {}
    wanted = set(group.compute)
    for tool_id in group.tools:
        found |= _of_tool(group, tool_id, wanted, rates)
    return found


def _of_tool(
    group: Group, tool_id: int, wanted: set[int], rates: Mapping[int, list[tuple[int, bool]]]
) -> dict[int, bytes]:
    batch, rows = group.batch, group.rows
    tool = batch.tools[tool_id]
    usage = list(batch.usage.get(tool_id, ()))
    told = hashlib.sha256()
    _tell(told, METHOD, tool.tool_type, tool.history, tool.air_setting, str(tool.commissioned_on), tool.time_zone)
    found = {}
    spent = 0
    for n in batch.of_tool.get(tool_id, ()):
        row = group.row_of.get(n)
        if row is None or rows.inspection[row] == STATUS:
            continue
        moment = int(rows.moment[row])
        while spent < len(usage) and to_micros(usage[spent].since) < moment:
            _tell(told, *_usage(usage[spent]))
            spent += 1
        _tell(told, *_inspection(group, n))
        if n in wanted:
            own = told.copy()
            _tell(own, group.layout.type.revision, group.version, *_seats(group, row))
            _tell(own, batch.site_ground.get((tool_id, str(batch.inspections[n].inspection_id))), rates.get(n))
            found[n] = own.digest()
    return found


def _tell(told: Any, *things: object) -> None:
    told.update(orjson.dumps(things, option=orjson.OPT_SORT_KEYS))


def _usage(row: UsageRow) -> Iterable[object]:
    return "usage", to_micros(row.since), to_micros(row.until), row.amounts, row.rate_m_h, row.pressure_bar


def _inspection(group: Group, n: int) -> Iterable[object]:
    """What stands for everything measured in an inspection."""
    row, basis = group.batch.inspections[n], group.batch.basis[n]
    as_of = to_micros(basis.as_of)
    return "inspection", row.inspection_id, row.inspection_version, as_of, basis.revision, to_micros(row.taken_at)


def _seats(group: Group, row: int) -> Iterable[object]:
    """Who sat in each place since when, and where else a named one has been."""
    for number in group.rows.held[row].tolist():
        stint = group.stint(number)
        yield from _stint(stint)
        if stint.instance > 0:
            for other in group.batch.timeline.of_component[stint.instance]:
                if other.since < stint.since:
                    usage, known = group.mileage.during(other, other.until_us)
                    yield (other.tool_id, other.since, other.until_us, usage, known)
                    yield [list(_inspection(group, n)) for n in _inspections_during(group, other)]


def _stint(stint: Stint) -> Iterable[object]:
    # an unnamed component's number is this batch's own
    yield (max(stint.instance, 0), stint.since, stint.with_tool)


def _inspections_during(group: Group, stint: Stint) -> list[int]:
    """Inspections of another tool while the component sat in it; of the same tool they are told already."""
    return [
        n
        for n in group.batch.of_tool.get(stint.tool_id, ())
        if stint.since_us <= to_micros(group.batch.inspections[n].taken_at) <= stint.until_us
    ]
