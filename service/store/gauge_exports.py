"""Gauge exports: the bytes as they came, how far their reading is, and what was wrong with their rows.

An export is claimed by one worker at a time, with a lease by the database's clock; what it loads and the end of its
claim are one transaction, so that a worker that was given up loads nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.errors import Conflict
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Terms:
    """How an export is to be read; with its bytes, what makes it the same one."""

    layout: str
    layout_revision: int
    on_fault: str  # skip or reject
    on_existing: str  # refuse, add or replace
    site_id: int | None  # the site the token is bound to

    def as_parameters(self) -> dict[str, Any]:
        """Return the terms as the statements take them."""
        return {
            "layout": self.layout,
            "layout_revision": self.layout_revision,
            "on_fault": self.on_fault,
            "on_existing": self.on_existing,
            "site_id": self.site_id,
        }


@dataclass(frozen=True, slots=True)
class Export:
    """An export that was received."""

    export_id: UUID
    layout: str
    layout_revision: int
    on_fault: str
    on_existing: str
    site_id: int | None
    file_name: str | None
    sha256: bytes
    size_bytes: int
    state: str
    rows_total: int
    rows_accepted: int
    rows_faulty: int
    inspections_total: int
    problem: dict[str, Any] | None
    received_at: datetime
    finished_at: datetime | None
    attempts: int


@dataclass(frozen=True, slots=True)
class ClaimedExport:
    """An export that this worker is to read."""

    export_id: UUID
    layout: str
    layout_revision: int
    on_fault: str
    on_existing: str
    site_id: int | None
    attempts: int
    is_coming: bool  # its bytes are not all there yet


@dataclass(frozen=True, slots=True)
class ExportFault:
    """One thing wrong with one row; the header is a row too."""

    ordinal: int
    row: int | None
    column: str | None
    code: str
    message: str
    text: str | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an export's rows."""

    state: str  # assessing, done or failed
    total: int
    accepted: int
    faulty: int
    inspections: int
    problem: dict[str, Any] | None = None


# ---------------------------------------------------------------- receiving


def begin_export(conn: Connection[Any], terms: Terms, file_name: str | None) -> UUID:
    """Store an export whose bytes are about to come; return its id."""
    parameters = terms.as_parameters() | {"file_name": file_name}
    row = conn.execute(sql("gauge_exports/begin"), parameters).fetchone()
    assert row is not None  # noqa: S101 - INSERT ... RETURNING of one row
    export_id: UUID = row[0]
    return export_id


def add_chunk(conn: Connection[Any], export_id: UUID, chunk: int, content: bytes) -> None:
    """Keep the next bytes of an export; `receive_export` makes them last."""
    conn.execute("SET LOCAL synchronous_commit = off")
    conn.execute(sql("gauge_exports/add_chunk"), {"export_id": export_id, "chunk": chunk, "bytes": content})


def find_same(conn: Connection[Any], terms: Terms, sha256: bytes) -> UUID | None:
    """Return the export of the same bytes on the same terms; nobody else can add one until the transaction ends."""
    parameters = terms.as_parameters() | {"sha256": sha256}
    conn.execute(sql("gauge_exports/lock_same"), parameters)
    row = conn.execute(sql("gauge_exports/same"), parameters).fetchone()
    return None if row is None else row[0]


def receive_export(conn: Connection[Any], export_id: UUID, sha256: bytes, size_bytes: int) -> None:
    """Say that all bytes of an export are there."""
    parameters = {"export_id": export_id, "sha256": sha256, "size_bytes": size_bytes}
    if conn.execute(sql("gauge_exports/receive"), parameters).rowcount != 1:
        raise Conflict("upload-lost", "the upload was given up before it ended")


def discard_export(conn: Connection[Any], export_id: UUID) -> None:
    """Drop an upload that did not become an export."""
    conn.execute(sql("gauge_exports/discard"), {"export_id": export_id})


def discard_stale(conn: Connection[Any], age: timedelta) -> int:
    """Drop uploads that began so long ago and never ended; return how many."""
    return conn.execute(sql("gauge_exports/discard_stale"), {"age": age}).rowcount


