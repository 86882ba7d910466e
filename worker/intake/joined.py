"""Groups of a file that meet inspections which are there already, many at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from uuid import UUID

import numpy as np

from service.store.bulk import Existing
from service.store.gauge_exports import ClaimedExport
from service.store.many_changes import Make, MakeMany, change_many, join, replace
from service.store.pool import Connection
from worker.intake import one_by_one
from worker.intake.file import File
from worker.intake.groups import refuse_groups
from worker.intake.sources import sources_of


def store_joined(
    conn: Connection,
    export: ClaimedExport,
    file: File,
    existing: dict[int, Existing],
    chosen: Sequence[int],
    at: datetime,
    shown: Callable[[int], None],
) -> tuple[int, list[int]]:
    """Store groups as further sources of their inspections, or as the only ones.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds their tools.
    export : ClaimedExport
    file : File
        Faults of groups that were refused are added to it.
    existing : dict
        Group -> its inspection.
    chosen : sequence of int
        Groups that name no component and measure nothing again.
    at : datetime
        The moment they are accepted at.
    shown : callable
        Told how many rows are done.

    Returns
    -------
    int
        How many were stored.
    list of int
        Groups to be stored one by one.
    """
    places = np.array(chosen, np.int64)
    places = places[np.lexsort((file.groups.taken_at[places], file.tool_ids[places]))]
    group_of = {existing[group].inspection_id: group for group in places.tolist()}
    ends = dict(zip(group_of, np.cumsum(np.diff(file.groups.start)[places]).tolist(), strict=True))
    makers = _makers(conn, export, file, group_of)

    def told(inspection_ids: Sequence[UUID]) -> Make:
        shown(max((ends[inspection_id] for inspection_id in inspection_ids), default=0))
        return makers(inspection_ids)

    cause = "added" if export.on_existing == "add" else "replaced"
    changed, refused = change_many(conn, list(group_of), told, cause, at)
    why = {}
    for inspection_id, conflict in refused.items():
        column, code = one_by_one.told(conflict)
        why[group_of[inspection_id]] = (column, code, str(conflict))
    file.faults += refuse_groups(file.table, file.groups, dict(sorted(why.items())))
    settled = changed | refused.keys()
    return len(changed), sorted(group for inspection_id, group in group_of.items() if inspection_id not in settled)


def _makers(conn: Connection, export: ClaimedExport, file: File, group_of: dict[UUID, int]) -> MakeMany:
    change = join if export.on_existing == "add" else replace

    def makers(inspection_ids: Sequence[UUID]) -> Make:
        some = np.array([group_of[inspection_id] for inspection_id in inspection_ids], np.int64)
        digests = [file.digest[group] for group in some.tolist()]
        made = sources_of(conn, export, file, file.groups.only(some), digests, {})
        sources = dict(zip(inspection_ids, made, strict=True))
        return lambda stored: change(stored, sources[stored.inspection_id])

    return makers
