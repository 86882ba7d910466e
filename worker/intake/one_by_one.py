"""Groups of a file that meet what is stored: an inspection that is there, components, one that is measured again.

They take the steps of an inspection posted by itself, in the file's transaction; what the store refuses becomes faults
of their rows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import msgspec
import numpy as np
from numpy.typing import NDArray

from service import canonical, faults
from service.canonical import Inspection, Reading
from service.inspection_check import Found, check_references, names_in
from service.store import bulk, inspection_changes, inspections
from service.store.bulk import NamedTool
from service.store.columns import to_time
from service.store.errors import Conflict
from service.store.gauge_exports import ClaimedExport
from service.store.inspections import Accepting
from service.store.pool import Connection
from service.store.sources import Source
from worker.intake.digests import check_results, digests
from worker.intake.file import File
from worker.intake.groups import Groups, number_said, one_group, said
from worker.intake.references import index_of, refuse
from worker.intake.rows import amounts_json
from worker.intake.sources import sources_of
from worker.intake.table import Table

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class One:
    """One group of a file by itself."""

    file: File
    groups: Groups  # of this group alone
    digest: bytes

    @property
    def rows(self) -> Ints:
        return self.groups.row

    @property
    def table(self) -> Table:
        return self.file.table

    @property
    def reference(self) -> str:
        return self.table.columns["reference"].words[self.groups.reference[0]]

    @property
    def tool(self) -> NamedTool:
        return self.file.references.tools[self.table.columns["tool"].words[self.groups.tool[0]]]

    @property
    def taken_at(self) -> datetime:
        moment = to_time(int(self.groups.taken_at[0]))
        assert moment is not None  # noqa: S101 - every row has a time
        return moment

    def once(self, name: str) -> str | None:
        """Return a text that it says once."""
        return said(self.table.columns.get(name), self._word(name))

    def _word(self, name: str) -> int:
        return int(self.groups.once[name][0]) if name in self.groups.once else -1


class Refusal(Exception):
    """A group has faults: of rows, or of all of it (row None), each with its column, code and message."""

    def __init__(self, found: list[tuple[int | None, str, str, str]]) -> None:
        super().__init__()
        self.found = found


def groups_of(table: Table, groups: Groups) -> set[int]:
    """Return the groups that name components, or an inspection measured again."""
    found: set[int] = set()
    if "component" in table.columns:
        named = table.columns["component"].index[groups.row] >= 0
        found |= set(np.unique(groups.of_row()[named]).tolist())
    if "remeasures" in groups.once:
        found |= set(np.flatnonzero(groups.once["remeasures"] >= 0).tolist())
    return found


def store_groups(conn: Connection, export: ClaimedExport, file: File, chosen: list[int], at: datetime) -> int:
    """Store groups in the order of time; return how many were stored.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds their tools.
    export : ClaimedExport
    file : File
        Faults of groups that were refused are added to it.
    chosen : list of int
    at : datetime
        The moment they are accepted at.
    """
    every = [One(file, one_group(file.table, file.groups.rows_of(group)), file.digest[group]) for group in chosen]
    every.sort(key=lambda one: (one.taken_at, int(one.groups.stage[0]), one.reference))
    return sum(_store_good_rows(conn, export, one, at) for one in every)


def _store_good_rows(conn: Connection, export: ClaimedExport, one: One, at: datetime) -> bool:
    """Store a group, without the rows that turn out to have faults; say whether anything was left."""
    while True:
        try:
            with conn.transaction():
                _store(conn, export, one, at)
            return True
        except Refusal as refusal:
            found = refusal.found
        except Conflict as conflict:
            found = [(None, *told(conflict), str(conflict))]
        for row, column, code, words in found:
            where = np.zeros(len(one.table.line), np.bool_)
            where[one.rows if row is None else row] = True
            one.file.faults += refuse(one.table, where, column, lambda _, code=code: code, words)  # type: ignore[misc]
        left = one.rows[~one.table.bad[one.rows]]
        if not len(left):
            return False
        fewer = one_group(one.table, left)
        one = One(one.file, fewer, digests(one.table, fewer)[0])


_COLUMNS = {"usage-without-time": "metres", "usage-overlap": "metres", "group-spread": "taken_at"}


def told(conflict: Conflict) -> tuple[str, str]:
    """Return the column and the code by which a refusal of the store is told of a row."""
    code = conflict.code if conflict.code in faults.CODES else "conflict"
    return _COLUMNS.get(code, "reference"), code


# ---------------------------------------------------------------- one group


def _store(conn: Connection, export: ClaimedExport, one: One, at: datetime) -> None:
    inspection = as_inspection(one)
    named = names_in(inspection)
    around = inspections.look_up(
        conn,
        tool=inspection.tool,
        reference=inspection.reference,
        stage=inspection.stage,
        taken_at=one.taken_at,
        gauges=named.gauges,
        masters=named.masters,
    )
    tool_type = one.file.references.types[around.tool_type_id]
    found, wrong = check_references(conn, inspection, one.taken_at, around, tool_type)
    if wrong:
        raise Refusal([_in_file(one, item) for item in wrong])
    source = _source(conn, export, one, found)
    bulk.ensure_years(conn, [one.taken_at.astimezone(UTC).year])
    held = Accepting(at, one.tool.tool_id, one.tool.site_id)
    if around.inspection_id is None:
        inspections.add_inspection(conn, held, around, source)
        return
    head = inspections.get_inspection(conn, around.inspection_id)
    assert head is not None  # noqa: S101 - just looked up, and its tool is held
    if export.on_existing == "add":
        inspection_changes.add_to_inspection(conn, held, head, source)
    else:
        inspection_changes.replace_inspection(conn, held, head, source, "replaced")


def _in_file(one: One, item: faults.Fault) -> tuple[int | None, str, str, str]:
    """Return where in the file a fault of the document stands."""
    steps = item.pointer.split("/")[1:]
    if steps[0] in ("readings", "checks"):
        return int(one.rows[int(steps[1])]), steps[2], item.code, item.message
    column = {"usage": "metres", "setups": "setup"}.get(steps[0], steps[0])
    return None, column, item.code, item.message


def as_inspection(one: One) -> Inspection:
    """Return a group as the document it would have been, without its lengths."""
    table, groups = one.table, one.groups
    usage = amounts_json(table, groups, 0)
    return Inspection(
        reference=one.reference,
        tool=one.tool.serial,
        taken_at="",
        stage=groups.stage_words()[0],  # type: ignore[arg-type]
        usage=None if usage is None else msgspec.json.decode(usage, type=list[canonical.Usage]),
        readings=_readings(table, one.rows) if "feature" in table.columns else None,
        checks=check_results(table, groups) if "check" in table.columns else None,
        remeasures=one.once("remeasures"),
    )


def _cells(table: Table, name: str, rows: Ints) -> list[str | None]:
    column = table.columns.get(name)
    return [said(column, word) for word in index_of(table, name)[rows].tolist()]


def _figures(table: Table, name: str, rows: Ints) -> list[float | None]:
    column = table.columns.get(name)
    return [number_said(column, word) for word in index_of(table, name)[rows].tolist()]


def _whole(numbers: list[float | None]) -> list[int | None]:
    return [None if number is None else int(number) for number in numbers]


def _readings(table: Table, rows: Ints) -> list[Reading]:
    columns = (
        _cells(table, "feature", rows),
        _figures(table, "value", rows),
        [kind or "size" for kind in _cells(table, "kind", rows)],
        _cells(table, "component", rows),
        _whole(_figures(table, "position", rows)),
        _whole(_figures(table, "station", rows)),
        _figures(table, "orientation", rows),
        [None] * len(rows),
        *(_cells(table, name, rows) for name in ("gauge", "master", "setup")),
        *(_figures(table, name, rows) for name in ("temperature_c", "reference_temperature_c")),
    )
    return [Reading(*cells) for cells in zip(*columns, strict=True)]


def _source(conn: Connection, export: ClaimedExport, one: One, found: Found) -> Source:
    (source,) = sources_of(conn, export, one.file, one.groups, [one.digest], _components(found))
    return replace(source, remeasures=one.once("remeasures"), remeasures_id=found.remeasures_id)


def _components(found: Found) -> dict[str, int]:
    return {serial: placed[0].component_id for serial, placed in found.components.items() if placed}
