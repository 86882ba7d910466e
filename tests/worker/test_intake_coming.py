"""An upload that is read while it comes."""

from __future__ import annotations

import hashlib
import threading
from datetime import timedelta
from uuid import UUID, uuid4

import pytest

from service.store import gauge_exports as store
from service.store.gauge_exports import Terms
from service.store.pool import transaction
from tests.plugins.exports import Exports, as_csv, rows
from worker.intake import coming, intake

pytestmark = pytest.mark.db

FILE = as_csv(rows(60))
HALF = len(FILE) // 2


def begin() -> UUID:
    """An upload of which one half is there."""
    with transaction() as conn:
        export_id = store.begin_export(conn, Terms("plain", 0, "skip", "refuse", None), None)
        store.add_chunk(conn, export_id, 0, FILE[:HALF])
    return export_id


def complete(export_id: UUID) -> None:
    """The other half comes, and the upload ends."""
    with transaction() as conn:
        store.add_chunk(conn, export_id, 1, FILE[HALF:])
    with transaction() as conn:
        store.receive_export(conn, export_id, hashlib.sha256(FILE).digest(), len(FILE))


def state_of(export_id: UUID) -> str | None:
    """What stands in the store, of an upload too."""
    with transaction() as conn:
        row = conn.execute("SELECT state FROM gauge_exports WHERE export_id = %s", [export_id]).fetchone()
    return None if row is None else row[0]


def test_read_while_it_comes(exports: Exports) -> None:
    """Reading begins before the last bytes are there, and is one attempt like any other."""
    export_id = begin()
    rest = threading.Timer(0.3, complete, [export_id])
    rest.start()
    assert intake.intake_one()
    rest.join()
    assert exports.get(str(export_id))["rows"] == {"total": 60, "accepted": 60, "faulty": 0}
    with transaction() as conn:
        export = store.get_export(conn, export_id)
    assert export is not None
    assert (export.state, export.attempts) == ("assessing", 1)
    assert not intake.intake_one()


def test_given_up_meanwhile(exports: Exports) -> None:
    """An upload that is given up while it is read leaves nothing."""
    export_id = begin()

    def give_up() -> None:
        with transaction() as conn:
            store.discard_export(conn, export_id)

    threading.Timer(0.1, give_up).start()
    assert intake.intake_one()
    assert state_of(export_id) is None
    assert exports.fleet.conn.execute("SELECT count(*) FROM readings").fetchone() == (0,)


def test_too_slow_to_be_followed(exports: Exports, monkeypatch: pytest.MonkeyPatch) -> None:
    """A client that pauses keeps no worker: its file is read when it is there, and not followed a second time."""
    monkeypatch.setattr(coming, "STILL_S", 0.05)
    export_id = begin()
    assert intake.intake_one()
    assert state_of(export_id) == "receiving"
    assert not intake.intake_one()
    complete(export_id)
    assert intake.intake_one()
    assert exports.get(str(export_id))["rows"]["accepted"] == 60


def test_nobody_else_takes_what_is_followed(exports: Exports) -> None:
    """What one worker follows another leaves alone, until the first one's lease is over."""
    export_id = begin()
    with transaction() as conn:
        followed = store.follow_export(conn, uuid4(), timedelta(seconds=60), timedelta(seconds=60))
    assert followed is not None and followed.is_coming
    complete(export_id)
    assert not intake.intake_one()
    with transaction() as conn:
        conn.execute("UPDATE gauge_exports SET lease_until = clock_timestamp()")
    assert intake.intake_one()
    assert exports.get(str(export_id))["rows"]["accepted"] == 60
