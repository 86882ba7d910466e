"""One export from its claim to its end: read by a process of its own, loaded, or told why not."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from uuid import UUID, uuid4

from service import faults, layouts, queue
from service.packing import unpacked
from service.scratch import INTAKE, scratch_folder
from service.store import gauge_exports as store
from service.store.errors import Conflict, StoreAway
from service.store.gauge_exports import ClaimedExport, ExportFault, Outcome
from service.store.layouts import get_layout
from service.store.pool import transaction
from worker.intake.coming import NotComing, coming
from worker.intake.file import File
from worker.intake.group_digests import GroupDigests
from worker.intake.load import Rejected, Stale, load, prepare
from worker.intake.parser import Parser, ParserDied
from worker.intake.table import RowFault, Table, Unreadable, storable

logger = logging.getLogger(__name__)

LEASE = timedelta(seconds=20)
HEARTBEAT_S = 1.0
MAX_ATTEMPTS = 4
FRESH = timedelta(seconds=5)
"""An upload that began longer ago is not fast enough to be followed."""


@dataclass(slots=True)
class Progress:
    """How far an export is, for those who ask; written by a thread of its own that holds the claim as well."""

    total: int = 0
    accepted: int = 0
    lost: bool = False


def intake_until(deadline: float) -> int:
    """Claim and read exports until none is due or the time is up; return how many.

    Parameters
    ----------
    deadline : float
        On the clock of `time.monotonic`.
    """
    done = 0
    while time.monotonic() < deadline and intake_one():
        done += 1
    return done


def intake_one() -> bool:
    """Claim one export and read it, else one that is still coming; False where there is none.

    Raises
    ------
    StoreAway
        If the database is away; what was claimed is due again when its lease ends.
    """
    claim = uuid4()
    with transaction() as conn:
        export = store.claim_export(conn, claim, LEASE) or store.follow_export(conn, claim, LEASE, FRESH)
    if export is None:
        return False
    try:
        if export.attempts > MAX_ATTEMPTS:
            _fail(export, claim, "gave-up", "reading it failed repeatedly; the log says why")
        else:
            _read(export, claim)
    except NotComing:
        _let_go(export, claim)
    except Conflict as conflict:
        if conflict.code == "archived":
            _fail(export, claim, "archived", f"{conflict}; nothing of this file was stored")
        elif conflict.code == "claim-lost":
            logger.warning("export %s: another worker has taken over", export.export_id)
        else:  # with what another transaction has just stored: the next attempt sees it
            _try_again(export, claim)
    except StoreAway:
        with suppress(StoreAway):
            _let_go(export, claim)
            _put_back(export, claim)
        raise
    except Exception:  # whatever it is
        _try_again(export, claim)
    return True


def _try_again(export: ClaimedExport, claim: UUID) -> None:
    """Tell of the exception at hand and give the export back; it is given up in the end."""
    logger.exception("export %s was not read", export.export_id)
    _let_go(export, claim)
    _put_back(export, claim)


def _let_go(export: ClaimedExport, claim: UUID) -> None:
    if export.is_coming:
        with transaction() as conn:
            store.let_go_export(conn, export.export_id, claim)


def _put_back(export: ClaimedExport, claim: UUID) -> None:
    with transaction() as conn:
        store.put_back_export(conn, export.export_id, claim)


def _read(export: ClaimedExport, claim: UUID) -> None:
    progress = Progress()
    with (
        _held(export, claim, progress),
        scratch_folder(INTAKE) as folder,
        Parser(folder, _layout(export)) as parser,
    ):
        try:
            parser.feed(unpacked(_bytes_of(export)))
            if export.is_coming:
                _begin(export, claim)
            table = parser.table()
            progress.total = table.total
            _load(export, claim, table, parser.digests, progress)
        except Unreadable as unreadable:
            _end_unread(export, claim, unreadable.faults)
        except ParserDied as died:
            logger.error("export %s: %s", export.export_id, died)
            _fail(export, claim, "unreadable-file", "the process that reads files did not survive this one")


def _load(
    export: ClaimedExport, claim: UUID, table: Table, digests: Callable[[], GroupDigests], progress: Progress
) -> None:
    for _ in range(5):
        with transaction() as conn:
            file = prepare(conn, table.copy(), export.site_id, digests)
        try:
            _load_once(export, claim, file, progress)
            queue.hint()
            return
        except Rejected:
            _end_rejected(export, claim, file)
            return
        except Stale:
            logger.info("export %s: something changed meanwhile, looked up again", export.export_id)
    raise RuntimeError("what the file names changed at every attempt")


def _load_once(export: ClaimedExport, claim: UUID, file: File, progress: Progress) -> None:
    def shown(rows: int) -> None:
        progress.accepted = rows

    with transaction() as conn:
        loaded = load(conn, export, file, shown)
        total, faulty = file.table.total, file.faulty
        state = "assessing" if loaded.inspections else "done"
        outcome = Outcome(state, total, total - faulty, faulty, loaded.inspections)
        store.finish_export(conn, export.export_id, claim, outcome, _kept(file.faults))


# ---------------------------------------------------------------- what is read, and how


def _bytes_of(export: ClaimedExport) -> Iterator[bytes]:
    with transaction() as conn:
        yield from coming(conn, export.export_id) if export.is_coming else store.bytes_of(conn, export.export_id)


def _begin(export: ClaimedExport, claim: UUID) -> None:
    with transaction() as conn:
        if not store.begin_reading(conn, export.export_id, claim):
            raise NotComing


def _layout(export: ClaimedExport) -> layouts.Layout:
    if export.layout_revision == 0:
        return layouts.BUILT_IN[export.layout]
    with transaction() as conn:
        found = get_layout(conn, export.layout, export.layout_revision)
    if found is None:
        raise RuntimeError(f"layout {export.layout} has no revision {export.layout_revision}")
    return found


# ---------------------------------------------------------------- the claim


@contextmanager
def _held(export: ClaimedExport, claim: UUID, progress: Progress) -> Iterator[None]:
    """Hold a claim for as long as the block takes, and show how far it is."""
    over = threading.Event()

    def hold() -> None:
        while not over.wait(HEARTBEAT_S):
            _extend(export, claim, progress)

    thread = threading.Thread(target=hold, name="intake-lease", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(10)


def _extend(export: ClaimedExport, claim: UUID, progress: Progress) -> None:
    try:
        with transaction() as conn:
            conn.execute("SET LOCAL lock_timeout = '500ms'")
            held = store.extend_claim(conn, export.export_id, claim, LEASE, progress.total, progress.accepted)
        progress.lost = progress.lost or not held
    except StoreAway:
        logger.warning("export %s: its lease was not extended", export.export_id)


# ---------------------------------------------------------------- ends without rows


def _fail(export: ClaimedExport, claim: UUID, code: str, detail: str) -> None:
    outcome = Outcome("failed", 0, 0, 0, 0, {"code": code, "detail": detail})
    with transaction() as conn:
        store.finish_export(conn, export.export_id, claim, outcome, [])


def _end_unread(export: ClaimedExport, claim: UUID, found: list[RowFault]) -> None:
    problem = {"code": found[0].code, "detail": f"row {found[0].row}: {found[0].message}"}
    with transaction() as conn:
        store.finish_export(conn, export.export_id, claim, Outcome("failed", 0, 0, 0, 0, problem), _kept(found))


def _end_rejected(export: ClaimedExport, claim: UUID, file: File) -> None:
    detail = f"{file.faulty} of {file.table.total} rows have faults; with on_fault=reject nothing is stored"
    outcome = Outcome("failed", file.table.total, 0, file.faulty, 0, {"code": "rows-with-faults", "detail": detail})
    with transaction() as conn:
        store.finish_export(conn, export.export_id, claim, outcome, _kept(file.faults))


def _kept(found: list[RowFault]) -> list[ExportFault]:
    kept = sorted(found)[: faults.MAX_EXPORT_FAULTS]
    return [
        ExportFault(ordinal, item.row, storable(item.column), item.code, item.message, storable(item.text))
        for ordinal, item in enumerate(kept, 1)
    ]
