"""Files that meet stored inspections change them many at a time; what is stored is what one by one gives."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from service.store import export_withdrawal
from tests.api.inspection_bodies import put_workshop
from tests.plugins.exports import CHECK_ROW, ROW, Exports, as_csv, rows
from worker.intake import load

pytestmark = pytest.mark.db

COLUMNS = (*ROW, "stage", "gauge", "master", "kind", "setup", "trace", "inspector", "metres", "ground", "temperature_c")
DAYS = ("2026-03-01T09:30:00Z", "2026-04-02T10:00:00Z", "2026-05-03T11:00:00Z")
SAMPLES = " ".join(f"{0.08 + 0.0001 * (n - 7) ** 2:.4f}" for n in range(15))

WRITTEN = """
SELECT i.reference, i.stage, i.taken_at, i.inspection_version, i.state, w.dirty_from IS NOT NULL,
       (SELECT json_agg(json_build_array(v.inspection_version, v.taken_at, v.cause, v.final, v.checks, v.setups)
                        ORDER BY v.inspection_version) FROM inspection_versions v
        WHERE v.inspection_id = i.inspection_id)::text,
       (SELECT json_agg(json_build_array(s.source, s.from_version, s.until_version, s.taken_at, s.inspector, s.usage,
                                         s.held_back) ORDER BY s.source)
        FROM inspection_sources s WHERE s.inspection_id = i.inspection_id)::text,
       (SELECT json_agg(to_jsonb(r) - 'inspection_id' - 'tool_id' ORDER BY r.inspection_version, r.ordinal)
        FROM readings r WHERE r.inspection_id = i.inspection_id)::text,
       (SELECT json_build_array(u.period, u.metres, u.hours, u.amounts) FROM usage u
        WHERE u.inspection_id = i.inspection_id)::text
FROM inspections i
JOIN tools t USING (tool_id)
LEFT JOIN tool_work w USING (tool_id)
WHERE t.serial = %s
ORDER BY i.taken_at, i.stage, i.reference
"""


def written(exports: Exports, tool: str) -> list[tuple[Any, ...]]:
    """Everything that is stored of a tool's inspections, without their ids."""
    found = exports.fleet.conn.execute(WRITTEN, [tool]).fetchall()
    exports.fleet.conn.rollback()
    return found


def first_file(tool: str) -> bytes:
    """Three inspections, the first two with usage."""
    every: list[dict[str, Any]] = []
    for n, day in enumerate(DAYS):
        run = {"metres": "800", "ground": "hard"} if n < 2 else {}
        more = {"tool": tool, "reference": f"WO-{n}", "taken_at": day, "inspector": "AB"}
        every += rows(4, **more, **run)
    return as_csv(every, COLUMNS)


def second_file(tool: str) -> bytes:
    """The same inspections: some readings again, others, another time of day, usage where there was none, a trace."""
    every: list[dict[str, Any]] = []
    for n, day in enumerate(DAYS):
        later = day.replace(":00:00Z", ":45:00Z")
        more = {"tool": tool, "reference": f"WO-{n}", "taken_at": later, "inspector": "CD"}
        run = {"metres": "650"} if n == 2 else {}
        every += rows(2, **more, **run)
        deviation = {"feature": "casing.piston-bore", "gauge": "DBG-1", "master": "RING-98", "setup": "morning"}
        every += rows(2, **more, **deviation, kind="deviation", value="0.012", temperature_c="24.5")
        trace = {"feature": "casing.piston-bore", "kind": "trace", "value": "", "trace": SAMPLES, "unit": "mm"}
        every += rows(1, **more, **trace, gauge="DBG-1", master="RING-98")
    return as_csv(every, COLUMNS)


