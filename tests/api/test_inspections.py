"""Inspections over HTTP, on a real database: stored, known again, joined, corrected, withdrawn."""

from __future__ import annotations

import copy
import threading
from typing import Any

import pytest

from tests.api.inspection_bodies import inspection, post, put_workshop, reading
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def count(fleet: Fleet, table: str) -> int:
    row = fleet.conn.execute(f"SELECT count(*) FROM {table}").fetchone()  # type: ignore[arg-type]
    fleet.conn.rollback()
    assert row is not None
    return row[0]


def values(fleet: Fleet, inspection_id: str) -> list[float]:
    return [row["value"] for row in fleet.get(f"/inspections/{inspection_id}")["readings"]]


def test_an_inspection_is_accepted_and_read_back(workshop: Fleet) -> None:
    """A POST is answered 202 with Location, and the record there holds every reading as stored."""
    answer = workshop.call("POST", "/inspections", inspection(usage={"metres": 1520.0, "ground": "hard"}), 202)
    assert answer.headers["Location"] == f"/v1/inspections/{answer.json['id']}"
    assert answer.json["state"] == "accepted"
    record = workshop.get(f"/inspections/{answer.json['id']}")
    assert record["taken_at"] == "2026-02-28T23:30:00Z"
    assert [row["value"] for row in record["readings"]] == [97.861, 0.034]
    assert record["readings"][1]["master"] == "RING-98"
    assert record["usage"] == [{"metres": 1520.0, "hours": None, "ground": {"hard": 1.0}}]
    assert record["checks"] == [{"check": "valve-condition", "result": "pass", "note": None}]
    assert workshop.dirty_from() is not None


def test_inches_are_stored_as_the_same_millimetres(workshop: Fleet) -> None:
    """1 in = 25.4 mm exactly: 3.853 in is 97.8662 mm to the last digit, and what was sent is kept beside."""
    sent = post(workshop, unit="in", readings=[reading(value=3.853)])
    row = workshop.get(f"/inspections/{sent['id']}")["readings"][0]
    assert row["value"] == 97.8662
    assert row["sent"] == {"value": 3.853, "unit": "in"}
    assert workshop.get(f"/inspections/{sent['id']}?unit=in")["readings"][0]["value"] == pytest.approx(3.853, abs=1e-15)


def test_the_same_source_is_known_again(workshop: Fleet) -> None:
    """A source already there is answered 200 with the same id and changes nothing, however it is written."""
    first = post(workshop, usage={"metres": 10.0, "ground": "hard"})
    workshop.settle()
    again = inspection(
        taken_at="2026-02-28T23:30:00.000Z", usage=[{"metres": 10, "ground": {"hard": 1}}], stage="as_found"
    )
    again["readings"] = [r | {"kind": r.get("kind", "size"), "position": 1} for r in reversed(again["readings"])]
    answer = workshop.call("POST", "/inspections", again, 200)
    assert answer.json["id"] == first["id"]
    assert answer.json["inspection_version"] == 1
    assert workshop.dirty_from() is None
    inches = post(workshop, reference="WO-2", readings=[reading(value=97.8662)])
    assert post(workshop, 200, reference="WO-2", unit="in", readings=[reading(value=3.853)])["id"] == inches["id"]


def test_another_source_is_refused_by_default(workshop: Fleet) -> None:
    """Tool, reference and stage make one inspection: another source of it is 409 and names it."""
    first = post(workshop)
    problem = post(workshop, 409, readings=[reading(value=97.8)])
    assert (problem["code"], problem["id"]) == ("inspection-exists", first["id"])
    assert post(workshop, stage="as_left", readings=[reading(value=97.8)])["id"] != first["id"]