# ---------------------------------------------------------------- looking


def get_export(conn: Connection[Any], export_id: UUID) -> Export | None:
    """Return an export, withdrawn ones too; None where there is none."""
    with conn.cursor(row_factory=class_row(Export)) as cursor:
        return cursor.execute(sql("gauge_exports/get"), {"export_id": export_id}).fetchone()


def lock_export(conn: Connection[Any], export_id: UUID) -> Export | None:
    """Return an export that nobody else can change until the transaction ends; None where there is none."""
    with conn.cursor(row_factory=class_row(Export)) as cursor:
        return cursor.execute(sql("gauge_exports/lock"), {"export_id": export_id}).fetchone()


def list_exports(
    conn: Connection[Any],
    *,
    limit: int,
    after: UUID | None = None,
    layout: str | None = None,
    state: str | None = None,
    site_id: int | None = None,
) -> list[Export]:
    """Return up to `limit` exports after one, in the order they came; `site_id` is the site a token is bound to."""
    parameters = {"limit": limit, "after": after, "layout": layout, "state": state, "site_id": site_id}
    with conn.cursor(row_factory=class_row(Export)) as cursor:
        return cursor.execute(sql("gauge_exports/list"), parameters).fetchall()


def count_inspections(conn: Connection[Any], export_id: UUID) -> tuple[int, int]:
    """Return how many inspections of an export are assessed, and how many have failed."""
    row = conn.execute(sql("gauge_exports/count_inspections"), {"export_id": export_id}).fetchone()
    return (0, 0) if row is None else (int(row[0]), int(row[1]))


def has_open_inspections(conn: Connection[Any], export_id: UUID) -> bool:
    """Say whether an inspection of an export still waits for its assessment."""
    row = conn.execute(sql("gauge_exports/is_open"), {"export_id": export_id}).fetchone()
    return row is not None and bool(row[0])


def finish_assessed(conn: Connection[Any], export_id: UUID | None = None) -> int:
    """Call exports done whose inspections all are (this one, or any); return how many."""
    return conn.execute(sql("gauge_exports/finish_assessed"), {"export_id": export_id}).rowcount


def get_chunk(conn: Connection[Any], export_id: UUID, chunk: int) -> bytes | None:
    """Return one piece of the bytes as they came, None after the last."""
    cursor = conn.cursor(binary=True)
    row = cursor.execute(sql("gauge_exports/chunk"), {"export_id": export_id, "chunk": chunk}).fetchone()
    return None if row is None else bytes(row[0])


def list_faults(conn: Connection[Any], export_id: UUID, after: int, limit: int) -> list[ExportFault]:
    """Return up to `limit` faults after one, in the order of the file."""
    parameters = {"export_id": export_id, "after": after, "limit": limit}
    with conn.cursor(row_factory=class_row(ExportFault)) as cursor:
        return cursor.execute(sql("gauge_exports/faults"), parameters).fetchall()


# ---------------------------------------------------------------- reading


def claim_export(conn: Connection[Any], claim: UUID, lease: timedelta) -> ClaimedExport | None:
    """Claim the export that is due the longest; the caller commits before it reads.

    Parameters
    ----------
    conn : Connection
    claim : UUID
        A fresh one.
    lease : timedelta
        How long nobody else takes it, by the database's clock.
    """
    with conn.cursor(row_factory=class_row(ClaimedExport)) as cursor:
        return cursor.execute(sql("gauge_exports/claim"), {"claim": claim, "lease": lease}).fetchone()


def follow_export(conn: Connection[Any], claim: UUID, lease: timedelta, age: timedelta) -> ClaimedExport | None:
    """Hold an export that began to come within the last `age`, so as to read its bytes as they come.

    Its state stays until `begin_reading`; nobody else claims it meanwhile. The caller commits before it reads.
    """
    parameters = {"claim": claim, "lease": lease, "age": age}
    with conn.cursor(row_factory=class_row(ClaimedExport)) as cursor:
        return cursor.execute(sql("gauge_exports/follow"), parameters).fetchone()