@pytest.fixture
def one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Have everything that meets stored inspections take the steps of one inspection."""

    def none(*args: Any) -> tuple[int, Sequence[int]]:
        return 0, args[4]

    def switch(on: bool) -> None:
        if on:
            monkeypatch.setattr(load, "store_joined", none)
            monkeypatch.setattr(export_withdrawal, "MANY", 10**9)
        else:
            monkeypatch.undo()

    return switch


@pytest.mark.parametrize("how", ["add", "replace"])
def test_the_same_as_one_by_one(exports: Exports, one_at_a_time: Any, how: str) -> None:
    """Versions, sources, readings, usage and work are the same, whether inspections change together or singly."""
    for tool in ("H-A", "H-B"):
        exports.fleet.put_tool(tool, commissioned_on="2026-01-01")
        exports.read(first_file(tool))
    singly = []
    for tool, on in (("H-A", True), ("H-B", False)):
        one_at_a_time(on)
        export = exports.read(second_file(tool), on_existing=how)
        assert export["rows"] == {"total": 15, "accepted": 15, "faulty": 0}, exports.faults(export)
        singly.append(export)
    assert written(exports, "H-A") == written(exports, "H-B")
    assert [row[3] for row in written(exports, "H-B")] == [2, 2, 2]
    for export, on in zip(singly, (True, False), strict=True):
        one_at_a_time(on)
        exports.fleet.call("DELETE", f"/gauge-exports/{export['id']}")
    assert written(exports, "H-A") == written(exports, "H-B")
    states = {row[4] for row in written(exports, "H-B")}
    assert states == ({"accepted"} if how == "add" else {"withdrawn"})


def test_one_conflict_among_many(exports: Exports) -> None:
    """A group that cannot join is told of by its rows; the others join."""
    exports.read(first_file("H-1"))
    rows_of = second_file("H-1").decode().splitlines()
    file = "\n".join(line.replace("05-03T", "05-09T") for line in rows_of).encode()
    export = exports.read(file, on_existing="add")
    assert export["inspections"]["total"] == 2
    assert {code for _, _, code in exports.faults(export)} == {"group-spread"}


def test_no_time_for_usage(exports: Exports) -> None:
    """Usage that would have no time to have been run in is found among many, and its group is refused alone."""
    exports.fleet.put_tool("H-9", commissioned_on="2026-03-15")
    early = {"tool": "H-9", "reference": "WO-0", "taken_at": DAYS[0]}
    late = {"tool": "H-9", "reference": "WO-1", "taken_at": DAYS[1]}
    exports.read(as_csv([*rows(2, **early), *rows(2, **late)], COLUMNS))
    run = {"metres": "10", "value": "97.8"}
    export = exports.read(as_csv([*rows(1, **early, **run), *rows(1, **late, **run)], COLUMNS), on_existing="add")
    assert export["rows"]["accepted"] == 1
    assert {code for _, _, code in exports.faults(export)} == {"usage-without-time"}


def test_checks_join(exports: Exports) -> None:
    """Check results join many inspections; one that differs from a stored one is refused with its inspection's rows."""
    put_workshop(exports.fleet)
    groups = [{"reference": f"WO-{n}", "taken_at": day} for n, day in enumerate(DAYS)]
    exports.read(as_csv([CHECK_ROW | group for group in groups], CHECK_ROW), layout="checks")
    more = [CHECK_ROW | groups[0] | {"result": "fail"}]
    more += [CHECK_ROW | group | {"check": "valve-condition"} for group in groups[1:]]
    export = exports.read(as_csv(more, CHECK_ROW), layout="checks", on_existing="add")
    assert exports.faults(export) == [(2, "reference", "header-differs")]
    found = {one["reference"]: {check["check"] for check in one["checks"]} for one in exports.inspections()}
    both = {"ring-seated", "valve-condition"}
    assert found == {"WO-0": {"ring-seated"}, "WO-1": both, "WO-2": both}


def test_a_trace_by_file_and_by_document(exports: Exports) -> None:
    """A trace that came by a file is stored as one that came as a document, in whatever unit."""
    row = {"feature": "casing.piston-bore", "kind": "trace", "gauge": "DBG-1", "master": "RING-98", "station": 1}
    inches = SAMPLES.replace("0.", "0.00")
    for tool, unit, samples in (("H-A", "mm", SAMPLES), ("H-B", "in", inches)):
        exports.fleet.put_tool(tool)
        cells = row | {"value": "", "trace": samples, "tool": tool, "unit": unit}
        exports.read(as_csv([ROW | cells, ROW | {"tool": tool, "orientation": "90"}], COLUMNS))
        reading = row | {"orientation": 0, "trace": [float(sample) for sample in samples.split()]}
        body = {"tool": tool, "reference": "WO-9", "taken_at": DAYS[1], "unit": unit, "readings": [reading]}
        exports.fleet.call("POST", "/inspections", body)
        stored = exports.fleet.conn.execute(
            "SELECT trace, value, sent, sent_unit, kind FROM readings JOIN tools USING (tool_id)"
            " WHERE serial = %s AND trace IS NOT NULL",
            [tool],
        ).fetchall()
        exports.fleet.conn.rollback()
        assert len(stored) == 2 and stored[0] == stored[1]


def test_no_row_without_its_inspection(exports: Exports) -> None:
    """Versions, sources and usage belong to an inspection that is there, and go with one that is deleted by hand."""
    exports.read(first_file("H-1"))
    conn = exports.fleet.conn
    for table in ("inspection_versions", "inspection_sources", "usage"):
        orphans = f"SELECT count(*) FROM {table} LEFT JOIN inspections i USING (inspection_id) WHERE i.tool_id IS NULL"
        assert conn.execute(orphans).fetchone() == (0,)
    found = conn.execute("SELECT inspection_id FROM inspections LIMIT 1").fetchone()
    assert found is not None
    (doomed,) = found
    conn.execute("DELETE FROM inspections WHERE inspection_id = %s", [doomed])
    for table in ("inspection_versions", "inspection_sources", "usage"):
        left = f"SELECT count(*) FROM {table} WHERE inspection_id = %s"
        assert conn.execute(left, [doomed]).fetchone() == (0,)
    conn.rollback()