def test_a_second_instrument_joins(workshop: Fleet) -> None:
    """With `add` the bore gauge's file and the micrometer's sheet become one inspection, each reading of its source."""
    first = post(workshop, readings=[reading()], checks=None, inspector="ab")
    second = post(
        workshop,
        query="?on_existing=add",
        taken_at="2026-03-01T12:00:00+10:00",
        readings=[reading("casing.piston-bore", 98.03)],
        inspector="cd",
        usage={"metres": 50.0},
    )
    assert (second["id"], second["inspection_version"]) == (first["id"], 2)
    record = workshop.get(f"/inspections/{first['id']}")
    assert record["taken_at"] == "2026-03-01T02:00:00Z"
    assert [(row["source"], row["value"]) for row in record["readings"]] == [(1, 97.861), (2, 98.03)]
    assert [source["inspector"] for source in record["sources"]] == ["ab", "cd"]
    assert record["usage"] == [{"metres": 50.0, "hours": None, "ground": None}]
    assert post(workshop, 200, query="?on_existing=add", readings=[reading()], checks=None, inspector="ab")["id"]


def test_equal_readings_join_as_multisets(workshop: Fleet) -> None:
    """Of readings equal in every field, only as many join as the new source holds more than the inspection has."""
    first = post(workshop, readings=[reading(), reading()], checks=None)
    post(
        workshop, query="?on_existing=add", readings=[reading(), reading(), reading(), reading(value=97.9)], checks=None
    )
    assert values(workshop, first["id"]) == [97.861, 97.861, 97.861, 97.9]
    post(workshop, query="?on_existing=add", readings=[reading(), reading(value=97.8)], checks=None)
    assert values(workshop, first["id"]) == [97.861, 97.861, 97.861, 97.9, 97.8]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"taken_at": "2026-03-02T10:00:00+10:00"}, "group-spread"),
        ({"usage": {"metres": 11.0}}, "header-differs"),
        ({"checks": [{"check": "valve-condition", "result": "fail"}]}, "header-differs"),
    ],
)
def test_what_does_not_join_is_refused(workshop: Fleet, change: dict[str, Any], code: str) -> None:
    """Times over 24 h apart are 409 group-spread; a usage that differs is 409 header-differs."""
    first = post(workshop, usage={"metres": 10.0})
    problem = post(workshop, 409, query="?on_existing=add", **({"readings": [reading(value=97.8)]} | change))
    assert problem["code"] == code
    assert workshop.get(f"/inspections/{first['id']}")["inspection_version"] == 1


def test_replace_makes_it_the_only_source(workshop: Fleet) -> None:
    """With `replace` the new source is the only one from now on; the old version stays readable."""
    first = post(workshop)
    post(workshop, query="?on_existing=replace", readings=[reading(value=97.8)], checks=None)
    assert values(workshop, first["id"]) == [97.8]
    versions = workshop.get(f"/inspections/{first['id']}/versions")["items"]
    assert [(v["inspection_version"], v["cause"]) for v in versions] == [(2, "replaced"), (1, "posted")]
    assert [r["value"] for r in versions[1]["readings"]] == [97.861, 0.034]
    assert versions[1]["checks"]
    page = workshop.get(f"/inspections/{first['id']}/versions?limit=1")
    assert [version["cause"] for version in page["items"]] == ["replaced"]
    last = workshop.get(f"/inspections/{first['id']}/versions?limit=1&after={page['next']}")
    assert (last["items"], last["next"]) == (versions[1:], None)
    workshop.get(f"/inspections/{first['id']}/versions?after=WyJ4Il0", 422)
    post(workshop, query="?on_existing=replace")
    assert values(workshop, first["id"]) == [97.861, 0.034]


def test_put_corrects(workshop: Fleet) -> None:
    """PUT changes anything but tool, reference and stage, in a new version, and an identical one makes none."""
    first = post(workshop)
    workshop.settle()
    body = inspection(taken_at="2026-02-20T00:00:00Z", readings=[reading(value=97.85)], inspector="xy")
    answer = workshop.call("PUT", f"/inspections/{first['id']}", body, 200)
    assert answer.json["inspection_version"] == 2
    assert workshop.get(f"/inspections/{first['id']}")["taken_at"] == "2026-02-20T00:00:00Z"
    dirty = workshop.dirty_from()
    assert dirty is not None and dirty.isoformat().startswith("2026-02-20")
    assert workshop.call("PUT", f"/inspections/{first['id']}", body, 200).json["inspection_version"] == 2
    problem = workshop.call("PUT", f"/inspections/{first['id']}", body | {"reference": "WO-9"}, 422).json
    assert [(e["pointer"], e["code"]) for e in problem["errors"]] == [("/reference", "cannot-change")]


