"""What clients read of what the worker wrote: statuses, assessments, histories and builds agree with each other."""

from __future__ import annotations

import pytest

from service.api.assessment_document import ASSESSMENT
from service.api.schema import check
from service.api.status_document import ToolStatus
from tests.worker.conftest import Workshop, day

pytestmark = pytest.mark.db
SIZES = {"piston.od": 97.87, "casing.bore": 98.01, "ring.wall@1": 9.9, "ring.wall@2": 9.9}


def inspected(shop: Workshop) -> str:
    inspection = shop.inspect(60, SIZES, metres=3000.0)
    shop.work()
    return inspection


def test_documents_are_as_their_schemas_say(shop: Workshop) -> None:
    """An assessment and a status made by the worker hold every field, and nothing the schema would refuse."""
    assessment = shop.assessment(inspected(shop))
    assert check(ASSESSMENT, assessment)[1] == []
    assert set(assessment) == set(ASSESSMENT.fields)
    status = shop.status()
    assert check(ToolStatus(), status)[1] == []
    assert set(status) == set(ToolStatus().fields)


def test_the_change_feed_tells_what_the_status_shows(shop: Workshop) -> None:
    """Of each tool every change is in the feed, and the newest is the status."""
    inspected(shop)
    shop.inspect(90, SIZES, metres=500.0)
    shop.work()
    items = shop.call("GET", "/changes?tool=H-1")["items"]
    assert [item["sequence"] for item in items] == list(range(1, len(items) + 1)) and len(items) > 1
    assert items[-1] == shop.status()


def test_moving_a_tool_is_a_visible_change(shop: Workshop) -> None:
    """Another site makes the next sequence, so that no tag stands for two documents; a note makes none."""
    inspected(shop)
    shop.call("PUT", "/sites/camp", {"name": "Camp", "time_zone": "UTC"})
    before = shop.status()
    moved = {"tool_type": "kind", "site": "camp", "commissioned_on": "2026-01-01"}
    shop.call("PUT", "/tools/H-1", moved)
    shop.work()
    after = shop.status()
    assert (after["site"], after["sequence"]) == ("camp", before["sequence"] + 1)
    shop.call("PUT", "/tools/H-1", moved | {"note": "third shelf"})
    shop.work()
    assert shop.status()["sequence"] == after["sequence"]


def test_usage_posted_since_runs_down_what_is_left(shop: Workshop) -> None:
    """Each metre posted after an event is a metre less, weighted by its ground over the planned ground."""
    inspected(shop)
    before = shop.status()
    entry = {"tool": "H-1", "from": day(60), "to": day(61), "metres": 100.0, "ground": "hard"}
    (stored,) = shop.call("POST", "/usage", {"entries": [entry]})["entries"]
    shop.work()
    after = shop.status()
    assert after["sequence"] == before["sequence"] + 1
    assert after["remaining"]["used_since"] == pytest.approx(100.0, rel=1e-12)
    assert after["remaining"]["p50"] == pytest.approx(before["remaining"]["p50"] - 100.0, rel=1e-9)
    shop.call("DELETE", f"/usage/{stored['id']}")
    shop.work()
    assert shop.status()["remaining"]["p50"] == pytest.approx(before["remaining"]["p50"], rel=1e-9)


def test_another_ground_rescales_both_alike(shop: Workshop) -> None:
    """Soft ground, a quarter of hard in wear, leaves four times the metres, in status and assessment."""
    inspection = inspected(shop)
    left = [shop.status()["remaining"]["p50"], shop.assessment(inspection)["remaining"]["governing"]["p50"]]
    soft = [
        shop.call("GET", "/tools/H-1/status?ground=soft")["remaining"]["p50"],
        shop.assessment(inspection, ground="soft")["remaining"]["governing"]["p50"],
    ]
    assert soft == pytest.approx([4 * amount for amount in left], rel=1e-12)


def test_build_and_histories_agree_on_usage(shop: Workshop) -> None:
    """What a component ran is one figure: in the build, in its own history, and (per 1000) beside its sizes."""
    shop.call("PUT", "/components/P-1", {"part": "piston", "tool_type": "kind", "site": "yard"})
    shop.call("POST", "/tools/H-1/fittings", {"component": "P-1", "from": day(0)})
    inspected(shop)
    piston = shop.call("GET", "/tools/H-1/build")["components"][0]
    history = shop.call("GET", "/components/P-1/history")
    (point,) = shop.call("GET", "/tools/H-1/history?feature=piston.od")["items"]
    assert (piston["component"], piston["metres"], piston["effective"]) == ("P-1", 3000.0, 6000.0)
    assert (history["usage"]["metres"], history["usage"]["effective"]) == (3000.0, 6000.0)
    assert history["sizes"][0]["component_usage"] == pytest.approx(6.0, rel=1e-12)
    assert (point["component"], point["component_usage"]) == ("P-1", history["sizes"][0]["component_usage"])
    assert point["tool_usage"]["metres"] == 3000.0
    (fit,) = shop.call("GET", "/tools/H-1/history?fit=piston-in-casing")["items"]
    assert (fit["shaft_component"], fit["bore_component"]) == ("P-1", None)
    assert fit["shaft_usage"] == fit["bore_usage"] == point["component_usage"]


def test_a_scrapped_component_is_shown_so(shop: Workshop) -> None:
    """A renewal takes the fitted component out to where it says, and a fitting of it says which inspection."""
    shop.call("PUT", "/components/P-1", {"part": "piston", "tool_type": "kind", "site": "yard"})
    shop.call("POST", "/tools/H-1/fittings", {"component": "P-1", "from": day(0)})
    inspection = shop.inspect(60, SIZES, metres=3000.0, renewals=[{"part": "piston", "component": "P-2"}])
    assert shop.call("GET", "/components/P-1")["state"] == "scrapped"
    taken = shop.call("GET", "/components/P-2")
    assert (taken["state"], taken["tool"]) == ("fitted", "H-1")
    old, new = shop.call("GET", "/tools/H-1/fittings")["items"]
    assert (old["component"], old["until"], old["inspection"]) == ("P-1", new["from"], None)
    assert (new["component"], new["inspection"]["id"]) == ("P-2", inspection)
