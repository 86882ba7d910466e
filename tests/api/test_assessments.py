"""Assessments as clients read them, from results written as a worker would have written them."""

from __future__ import annotations

import threading
import time
from typing import Any
from uuid import UUID, uuid4

import psycopg
import pytest

from service.api.assessment_document import ASSESSMENT
from service.api.schema import check
from service.cautions import CAUTIONS
from service.config import Config
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db
TAKEN = "2026-03-01T09:30:00Z"


@pytest.fixture
def inspection(fleet: Fleet) -> UUID:
    """One inspection of one tool, assessed, with one row of everything."""
    fleet.put_tool()
    made = fleet.insert_inspection(TAKEN, reference="WO-1")
    write(fleet, made)
    return made


def write(fleet: Fleet, inspection: UUID, **more: Any) -> None:
    row = {
        "loss": 0.17,
        "loss_standard_uncertainty": 0.01,
        "loss_by_rule": 0.17,
        "service_loss": 0.2,
        "loss_by_fit": [{"fit": "piston-in-casing", "loss": 0.17}],
        "governing": fleet.code("performance"),
        "due_p50": "2026-03-11",
        "offsets": [{"offset": "sleeve-under-bit", "position": None, "value": 1.27, "verdict": "serviceable"}],
        "checks": [{"check": "valve-condition", "result": "pass", "verdict": "serviceable", "note": None}],
        "parts": [{"part": "piston", "component": None, "position": 1, "verdict": "monitor", "reasons": ["worn"]}],
        "remarks": [{"code": "no-usage", "about": "tool", "message": "no usage on record"}],
    }
    key = fleet.insert_assessment(inspection, **(row | more))
    fleet.insert_size(key)
    fleet.insert_clearance(key, leak_mass_flow_kg_s=0.012, leak_free_air_m3_min=0.61, leak_regime="transitional")
    for ordinal, (limit, p50) in enumerate({"fit:piston-in-casing": 4100.0, "performance": 2200.0}.items()):
        limits = {"ordinal": ordinal, "limit_id": fleet.code(limit), "p10": None, "p50": p50, "p90": 5000.0}
        fleet.insert("limits", **(key | limits | {"probability_never": 0.1, "probability_beyond_now": 0.0}))


def path(inspection: UUID, query: str = "") -> str:
    return f"/inspections/{inspection}/assessment{query}"


def test_every_field_of_an_assessment_is_there(fleet: Fleet, inspection: UUID) -> None:
    """The document holds every field from the start, and is as its schema says."""
    answer = fleet.call("GET", path(inspection))
    document = answer.json
    assert answer.headers["ETag"] == '"1-mm"'
    assert check(ASSESSMENT, document)[1] == []
    assert set(document) == set(ASSESSMENT.fields)
    for name in ("sizes", "clearances", "offsets", "checks", "parts", "remarks"):
        assert set(document[name][0]) == set(ASSESSMENT.fields[name].inner.schema.fields), name
    assert set(document["performance"]) == set(ASSESSMENT.fields["performance"].schema.fields)
    assert set(document["remaining"]) == set(ASSESSMENT.fields["remaining"].schema.fields)
    assert set(document["clearances"][0]["leak"]) == {
        "mass_flow_kg_s",
        "free_air_m3_min",
        "share_of_delivery",
        "standard_uncertainty_m3_min",
        "regime",
        "choked",
    }
    assert document["tool_type"] == {"code": "small", "revision": 1}
    assert document["cautions"] == list(CAUTIONS)


def test_figures_are_those_stored(fleet: Fleet, inspection: UUID) -> None:
    """Sizes carry the uncertainty and wear state of the statistic that is judged; retained is 1 less the loss."""
    document = fleet.get(path(inspection))
    (size,) = document["sizes"]
    assert (size["feature"], size["mean"], size["worst"]) == ("piston.large-diameter", 97.872, 97.861)
    assert (size["standard_uncertainty"], size["degrees_of_freedom"]) == (0.0019, None)  # infinite
    assert size["wear_state"] == {
        "usage": 7.8,
        "level": 0.034,
        "rate": 0.005,
        "level_variance": 4e-6,
        "covariance": 1e-7,
        "rate_variance": 2e-6,
    }
    assert document["performance"]["retained"] == pytest.approx(0.83, abs=1e-15)
    remaining = document["remaining"]
    assert [limit["limit"] for limit in remaining["limits"]] == ["fit:piston-in-casing", "performance"]
    assert remaining["governing"] == {"limit": "performance", "p10": None, "p50": 2200.0, "p90": 5000.0}
    assert remaining["due_on"] == {"p10": None, "p50": "2026-03-11", "p90": None}