def test_put_and_delete_honour_if_match(workshop: Fleet) -> None:
    """A write that expects another version is 412 and changes nothing."""
    first = post(workshop)
    path = f"/inspections/{first['id']}"
    tag = workshop.call("GET", path).headers["ETag"]
    workshop.call("GET", path, status=304, If_None_Match=tag)
    workshop.call("PUT", path, inspection(readings=[reading(value=97.8)]), 200, If_Match=tag)
    workshop.call("PUT", path, inspection(), 412, If_Match=tag)
    workshop.call("DELETE", path, status=412, If_Match=tag)
    assert values(workshop, first["id"]) == [97.8]


def test_delete_withdraws(workshop: Fleet) -> None:
    """A withdrawn inspection stays readable, its amounts go with it and are stated; posted again it is a new one."""
    first = post(workshop, usage=[{"metres": 10.0, "ground": "hard"}, {"metres": 5.0, "hours": 1.0, "ground": "soft"}])
    withdrawn = workshop.call("DELETE", f"/inspections/{first['id']}", status=200).json
    assert withdrawn["state"] == "withdrawn"
    assert (withdrawn["usage"]["metres"], withdrawn["usage"]["hours"]) == (15.0, 1.0)
    assert len(withdrawn["usage"]["amounts"]) == 2
    assert count(workshop, "usage") == 0
    record = workshop.get(f"/inspections/{first['id']}")
    assert (record["state"], record["inspection_version"], len(record["readings"])) == ("withdrawn", 2, 2)
    assert workshop.call("DELETE", f"/inspections/{first['id']}", status=200).json["inspection_version"] == 2
    assert workshop.call("PUT", f"/inspections/{first['id']}", inspection(), 409).json["code"] == "withdrawn"
    assert post(workshop)["id"] != first["id"]


def test_a_batch_stores_each_by_itself(workshop: Fleet) -> None:
    """Each item of a batch is stored or refused by itself, with the problem it would have had alone."""
    good, bad = inspection(), inspection(reference="WO-2", tool="H-9")
    again = copy.deepcopy(good)
    other = inspection(reference="WO-1", readings=[reading(value=97.0)])
    items = workshop.call("POST", "/inspections/batch", {"inspections": [good, bad, again, other, 7]}, 200).json[
        "items"
    ]
    assert [item["status"] for item in items] == [202, 422, 200, 409, 422]
    assert [item["index"] for item in items] == [0, 1, 2, 3, 4]
    assert items[1]["problem"]["errors"][0] == {
        "pointer": "/tool",
        "code": "unknown-tool",
        "message": "names a tool that does not exist",
    }
    assert items[0]["id"] == items[2]["id"] == items[3]["id"]
    assert count(workshop, "inspections") == 1


def test_a_batch_that_is_none_is_refused(workshop: Fleet) -> None:
    """At most 500 inspections, and nothing else."""
    for body, code in (({}, "required"), ({"inspections": []}, "too-few"), ({"inspections": [1] * 501}, "too-many")):
        assert workshop.call("POST", "/inspections/batch", body, 422).json["errors"][0]["code"] == code


def test_a_key_replays_the_answer(workshop: Fleet) -> None:
    """The same Idempotency-Key gives the same answer and no second version; another body with it is 422."""
    first = workshop.call("POST", "/inspections", inspection(), 202, Idempotency_Key="k1")
    again = workshop.call("POST", "/inspections", inspection(), 202, Idempotency_Key="k1")
    assert (again.json, again.headers["Location"]) == (first.json, first.headers["Location"])
    workshop.call("POST", "/inspections", inspection(reference="WO-2"), 422, Idempotency_Key="k1")
    refused = workshop.call("POST", "/inspections", inspection(unit=None), 422, Idempotency_Key="k2").json
    assert workshop.call("POST", "/inspections", inspection(unit=None), 422, Idempotency_Key="k2").json == refused
    assert count(workshop, "inspections") == 1


