"""Gauge exports over HTTP: kept byte for byte, known again, read row by row, taken out again."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from tests.plugins.exports import ROW, Exports, as_csv, rows
from tests.plugins.fleet import Fleet

pytestmark = [pytest.mark.db, pytest.mark.broker]


def test_a_file_becomes_inspections(exports: Exports) -> None:
    """Rows of one tool, reference and stage make one inspection, wherever in the file they stand."""
    first, second = rows(3), rows(2, reference="WO-2", taken_at="2026-03-05T00:00:00Z")
    export = exports.read(as_csv([first[0], second[0], first[1], second[1], first[2]]))
    assert export["state"] == "assessing"
    assert export["rows"] == {"total": 5, "accepted": 5, "faulty": 0}
    assert export["inspections"] == {"total": 2, "assessed": 0, "failed": 0}
    found = {one["reference"]: one for one in exports.inspections()}
    assert [r["orientation"] for r in found["WO-1"]["readings"]] == [0, 120, 240]
    assert found["WO-1"]["taken_at"] == "2026-02-28T23:30:00Z"
    assert len(found["WO-2"]["readings"]) == 2
    assert found["WO-1"]["sources"][0]["export"] == export["id"]
    assert exports.fleet.dirty_from() is not None


def test_accepted_at_an_address_of_its_own(exports: Exports) -> None:
    """A file is answered 202 with its address, its SHA-256 and its size, before any row is read."""
    content = as_csv(rows(2))
    answer = exports.post(content)
    assert answer.headers["Location"] == f"/v1/gauge-exports/{answer.json['id']}"
    assert answer.json["state"] == "received"
    assert answer.json["sha256"] == hashlib.sha256(content).hexdigest()
    assert answer.json["size_bytes"] == len(content)


def test_the_same_bytes_again(exports: Exports) -> None:
    """The same bytes on the same terms are the same export; on other terms they are another."""
    content = as_csv(rows(2))
    first = exports.read(content)
    assert exports.post(content, 200).json["id"] == first["id"]
    other = exports.read(content, on_fault="reject", on_existing="add")
    assert other["id"] != first["id"]
    assert other["state"] == "done"  # a source already there changes nothing
    assert other["rows"] == {"total": 2, "accepted": 2, "faulty": 0}
    assert [one["inspection_version"] for one in exports.inspections()] == [1]


def test_the_same_bytes_after_a_failure(exports: Exports) -> None:
    """An export that failed does not stand in the way of the same bytes."""
    content = as_csv(rows(1), ["reference", "tool"])
    first = exports.read(content)
    assert first["state"] == "failed"
    assert exports.post(content, 202).json["id"] != first["id"]


def test_bytes_come_back(exports: Exports) -> None:
    """The file is given back byte for byte."""
    content = as_csv(rows(30_000))
    export = exports.post(content).json
    assert len(content) > 2 * 1024 * 1024
    answer = exports.fleet.call("GET", f"/gauge-exports/{export['id']}/file")
    assert answer.data == content
    assert answer.mimetype == "text/csv"


@pytest.mark.parametrize("how", ["encoded", "typed", "bare"])
def test_gzip(exports: Exports, how: str) -> None:
    """A packed file is read whichever way it says that it is packed; its hash is that of the bytes sent."""
    content = gzip.compress(as_csv(rows(3)))
    more = {"encoded": {"encoding": "gzip"}, "typed": {"type": "application/gzip"}, "bare": {}}[how]
    export = exports.read(content, **more)
    assert export["rows"]["accepted"] == 3
    assert export["sha256"] == hashlib.sha256(content).hexdigest()
    assert exports.fleet.call("GET", f"/gauge-exports/{export['id']}/file").data == content


def test_multipart(exports: Exports) -> None:
    """A form with one `file` is a file with a name."""
    body = b'--cut\r\nContent-Disposition: form-data; name="file"; filename="tuesday.csv"\r\n\r\n%s\r\n--cut--\r\n'
    export = exports.read(body % as_csv(rows(2)), type="multipart/form-data; boundary=cut")
    assert (export["file_name"], export["rows"]["accepted"]) == ("tuesday.csv", 2)
    wrong = body.replace(b'name="file"', b'name="sheet"') % b"x"
    problem = exports.post(wrong, 422, type="multipart/form-data; boundary=cut").json
    assert {error["pointer"] for error in problem["errors"]} == {"/file", "/sheet"}


@pytest.mark.parametrize(
    ("content", "more", "status", "code"),
    [
        (b"", {}, 422, "empty-file"),
        (gzip.compress(b"", mtime=0), {}, 422, "empty-file"),
        (b"\x1f\x8b\x08rubbish", {}, 422, "bad-gzip"),
        (gzip.compress(b"a,b\n" * 1000, mtime=0)[:-20], {}, 422, "bad-gzip"),
        (b"x", {"layout": "nobodys"}, 422, "unknown-layout"),
        (b"x", {"on_fault": "perhaps"}, 422, "not-one-of"),
        (b"x", {"colour": "red"}, 422, "unknown-parameter"),
        (b"{}", {"type": "application/json"}, 415, None),
        (b"x", {"encoding": "br"}, 415, None),
    ],
)
def test_refused_at_once(exports: Exports, content: bytes, more: dict[str, str], status: int, code: str | None) -> None:
    """What is no file to be read is a problem document, and nothing of it stays."""
    problem = exports.post(content, status, **more).json
    assert problem["status"] == status
    if code:
        assert [error["code"] for error in problem["errors"]] == [code]
    exports.fleet.conn.rollback()
    assert exports.fleet.conn.execute("SELECT count(*) FROM gauge_exports").fetchone() == (0,)


def test_what_unpacks_too_large(exports: Exports) -> None:
    """A small packed file that unpacks to more than 256 MiB is refused, and not kept."""
    packed = gzip.compress(bytes(257 * 1024 * 1024), compresslevel=1)
    exports.post(packed, 413)
    assert exports.fleet.conn.execute("SELECT count(*) FROM gauge_export_chunks").fetchone() == (0,)


def test_keyed(exports: Exports) -> None:
    """A key replays the answer; with another file it is refused."""
    first = exports.post(as_csv(rows(2)), key="k1").json
    again = exports.post(as_csv(rows(2)), key="k1")
    assert (again.json["id"], again.headers["Location"]) == (first["id"], f"/v1/gauge-exports/{first['id']}")
    exports.post(as_csv(rows(3)), 422, key="k1")
    assert len(exports.fleet.get("/gauge-exports")["items"]) == 1


def test_lists(exports: Exports) -> None:
    """Exports are listed page by page, and by layout and state."""
    ids = [exports.post(as_csv(rows(n))).json["id"] for n in (1, 2, 3)]
    page = exports.fleet.get("/gauge-exports?limit=2")
    assert [item["id"] for item in page["items"]] == ids[:2]
    rest = exports.fleet.get(f"/gauge-exports?limit=2&after={page['next']}")
    assert ([item["id"] for item in rest["items"]], rest["next"]) == (ids[2:], None)
    assert exports.fleet.get("/gauge-exports?state=done&layout=plain")["items"] == []


def test_faults_as_csv(exports: Exports) -> None:
    """Faults are a CSV file for who asks for one: row, column, code, message, text."""
    export = exports.read(as_csv([ROW, ROW | {"value": "wide", "orientation": "9"}]))
    answer = exports.fleet.call("GET", f"/gauge-exports/{export['id']}/faults", Accept="text/csv")
    assert answer.mimetype == "text/csv"
    assert answer.get_data(True).splitlines() == [
        "row,column,code,message,text",
        "3,value,not-a-number,must be a number,wide",
    ]


def test_taken_out_again(exports: Exports) -> None:
    """An export that is deleted takes its inspections with it, and leaves those that rest on another source too."""
    alone = exports.read(as_csv(rows(2)))
    shared = exports.read(as_csv(rows(2, reference="WO-2")))
    bore = rows(2, reference="WO-2", feature="casing.piston-bore", value="98.02")
    joined = exports.read(as_csv(bore), on_existing="add")
    for export in (alone, joined):
        exports.fleet.call("DELETE", f"/gauge-exports/{export['id']}", status=204)
    (left,) = exports.inspections()
    assert (left["reference"], left["inspection_version"]) == ("WO-2", 3)
    assert {r["feature"] for r in left["readings"]} == {"piston.large-diameter"}
    assert exports.get(alone["id"])["state"] == "withdrawn"
    assert exports.get(shared["id"])["state"] == "assessing"
    assert exports.post(as_csv(rows(2))).status_code == 202  # the same bytes are welcome again


def test_read_again(exports: Exports) -> None:
    """A failed export is read again on demand, once what it lacked is there; another one is not."""
    content = as_csv(rows(2, tool="H-9"))
    export = exports.read(content, on_fault="reject")
    assert export["state"] == "failed"
    exports.fleet.put_tool("H-9")
    again = exports.fleet.call("POST", f"/gauge-exports/{export['id']}/retry", status=202).json
    assert (again["state"], again["rows"]) == ("received", {"total": 0, "accepted": 0, "faulty": 0})
    exports.fleet.call("POST", f"/gauge-exports/{export['id']}/retry", status=409)


def test_only_of_the_tokens_site(exports: Exports, make_client: Callable[..., FlaskClient]) -> None:
    """A token bound to a site writes its own tools, and sees its own exports."""
    whole = exports.post(as_csv(rows(1))).json
    bound = Exports(Fleet(make_client("admin", site="south-camp"), exports.fleet.conn))
    bound.fleet.call("PUT", "/tools/S-1", {"tool_type": "small", "site": "south-camp"})
    export = bound.read(as_csv([ROW, ROW | {"tool": "S-1"}]))
    assert bound.faults(export) == [(2, "tool", "outside-site")]
    assert [item["id"] for item in bound.fleet.get("/gauge-exports")["items"]] == [export["id"]]
    bound.fleet.get(f"/gauge-exports/{whole['id']}", 403)


def test_nobodys_export(exports: Exports) -> None:
    """An export that does not exist is a 404, whatever is asked of it."""
    nobody = "0199aaaa-0000-7000-8000-000000000000"
    for method, path in (("GET", ""), ("GET", "/faults"), ("GET", "/file"), ("DELETE", ""), ("POST", "/retry")):
        exports.fleet.call(method, f"/gauge-exports/{nobody}{path}", status=404)


def test_taken_out_all_at_once(exports: Exports) -> None:
    """Many inspections go with their usage, and the interval of the one after them is derived anew."""
    exports.fleet.put_tool(commissioned_on="2026-01-01")
    columns = [*ROW, "metres"]
    later = ROW | {"reference": "Z", "taken_at": "2026-06-01T00:00:00Z", "metres": "5"}
    exports.read(as_csv([later], columns))
    many = [ROW | {"reference": f"R{n}", "taken_at": f"2026-02-{n:02}T00:00:00Z", "metres": "5"} for n in range(1, 21)]
    export = exports.read(as_csv(many, columns))
    assert export["rows"]["accepted"] == 20
    exports.fleet.settle()
    exports.fleet.call("DELETE", f"/gauge-exports/{export['id']}", status=204)
    assert [one["reference"] for one in exports.inspections()] == ["Z"]
    found = exports.fleet.conn.execute("SELECT lower(period), upper(period) FROM usage").fetchall()
    assert [(since.isoformat()[:10], until.isoformat()[:10]) for since, until in found] == [
        ("2025-12-31", "2026-06-01")
    ]
    dirty = exports.fleet.dirty_from()
    assert dirty is not None and dirty.isoformat().startswith("2026-02-01")
    (one,) = exports.fleet.get("/inspections?tool=H-1&state=withdrawn&limit=1")["items"]
    versions = exports.fleet.get(f"/inspections/{one['id']}/versions")["items"]
    assert [version["cause"] for version in versions] == ["withdrawn", "posted"]