def is_received(conn: Connection[Any], export_id: UUID) -> bool | None:
    """Say whether all bytes of an export are there; None where it was given up."""
    row = conn.execute(sql("gauge_exports/is_received"), {"export_id": export_id}).fetchone()
    return None if row is None else bool(row[0])


def begin_reading(conn: Connection[Any], export_id: UUID, claim: UUID) -> bool:
    """Claim an export that was followed, now that it is there; False where it is not, or no longer held."""
    return conn.execute(sql("gauge_exports/begin_reading"), {"export_id": export_id, "claim": claim}).rowcount == 1


def let_go_export(conn: Connection[Any], export_id: UUID, claim: UUID) -> None:
    """Give back an export that was followed and whose reading has not begun; it is not followed again."""
    conn.execute(sql("gauge_exports/let_go"), {"export_id": export_id, "claim": claim})


def count_due(conn: Connection[Any]) -> int:
    """Return how many exports wait for a worker."""
    row = conn.execute(sql("gauge_exports/count_due")).fetchone()
    return 0 if row is None else int(row[0])


def extend_claim(
    conn: Connection[Any], export_id: UUID, claim: UUID, lease: timedelta, total: int, accepted: int
) -> bool:
    """Hold a claim longer and show how far it is; False where another worker has taken over."""
    parameters = {"export_id": export_id, "claim": claim, "lease": lease, "total": total, "accepted": accepted}
    return conn.execute(sql("gauge_exports/extend"), parameters).rowcount == 1


def finish_export(
    conn: Connection[Any], export_id: UUID, claim: UUID, outcome: Outcome, found: Sequence[ExportFault]
) -> None:
    """End a claim: the last step of the transaction that loads, or of the one that says why nothing was.

    Raises
    ------
    Conflict
        Code ``claim-lost``: another worker has taken over; the caller rolls back.
    """
    parameters = {
        "export_id": export_id,
        "claim": claim,
        "state": outcome.state,
        "total": outcome.total,
        "accepted": outcome.accepted,
        "faulty": outcome.faulty,
        "inspections": outcome.inspections,
        "problem": None if outcome.problem is None else Jsonb(outcome.problem),
    }
    if conn.execute(sql("gauge_exports/finish"), parameters).fetchone() is None:
        raise Conflict("claim-lost", "another worker has taken over", export=str(export_id))
    _save_faults(conn, export_id, found)


def _save_faults(conn: Connection[Any], export_id: UUID, found: Sequence[ExportFault]) -> None:
    conn.execute(sql("gauge_exports/drop_faults"), {"export_id": export_id})
    columns = 'export_id, ordinal, "row", "column", code, message, text'
    with conn.cursor() as cursor, cursor.copy(f"COPY gauge_export_faults ({columns}) FROM STDIN") as copy:
        for fault in found:
            copy.write_row((export_id, fault.ordinal, fault.row, fault.column, fault.code, fault.message, fault.text))


def put_back_export(conn: Connection[Any], export_id: UUID, claim: UUID, pause_s: float = 2.0) -> None:
    """Give an export back after a failed attempt, due again after a pause that doubles with each."""
    parameters = {"export_id": export_id, "claim": claim, "pause": timedelta(seconds=pause_s)}
    conn.execute(sql("gauge_exports/put_back"), parameters)


def retry_export(conn: Connection[Any], export: Export) -> None:
    """Let a failed export be read again.

    Raises
    ------
    Conflict
        Code ``not-failed``.
    """
    if conn.execute(sql("gauge_exports/retry"), {"export_id": export.export_id}).rowcount != 1:
        raise Conflict("not-failed", f"the export is {export.state}: only a failed one is read again")


def withdraw_export(conn: Connection[Any], export_id: UUID) -> None:
    """Say that an export no longer counts; its sources are taken out by `inspection_changes.take_out_export`."""
    conn.execute(sql("gauge_exports/withdraw"), {"export_id": export_id})


def bytes_of(conn: Connection[Any], export_id: UUID) -> Iterator[bytes]:
    """Return the bytes of an export, piece by piece."""
    chunk = 0
    while (piece := get_chunk(conn, export_id, chunk)) is not None:
        yield piece
        chunk += 1