def test_waiting_in_vain_is_answered_202(workshop: Fleet) -> None:
    """With nobody assessing, `Prefer: wait` ends in 202 once the time is up."""
    answer = workshop.call("POST", "/inspections", inspection(), 202, Prefer="wait=1")
    assert answer.headers["Preference-Applied"] == "wait=1"


def test_waiting_gives_the_assessment(workshop: Fleet) -> None:
    """With `Prefer: wait` the answer is 201 with the assessment once there is one of this version."""
    before = post(workshop, reference="WO-0")["id"]
    body = inspection()

    def assess() -> None:
        row = None
        with workshop.conn.transaction():
            while row is None:
                row = workshop.conn.execute(
                    "SELECT inspection_id FROM inspections WHERE inspection_id <> %s", [before]
                ).fetchone()
        workshop.conn.commit()
        workshop.insert_assessment(row[0])
        workshop.conn.execute(
            "UPDATE inspections SET state = 'assessed', assessment_version = 1 WHERE inspection_id = %s", row
        )
        workshop.conn.commit()

    worker = threading.Thread(target=assess)
    worker.start()
    answer = workshop.call("POST", "/inspections", body, 201, Prefer="wait=20")
    worker.join()
    assert answer.json["state"] == "assessed"
    assert answer.json["assessment"]["inspection"] == answer.json["id"]


def test_waiting_tells_of_a_failure(workshop: Fleet) -> None:
    """A failed inspection is answered with its problem, and the record shows it."""
    first = post(workshop)
    workshop.conn.execute("""UPDATE inspections SET state = 'failed', problem = '{"code": "no-size"}'""")
    workshop.conn.commit()
    answer = workshop.call("POST", "/inspections", inspection(), 200, Prefer="wait=5").json
    assert (answer["id"], answer["state"], answer["problem"]) == (first["id"], "failed", {"code": "no-size"})
    assert workshop.get(f"/inspections/{first['id']}")["problem"] == {"code": "no-size"}


def test_the_list_filters_and_pages(workshop: Fleet) -> None:
    """Lists go by time, filter by tool, site, from and to, and page by an opaque cursor."""
    workshop.put_tool("S-1", site="south-camp")
    for day in (3, 1, 2):
        post(workshop, reference=f"WO-{day}", taken_at=f"2026-03-0{day}T00:00:00Z")
    post(workshop, reference="WO-4", tool="S-1", taken_at="2026-03-04T00:00:00Z")
    listed = [row["reference"] for row in workshop.get("/inspections")["items"]]
    assert listed == ["WO-1", "WO-2", "WO-3", "WO-4"]
    between = workshop.get("/inspections?from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z")["items"]
    assert [row["reference"] for row in between] == ["WO-2"]
    assert [row["reference"] for row in workshop.get("/inspections?site=south-camp")["items"]] == ["WO-4"]
    page = workshop.get("/inspections?tool=H-1&limit=2")
    rest = workshop.get(f"/inspections?tool=H-1&limit=2&after={page['next']}")
    assert [row["reference"] for row in page["items"] + rest["items"]] == ["WO-1", "WO-2", "WO-3"]
    assert rest["next"] is None
    workshop.get("/inspections?colour=red", 422)


def test_a_bound_token_keeps_to_its_site(workshop: Fleet, bound_fleet: Fleet) -> None:
    """A token bound to a site neither writes nor reads inspections of another site's tools."""
    first = post(workshop)
    assert post(bound_fleet, 403, reference="WO-2")["code"] == "outside-site"
    assert bound_fleet.get(f"/inspections/{first['id']}", 403)["code"] == "outside-site"
    bound_fleet.call("DELETE", f"/inspections/{first['id']}", status=403)
    assert bound_fleet.get("/inspections")["items"] == []
    items = bound_fleet.call("POST", "/inspections/batch", {"inspections": [inspection(reference="X")]}, 200).json[
        "items"
    ]
    assert items[0]["status"] == 403


def test_a_year_without_tables_gets_them(workshop: Fleet) -> None:
    """Readings of any year are stored: tables by year are made when they are needed."""
    assert post(workshop, taken_at="1999-06-01T00:00:00Z")["state"] == "accepted"
    assert post(workshop, reference="WO-2", taken_at="1999-07-01T00:00:00Z")["state"] == "accepted"