def test_a_feature_judged_by_its_mean_shows_the_means_uncertainty(fleet: Fleet) -> None:
    """`discard_on: mean` shows the uncertainty of the mean and, without a state of it, no wear state."""
    fleet.put_tool()
    inspection = fleet.insert_inspection(TAKEN)
    fleet.insert_size(fleet.insert_assessment(inspection), discard_on=1)
    (size,) = fleet.get(path(inspection))["sizes"]
    assert (size["discard_on"], size["standard_uncertainty"], size["degrees_of_freedom"]) == ("mean", 0.0011, 12.0)
    assert size["wear_state"] is None


def test_what_is_not_computed_is_null(fleet: Fleet) -> None:
    """Without a loss there is no performance, without limits none governs, without a leak it is null."""
    fleet.put_tool()
    inspection = fleet.insert_inspection(TAKEN)
    fleet.insert_clearance(fleet.insert_assessment(inspection))
    document = fleet.get(path(inspection))
    assert document["performance"] is None
    assert (document["remaining"]["governing"], document["remaining"]["limits"]) == (None, [])
    assert document["clearances"][0]["leak"] is None
    assert document["sizes"] == []


def test_lengths_come_in_inches_on_demand(fleet: Fleet, inspection: UUID) -> None:
    """`?unit=in` converts lengths by 25.4, variances by its square, and nothing else."""
    mm = fleet.get(path(inspection))
    answer = fleet.call("GET", path(inspection, "?unit=in"))
    inch = answer.json
    assert (answer.headers["ETag"], inch["unit"]) == ('"1-in"', "in")
    for name in ("mean", "worst", "standard_uncertainty", "discard"):
        assert inch["sizes"][0][name] * 25.4 == pytest.approx(mm["sizes"][0][name], rel=1e-15)
    state, state_mm = inch["sizes"][0]["wear_state"], mm["sizes"][0]["wear_state"]
    for name, power in {"usage": 0, "level": 1, "rate": 1, "level_variance": 2, "covariance": 2}.items():
        assert state[name] * 25.4**power == pytest.approx(state_mm[name], rel=1e-15), name
    assert inch["clearances"][0]["worst"] * 25.4 == pytest.approx(0.163, rel=1e-15)
    assert inch["offsets"][0]["value"] * 25.4 == pytest.approx(1.27, rel=1e-15)
    assert inch["clearances"][0]["leak"] == mm["clearances"][0]["leak"]
    assert inch["remaining"] == mm["remaining"]
    assert inch["performance"] == mm["performance"]


def test_another_ground_is_a_change_of_scale(fleet: Fleet, inspection: UUID) -> None:
    """`?ground=` divides what is left by the planned mean factor, dates with it, and gives no tag."""
    answer = fleet.call("GET", path(inspection, "?ground=soft:0.2,hard:0.8"))
    assert "ETag" not in answer.headers
    ratio = 2.0 / (0.2 * 0.5 + 0.8 * 2.0)  # stored for hard ground
    remaining = answer.json["remaining"]
    assert remaining["ground"] == {"soft": 0.2, "hard": 0.8}
    assert remaining["limits"][1]["p50"] == pytest.approx(2200 * ratio, rel=1e-15)
    assert (remaining["limits"][1]["p10"], remaining["limits"][1]["probability_never"]) == (None, 0.1)
    assert remaining["governing"]["p50"] == remaining["limits"][1]["p50"]
    assert remaining["due_on"]["p50"] == "2026-03-13"  # 10 days become 11.76
    assert fleet.get(path(inspection, "?ground=hard"))["remaining"]["limits"][1]["p50"] == 2200.0


def test_ground_the_type_does_not_know_is_refused(fleet: Fleet, inspection: UUID) -> None:
    """No plan is made with a class that has no factor; what is no mix is refused, too."""
    (error,) = fleet.get(path(inspection, "?ground=soft:0.5,swamp:0.5"), 422)["errors"]
    assert (error["pointer"], error["code"], "swamp" in error["message"]) == ("?ground", "unknown-ground", True)
    for text in ("soft:0.2", "soft:0.2,soft:0.8", "soft:-1,hard:2", "soft:nan", "", "soft,hard"):
        (error,) = fleet.get(path(inspection, f"?ground={text}"), 422)["errors"]
        assert (error["pointer"], error["code"]) == ("?ground", "bad-ground"), text


