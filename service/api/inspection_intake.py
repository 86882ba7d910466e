"""Accepting an inspection, whichever route it came by: read, looked up, refused with all its faults, or stored."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, TypeVar
from uuid import UUID

from service import access, canonical
from service.api.inspection_source import Checked, is_open, resolved
from service.api.reading_check import Sent, read_inspection
from service.canonical import Inspection
from service.catalogue import ToolType
from service.faults import Fault, fault
from service.inspection_check import Named, check_references, names_in
from service.problems import Refused
from service.store import inspection_changes as changes
from service.store import inspections as store
from service.store.errors import Conflict, NotFound
from service.store.inspections import Accepting, Surroundings
from service.store.pool import Connection, each_by_itself, is_idle
from service.store.tools import get_type_of_tool

ON_EXISTING = ("refuse", "add", "replace")
Result = TypeVar("Result")

_types: dict[tuple[int, int], ToolType] = {}  # a revision never changes
_tools: dict[str, Surroundings] = {}  # as last looked up, true or not: what is stored by them checks them
_gauges: dict[str, tuple[int, int]] = {}  # (writes of reference data when it was looked up, id)
_masters: dict[str, tuple[int, int]] = {}
MAX_REMEMBERED = 50_000


def forget() -> None:
    """Drop what is remembered: another database stands behind the process."""
    for remembered in (_types, _tools, _gauges, _masters):
        remembered.clear()


@dataclass(frozen=True, slots=True)
class Accepted:
    """An inspection as it stands after a document was accepted."""

    inspection_id: UUID
    inspection_version: int
    state: str
    changed: bool  # False: this source was there already
    tool: str
    reference: str
    stage: str

    def as_document(self) -> dict[str, Any]:
        """Return what the client is told at once."""
        return {
            "id": str(self.inspection_id),
            "state": self.state,
            "tool": self.tool,
            "reference": self.reference,
            "stage": self.stage,
            "inspection_version": self.inspection_version,
        }


def accept(conn: Connection, document: Any, on_existing: str) -> Accepted:
    """Store an inspection in the transaction at hand, or refuse it.

    Raises
    ------
    Refused
        With every fault of the document.
    Conflict
        Where it does not go together with what is stored; the transaction must not be committed then.
    OutsideSite
        Where the token is bound to another site than the tool's.

    Notes
    -----
    Most inspections are the newest of their tool and change nothing else. Where no transaction has begun, such a one
    is stored by one statement from what is remembered of the tool; that statement finds out whether it may.
    """
    sent = read_inspection(document)
    if is_idle(conn) and not sent.faults:
        with each_by_itself(conn):
            added = _try_alone(conn, sent)
        if added is not None:
            return _accepted(sent, added, 1)
    held = _open(conn, sent.inspection.tool)
    around = _look_up(conn, sent)
    same = around.inspection_id
    if same is not None and not sent.faults and _digest(sent) in around.digests:
        return _accepted(sent, same, around.inspection_version, around.state, changed=False)
    checked = _check(conn, sent, around)
    if same is None:
        added = _or_refused(lambda: store.add_inspection(conn, held, around, resolved(conn, checked)), None)
        return _accepted(sent, added, 1)
    if on_existing == "refuse":
        raise Conflict("inspection-exists", "an inspection with this tool, reference and stage exists", id=str(same))
    version = _or_refused(lambda: _change(conn, held, checked, on_existing), same)
    return _accepted(sent, same, version)


def correct(conn: Connection, head: store.Inspection, document: Any, check_write: Callable[[int], None]) -> Accepted:
    """Replace what an inspection says by a document.

    Parameters
    ----------
    conn : Connection
    head : Inspection
        As it was found before its tool was held.
    document : object
        As sent.
    check_write : callable
        Gets the version that is there, once nobody else can change it; raises where the request expects another.

    Raises
    ------
    Refused, Conflict, OutsideSite
        As `accept` does.
    """
    sent = read_inspection(document)
    held = _open(conn, head.tool)
    head = current(conn, head.inspection_id)
    check_write(head.inspection_version)
    if head.state == "withdrawn":
        raise Conflict("withdrawn", "the inspection was withdrawn: post it again", id=str(head.inspection_id))
    fixed = [
        fault(f"/{name}", "cannot-change", f"cannot be changed: it is {getattr(head, name)}")
        for name in ("tool", "reference", "stage")
        if getattr(sent.inspection, name) not in ("", getattr(head, name))
    ]
    if fixed:
        raise Refused([*sent.faults, *fixed])
    around = _look_up(conn, sent)
    if not sent.faults and list(around.digests) == [_digest(sent)]:
        return _accepted(sent, head.inspection_id, head.inspection_version, head.state, changed=False)
    checked = _check(conn, sent, around)
    version = _or_refused(lambda: _change(conn, held, checked, "correct"), head.inspection_id)
    return _accepted(sent, head.inspection_id, version)


def withdraw(conn: Connection, head: store.Inspection, check_write: Callable[[int], None]) -> changes.Withdrawn:
    """Withdraw an inspection; one withdrawn already stays as it is.

    Raises
    ------
    Conflict, OutsideSite
    """
    held = _open(conn, head.tool)
    head = current(conn, head.inspection_id)
    check_write(head.inspection_version)
    if head.state == "withdrawn":
        return changes.Withdrawn(head.inspection_version, None)
    return changes.withdraw_inspection(conn, held, head)


def current(conn: Connection, inspection_id: UUID) -> store.Inspection:
    """Return an inspection that the request may see.

    Raises
    ------
    NotFound, OutsideSite
    """
    head = store.get_inspection(conn, inspection_id)
    if head is None:
        raise NotFound("inspection", inspection_id)
    access.current().check_site(head.site_id)
    return head


# ---------------------------------------------------------------- steps


def _open(conn: Connection, tool: str) -> Accepting:
    held = store.open_tool(conn, tool)
    if held.site_id is not None:
        access.current().check_site(held.site_id)
    return held


def _try_alone(conn: Connection, sent: Sent) -> UUID | None:
    """Store an inspection that is new, right, and changes nothing else; None where it takes more to know that."""
    around = _remembered(sent.inspection)
    if around is None or sent.taken_at is None or not is_open(sent.taken_at):
        return None
    if not access.current().sees(around.site_id):
        return None
    tool_type = _type_of(conn, around)
    found, faults = check_references(conn, sent.inspection, sent.taken_at, around, tool_type)
    if faults or tool_type is None:
        return None
    checked = Checked(sent.inspection, sent.taken_at, _digest(sent), around, tool_type, found)
    return store.try_add_inspection(conn, around, resolved(conn, checked))


def _remembered(inspection: Inspection) -> Surroundings | None:
    """Return what is remembered of the tool and of what an inspection names; None where that is not all there is."""
    tool, named = _tools.get(inspection.tool), names_in(inspection)
    if tool is None or inspection.renewals or inspection.remeasures or named.components:
        return None
    found = [*map(_gauges.get, named.gauges), *map(_masters.get, named.masters)]
    if any(entry is None or entry[0] != tool.written for entry in found):
        return None
    ids = [entry[1] for entry in found if entry is not None]
    return replace(tool, gauges=ids[: len(named.gauges)], masters=ids[len(named.gauges) :])


def _remember(inspection: Inspection, named: Named, around: Surroundings) -> None:
    for full in (_tools, _gauges, _masters):
        if len(full) > MAX_REMEMBERED:
            full.clear()
    if around.tool_id is not None:
        _tools[inspection.tool] = replace(
            around, inspection_id=None, digests=(), usage_begins=None, is_late=False, moved_on=False
        )
    for names, ids, remembered in ((named.gauges, around.gauges, _gauges), (named.masters, around.masters, _masters)):
        remembered.update((name, (around.written, i)) for name, i in zip(names, ids, strict=True) if i is not None)


def _look_up(conn: Connection, sent: Sent) -> Surroundings:
    named = names_in(sent.inspection)
    around = store.look_up(
        conn,
        tool=sent.inspection.tool,
        reference=sent.inspection.reference,
        stage=sent.inspection.stage,
        taken_at=sent.taken_at or datetime.now(UTC),
        gauges=named.gauges,
        masters=named.masters,
    )
    _remember(sent.inspection, named, around)
    return around


def _digest(sent: Sent) -> bytes:
    assert sent.taken_at is not None  # noqa: S101 - a document without faults has a time
    return canonical.digest(sent.inspection, sent.taken_at)


def _check(conn: Connection, sent: Sent, around: Surroundings) -> Checked:
    tool_type = _type_of(conn, around)
    found, faults = check_references(conn, sent.inspection, sent.taken_at, around, tool_type)
    every: list[Fault] = [*sent.faults, *faults]
    if every or tool_type is None or sent.taken_at is None:
        raise Refused(every)
    return Checked(sent.inspection, sent.taken_at, _digest(sent), around, tool_type, found)


def _type_of(conn: Connection, around: Surroundings) -> ToolType | None:
    if around.tool_id is None:
        return None
    key = (around.tool_type_id, around.revision)
    if key not in _types:
        read = get_type_of_tool(conn, around.tool_id)
        if read is None or read.revision != around.revision:
            return read
        _types[key] = read
    return _types[key]


def _change(conn: Connection, held: Accepting, checked: Checked, how: str) -> int:
    head = current(conn, checked.around.inspection_id)  # type: ignore[arg-type]
    source = resolved(conn, checked)
    if how == "add":
        return changes.add_to_inspection(conn, held, head, source)
    cause = "corrected" if how == "correct" else "replaced"
    return changes.replace_inspection(conn, held, head, source, cause)


def _or_refused(store_it: Callable[[], Result], inspection_id: UUID | None) -> Result:
    """What the store finds to have no time to have been run in is a fault of the input, whoever's usage it is."""
    try:
        return store_it()
    except Conflict as conflict:
        if conflict.code != "usage-without-time":
            raise
        own = str(conflict.facts.get("inspection", {}).get("id")) in ("None", str(inspection_id))
        raise Refused([fault("/usage" if own else "/taken_at", "usage-without-time", str(conflict))]) from conflict


def _accepted(
    sent: Sent, inspection_id: UUID, version: int, state: str = "accepted", *, changed: bool = True
) -> Accepted:
    i = sent.inspection
    return Accepted(inspection_id, version, state, changed, i.tool, i.reference, i.stage)
