"""Parked inspections: one that cannot be computed is listed with its problem, its tool goes on, it can come back."""

from __future__ import annotations

from typing import Any

import pytest

from tests.worker.conftest import Workshop

pytestmark = pytest.mark.db
GOOD = {"piston.od": 97.900, "casing.bore": 97.995}
WORN = {"piston.od": 97.880, "casing.bore": 98.010}


def spoil(shop: Workshop, inspection: str) -> None:
    """Damage what is stored of an inspection, as no request can: its readings name a gauge that is not there."""
    shop.conn.execute("UPDATE readings SET gauge_id = 2000000000 WHERE inspection_id = %s", [inspection])
    shop.conn.commit()


def mend(shop: Workshop, inspection: str) -> None:
    shop.conn.execute("UPDATE readings SET gauge_id = NULL WHERE inspection_id = %s", [inspection])
    shop.conn.commit()


def parked(shop: Workshop, query: str = "") -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = shop.call("GET", f"/parked{query}")["items"]
    return items


@pytest.fixture
def spoilt(shop: Workshop) -> str:
    """An inspection between two good ones that cannot be computed; all was tried."""
    shop.inspect(10, GOOD, 1000.0)
    found = shop.inspect(20, WORN, 1000.0)
    shop.inspect(30, WORN, 1000.0)
    spoil(shop, found)
    shop.work()
    return found


def test_a_failing_inspection_is_parked_and_its_tool_goes_on(shop: Workshop, spoilt: str) -> None:
    """It is listed with its problem; the other inspections of its tool are assessed, and nothing of it waits."""
    (item,) = parked(shop)
    assert (item["id"], item["state"], item["problem"]["code"]) == (spoilt, "failed", "assessment-failed")
    assert item["tool"] == "H-1"
    assert shop.rows("SELECT state, count(*) FROM inspections GROUP BY state ORDER BY state") == [
        ("assessed", 2),
        ("failed", 1),
    ]
    assert shop.rows("SELECT count(*) FROM tool_work") == [(0,)]
    assert shop.client.get(f"/v1/inspections/{spoilt}/assessment").json["code"] == "inspection-failed"


def test_one_started_again_is_assessed_and_what_follows_it_too(shop: Workshop, spoilt: str) -> None:
    """Retried once its cause is gone, it is assessed, leaves the list, and later inspections count it in."""
    later = shop.rows("SELECT inspection_id FROM inspections WHERE reference = 'W30'")[0][0]
    before = shop.assessment(later)
    mend(shop, spoilt)
    answer = shop.client.post(f"/v1/parked/{spoilt}/retry")
    assert (answer.status_code, answer.json["state"], answer.json["problem"]) == (202, "accepted", None)
    assert answer.headers["Location"] == f"/v1/inspections/{spoilt}"
    shop.work()
    assert parked(shop) == []
    assert shop.assessment(spoilt)["version"] == 1
    after = shop.assessment(later)
    assert after["version"] == before["version"] + 1
    assert after["sizes"][0]["wear_state"] != before["sizes"][0]["wear_state"]
    assert shop.rows("SELECT inspection_version FROM inspections WHERE inspection_id = %s", spoilt) == [(1,)]


def test_one_that_fails_again_is_parked_again(shop: Workshop, spoilt: str) -> None:
    """Retried with its cause still there, it is parked again, and its tool has nothing left to do."""
    assert shop.client.post(f"/v1/parked/{spoilt}/retry").status_code == 202
    shop.work()
    assert [item["id"] for item in parked(shop)] == [spoilt]
    assert shop.rows("SELECT count(*) FROM tool_work") == [(0,)]


def test_only_what_is_parked_is_started_again(shop: Workshop, spoilt: str) -> None:
    """An assessed inspection is a 409 `not-parked`, an unknown one a 404; a token needs the scope for intake."""
    good = shop.rows("SELECT inspection_id FROM inspections WHERE reference = 'W10'")[0][0]
    refused = shop.client.post(f"/v1/parked/{good}/retry")
    assert (refused.status_code, refused.json["code"]) == (409, "not-parked")
    assert shop.client.post("/v1/parked/00000000-0000-7000-8000-000000000000/retry").status_code == 404


def test_a_site_sees_its_own(shop: Workshop, spoilt: str, make_client: Any) -> None:
    """The list of a token bound to a site, or of `?site=`, has only that site's; another's cannot be retried."""
    shop.call("PUT", "/sites/other", {"name": "Other", "time_zone": "UTC"})
    other = make_client("read", "intake", site="other")
    assert other.get("/v1/parked").json["items"] == []
    assert other.post(f"/v1/parked/{spoilt}/retry").status_code == 403
    assert make_client("read").post(f"/v1/parked/{spoilt}/retry").status_code == 403
    assert [item["id"] for item in parked(shop, "?site=yard&tool=H-1&tool_type=kind&limit=1")] == [spoilt]
    assert parked(shop, "?site=other") == []


def test_pages_of_parked_inspections(shop: Workshop) -> None:
    """The list goes on from its cursor, every parked inspection once."""
    found = {shop.inspect(n, GOOD) for n in range(1, 6)}
    for inspection in found:
        spoil(shop, inspection)
    shop.work()
    seen, after = [], ""
    while True:
        answer = shop.call("GET", f"/parked?limit=2{after}")
        seen += [item["id"] for item in answer["items"]]
        if answer["next"] is None:
            break
        after = f"&after={answer['next']}"
    assert len(seen) == 5
    assert set(seen) == found
