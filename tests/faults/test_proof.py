"""The proof that ends every fault test, tried on what it must not let pass."""

from __future__ import annotations

import pytest

from tests.faults.plant import Plant

pytestmark = [pytest.mark.db, pytest.mark.broker, pytest.mark.faults, pytest.mark.timeout(480)]
ONE = """
(SELECT i.inspection_id FROM inspections i JOIN tools t USING (tool_id)
 WHERE t.serial = 'proof-2-0' ORDER BY i.taken_at LIMIT 1)
"""
FILE = f"(SELECT export_id FROM inspection_sources WHERE inspection_id = {ONE})"
TOOL = "(SELECT tool_id FROM tools WHERE serial = 'proof-2-0')"
WRONGS = {
    "an inspection less": f"UPDATE inspections SET reference = 'gone' WHERE inspection_id = {ONE}",
    "one of a row that was refused": f"UPDATE inspections SET reference = 'X1' WHERE inspection_id = {ONE}",
    "one not assessed": f"UPDATE inspections SET state = 'accepted' WHERE inspection_id = {ONE}",
    "one changed": f"UPDATE inspections SET inspection_version = 2 WHERE inspection_id = {ONE}",
    "one assessed twice": f"UPDATE assessments SET version = 2 WHERE inspection_id = {ONE}",
    "a reading less": f"DELETE FROM readings WHERE inspection_id = {ONE} AND ordinal = 1",
    "a size less": f"DELETE FROM sizes WHERE inspection_id = {ONE} AND ordinal = 1",
    "usage less": f"DELETE FROM usage WHERE inspection_id = {ONE}",
    "usage counted twice": f"UPDATE sizes SET usage = usage * 2 WHERE inspection_id = {ONE}",
    "a status of an older one": f"UPDATE tool_status SET inspection_id = {ONE} WHERE tool_id = {TOOL}",
    "a change less": f"DELETE FROM changes WHERE tool_id = {TOOL} AND sequence = 1",
    "a row counted twice": f"UPDATE gauge_exports SET rows_accepted = rows_accepted + 1 WHERE export_id = {FILE}",
    "a fault untold": f"DELETE FROM gauge_export_faults WHERE export_id = {FILE}",
    "a file that never ends": f"UPDATE gauge_exports SET state = 'assessing' WHERE export_id = {FILE}",
}


def test_the_proof_can_fail(service: Plant) -> None:
    """After a load that was proved, each single wrong in the database, and each in what was told, is found."""
    with service.load("proof", before_s=0, after_s=0) as load:
        pass
    with service.connect() as conn:
        load.compare(conn)
        for wrong, statement in WRONGS.items():
            conn.execute("SAVEPOINT before")
            assert conn.execute(statement).rowcount > 0, wrong  # type: ignore[arg-type]
            with pytest.raises(AssertionError):
                load.compare(conn)
            conn.execute("ROLLBACK TO before")
        for told in (("proof-0-0", "W999"), ("proof-9-9", "W1")):
            load.accepted.add(told)
            with pytest.raises(AssertionError):
                load.compare(conn)
            load.accepted.remove(told)
        load.compare(conn)