def test_older_versions_stay_readable(fleet: Fleet, inspection: UUID) -> None:
    """`?version=N` gives an older one; one that does not exist is 404."""
    fleet.insert_assessment(inspection, version=2, state="serviceable")
    assert fleet.get(path(inspection))["version"] == 2
    older = fleet.call("GET", path(inspection, "?version=1"))
    assert (older.json["state"], older.headers["ETag"]) == ("monitor", '"1-mm"')
    assert fleet.get(path(inspection, "?version=3"), 404)["code"] == "not-found"
    fleet.call("GET", path(inspection), status=304, If_None_Match='"2-mm"')


def test_before_it_exists_it_is_not_found_yet(fleet: Fleet) -> None:
    """Until there is one the answer is 404 `not-assessed-yet` with Retry-After; an unknown inspection is 404."""
    fleet.put_tool()
    inspection = fleet.insert_inspection(TAKEN, state="accepted", assessment_version=None)
    answer = fleet.call("GET", path(inspection), status=404)
    assert (answer.json["code"], answer.headers["Retry-After"]) == ("not-assessed-yet", "1")
    assert fleet.get(path(uuid4()), 404)["code"] == "not-found"


def test_after_a_correction_the_older_one_is_not_the_answer(fleet: Fleet, inspection: UUID) -> None:
    """After a correction there is none until one of the new inspection_version; the older by `?version=`."""
    fleet.conn.execute("UPDATE inspections SET inspection_version = 2, state = 'accepted'")
    fleet.conn.commit()
    assert fleet.get(path(inspection), 404)["code"] == "not-assessed-yet"
    assert fleet.get(path(inspection, "?version=1"))["inspection_version"] == 1
    fleet.insert_assessment(inspection, version=2)
    assert fleet.get(path(inspection))["inspection_version"] == 2


def test_a_wait_ends_when_it_is_there(fleet: Fleet, config: Config) -> None:
    """`Prefer: wait` holds the answer until the assessment is written, and says that it was honoured."""
    fleet.put_tool()
    inspection = fleet.insert_inspection(TAKEN, state="accepted", assessment_version=None)

    def later() -> None:
        time.sleep(0.3)
        with psycopg.connect(config.database_url) as conn:
            Fleet(fleet.client, conn).insert_assessment(inspection)

    thread = threading.Thread(target=later)
    thread.start()
    began = time.monotonic()
    answer = fleet.call("GET", path(inspection), status=200, Prefer="wait=20")
    thread.join()
    assert answer.headers["Preference-Applied"] == "wait=20"
    assert 0.2 < time.monotonic() - began < 10


def test_a_failed_inspection_answers_with_its_problem(fleet: Fleet, inspection: UUID) -> None:
    """Of a failed inspection the answer is 409 with why; older assessments stay readable."""
    problem = {"code": "too-hard", "detail": "the worker gave up"}
    fleet.conn.execute("UPDATE inspections SET state = 'failed', problem = %s", [psycopg.types.json.Jsonb(problem)])
    fleet.conn.commit()
    answer = fleet.get(path(inspection), 409)
    assert (answer["code"], answer["detail"], answer["problem"]) == (
        "inspection-failed",
        "the worker gave up",
        problem,
    )
    assert fleet.get(path(inspection, "?version=1"))["version"] == 1


def test_a_withdrawn_inspection_has_none_but_its_older_ones(fleet: Fleet, inspection: UUID) -> None:
    """Nobody waits for the assessment of a withdrawn inspection."""
    fleet.conn.execute("UPDATE inspections SET state = 'withdrawn', inspection_version = 2")
    fleet.conn.commit()
    assert fleet.get(path(inspection), 409)["code"] == "inspection-withdrawn"
    assert fleet.get(path(inspection, "?version=1"))["version"] == 1


def test_a_token_of_another_site_does_not_read_it(inspection: UUID, bound_fleet: Fleet) -> None:
    """An assessment belongs to its tool's site."""
    assert bound_fleet.get(path(inspection), 403)["code"] == "outside-site"
