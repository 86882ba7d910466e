"""What no message announced: dates of an earlier day, and work whose hint was lost."""

from __future__ import annotations

import pytest

from service.store.pool import transaction
from service.store.tool_status import list_stale
from tests.worker.conftest import Workshop, day
from worker.sweep import is_behind, refresh_dates, sweep

pytestmark = pytest.mark.db
GOOD = {"piston.od": 97.900, "casing.bore": 97.995}


def test_dates_are_refreshed_daily(shop: Workshop) -> None:
    """A status whose dates are of an earlier day is computed anew; only a date that moves is a visible change."""
    shop.inspect(10, GOOD, 1000.0)
    shop.work()
    before = shop.status()
    assert before["due_on"]["p50"] is not None
    with transaction() as conn:
        assert list_stale(conn, 10) == []
        conn.execute("UPDATE tool_status SET dates_on = dates_on - 1")
    assert refresh_dates() == 1
    assert refresh_dates() == 0
    assert shop.work() == 1
    assert shop.status() == before
    with transaction() as conn:
        assert list_stale(conn, 10) == []
        conn.execute("UPDATE tool_status SET dates_on = dates_on - 1, due_p50 = due_p50 - 1")
    assert refresh_dates() == 1
    shop.work()
    after = shop.status()
    assert (after["sequence"], after["due_on"]) == (before["sequence"] + 1, before["due_on"])
    assert shop.rows("SELECT count(*) FROM assessments") == [(1,)]


def test_much_to_compute_keeps_fleets_waiting(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    """While many inspections wait, what fleets teach waits, too; not for the few of a usual day."""
    monkeypatch.setattr("worker.sweep.MUCH", 2)
    shop.inspect(10, GOOD, 1000.0)
    assert not is_behind()
    shop.inspect(20, GOOD, 1000.0)
    assert is_behind()
    shop.work()
    assert not is_behind()


def test_sweep_forgets_old_keys(shop: Workshop) -> None:
    """Idempotency keys are kept a day."""
    body = {"reference": "W1", "tool": "H-1", "taken_at": day(3), "checks": []}
    body |= {"unit": "mm", "readings": [{"feature": "piston.od", "value": 97.9}]}
    answer = shop.client.post("/v1/inspections", json=body, headers={"Idempotency-Key": "once"})
    assert answer.status_code == 202
    sweep()
    assert shop.rows("SELECT count(*) FROM idempotency_keys") == [(1,)]
    shop.conn.execute("UPDATE idempotency_keys SET created_at = created_at - interval '25 hours'")
    shop.conn.commit()
    sweep()
    assert shop.rows("SELECT count(*) FROM idempotency_keys") == [(0,)]


def test_site_lends_its_ground(shop: Workshop) -> None:
    """A tool without ground on record is planned for what its site worked in, else for factor 1 with a remark."""
    shop.put_tool("NEW", commissioned_on="2026-01-01")
    plain = {"usage": {"metres": 1000.0}}
    alone = shop.inspect(10, GOOD, tool="NEW", **plain)
    shop.work()
    assert shop.assessment(alone)["remaining"]["ground"] is None
    assert "unknown-ground" in {remark["code"] for remark in shop.assessment(alone)["remarks"]}
    shop.inspect(11, GOOD, 3000.0)
    entry = {"tool": "H-1", "from": day(11), "to": day(12), "metres": 1000.0, "ground": "soft"}
    shop.call("POST", "/usage", {"entries": [entry]})
    shop.work()
    lent = shop.inspect(20, GOOD, tool="NEW", **plain)
    shop.work()
    assert shop.assessment(lent)["remaining"]["ground"] == pytest.approx({"hard": 0.75, "soft": 0.25})
