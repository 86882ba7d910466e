"""Who sat where when, and what was run (contract 2 and 3; forecast method 12)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import numpy as np
import pytest

from service.store.assessment_inputs import FittingRow, InspectionRow, RevisionRow, ToolRow, UsageRow
from service.store.columns import ALWAYS, to_micros
from service.store.usage_record import on_record
from tests.worker.conftest import Workshop, day
from worker.as_of import bases
from worker.odometer import mix_factor, read_odometer
from worker.timeline import lay_out, reading_key

START = datetime(2026, 1, 1, tzinfo=UTC)
PISTON = ("piston", 1)


def at(days: float) -> datetime:
    return START + timedelta(days=days)


def tool(tool_id: int = 1) -> ToolRow:
    return ToolRow(tool_id, f"H-{tool_id}", 1, "kind", 1, "yard", "UTC", "new", START.date(), START)


def inspection(
    days: float, stage: str = "as_found", reference: str = "W", created: float | None = None
) -> InspectionRow:
    moment = at(days if created is None else created)
    return InspectionRow(
        1, uuid4(), reference, stage, at(days), 1, moment, moment, "accepted", None, None, False, [], None, None, None,
        None,
    )  # fmt: skip


def fitting(
    component: int | None, since: float, until: float | None = None, cause: UUID | None = None, tool_id: int = 1
) -> FittingRow:
    return FittingRow(tool_id, "piston", 1, component, at(since), None if until is None else at(until), cause)


def test_unnamed_component_begins_with_the_tool_and_after_a_removal() -> None:
    """Where no fitting holds there is an unnamed component, another one after each removal."""
    found = lay_out([tool()], [fitting(7, 10, 20), fitting(8, 30)], []).occupants(1, PISTON)
    assert [stint.instance > 0 for stint in found] == [False, True, False, True]
    assert [stint.since_us for stint in found] == [to_micros(at(n)) for n in (0, 10, 20, 30)]
    assert [stint.with_tool for stint in found] == [True, False, False, False]
    assert len({stint.instance for stint in found}) == 4


def test_renewal_acts_after_as_found_and_before_as_left_readings() -> None:
    """At one moment: posted fitting, as-found readings, its renewals, as-left renewals, as-left readings."""
    found, left = inspection(10), inspection(10, "as_left")
    by_found = lay_out([tool()], [fitting(7, 10, cause=found.inspection_id)], [found, left])
    assert by_found.occupant(1, PISTON, reading_key(found)).instance < 0
    assert by_found.occupant(1, PISTON, reading_key(left)).instance == 7
    by_left = lay_out([tool()], [fitting(7, 10, cause=left.inspection_id)], [found, left])
    assert by_left.occupant(1, PISTON, reading_key(found)).instance < 0
    assert by_left.occupant(1, PISTON, reading_key(left)).instance == 7
    posted = lay_out([tool()], [fitting(7, 10)], [found, left])
    assert posted.occupant(1, PISTON, reading_key(found)).instance == 7


def test_component_in_several_tools_has_its_stints_in_order() -> None:
    """A component's stints stand in the order of time, whichever tool they are in."""
    rows = [fitting(7, 30, tool_id=1), fitting(7, 0, 10, tool_id=2)]
    found = lay_out([tool(1), tool(2)], rows, []).of_component[7]
    assert [stint.tool_id for stint in found] == [2, 1]


def usage(since: float | None, until: float, metres: float | None, ground: dict[str, float] | None = None) -> UsageRow:
    amounts = [{"metres": metres, "hours": None, "ground": ground}]
    return UsageRow(1, None if since is None else at(since), at(until), metres, None, amounts)


FACTORS = {"soft": 0.5, "hard": 2.0}


def test_usage_is_weighted_by_ground_and_shared_pro_rata() -> None:
    """A straddling interval is shared pro rata to time; a class without a factor counts as 1."""
    rows = [usage(0, 10, 1000.0, {"hard": 0.5, "soft": 0.5}), usage(20, 30, 1000.0, {"odd": 1.0})]
    found = read_odometer(rows, "metres", FACTORS)
    moments = [to_micros(at(n)) for n in (-1, 0, 4, 10, 15, 25, 99)]
    assert found.at(moments).tolist() == pytest.approx([0, 0, 0.5, 1.25, 1.25, 1.75, 2.25])
    assert found.ungraded.tolist() == [False, True]


def test_interval_of_unknown_start() -> None:
    """All of it counts at its end, unless the first fitting says since when the tool was there."""
    rows = [usage(None, 10, 1000.0, {"hard": 1.0})]
    whole = read_odometer(rows, "metres", FACTORS)
    assert whole.at([to_micros(at(9.9)), to_micros(at(10))]).tolist() == [0.0, 2.0]
    assert bool(on_record(whole.since, whole.until, ALWAYS, to_micros(at(1))))
    begun = read_odometer(rows, "metres", FACTORS, to_micros(at(0)))
    assert begun.at([to_micros(at(5))]).tolist() == pytest.approx([1.0])


def test_what_is_on_record() -> None:
    """Some usage between two moments is enough; an entry that does not say the life basis is as if not there."""
    found = read_odometer([usage(0, 10, 100.0), usage(10, 20, None), usage(30, 40, 0.0)], "metres", FACTORS)
    starts, ends = ([to_micros(at(n)) for n in days] for days in ((0, 5, 10, 10, 20, 35), (5, 12, 20, 10, 30, 99)))
    assert on_record(found.since, found.until, starts, ends).tolist() == [True, True, False, True, False, True]


def test_recent_ground_is_weighted_by_usage() -> None:
    """The mix of the last 90 days by usage, else that of the last entry, else nothing."""
    rows = [
        usage(-300, -200, 500.0, {"soft": 1.0}),
        usage(0, 10, 300.0, {"hard": 1.0}),
        usage(10, 20, 100.0, {"soft": 1}),
    ]
    found = read_odometer(rows, "metres", FACTORS)
    assert found.mix(to_micros(at(20)))[0] == pytest.approx({"hard": 0.75, "soft": 0.25})
    assert found.mix(to_micros(at(-50)))[0] == {"soft": 1.0}
    assert found.mix(to_micros(at(-400)))[0] == {}
    assert mix_factor({"hard": 0.75, "soft": 0.25}, FACTORS) == 1.625
    assert mix_factor({}, FACTORS) == 1.0


def test_inputs_as_of_is_moved_only_while_newest() -> None:
    """A revision moves the newest inspection; once a later one has been accepted it stays, whoever comes before."""
    revisions = [RevisionRow(1, n + 1, at(days)) for n, days in enumerate((0, 15, 25))]
    rows = [inspection(1, created=10), inspection(2, created=20), inspection(3, created=22)]
    found = bases(rows, revisions)
    assert [basis.revision for basis in found] == [2, 2, 3]
    assert [basis.as_of for basis in found] == [at(15), at(20), at(25)]
    late = bases([inspection(0.5, created=30), *rows], revisions)
    assert [basis.revision for basis in late] == [3, 2, 2, 3]


def test_odometer_of_nothing() -> None:
    """A tool without usage has run nothing, and nothing of it is on record."""
    found = read_odometer([], "metres", FACTORS)
    assert found.at(np.array([0, 1])).tolist() == [0.0, 0.0]
    assert on_record(found.since, found.until, [0], [1]).tolist() == [False]


def test_a_tool_measured_before_its_day_of_commissioning_was_there_already(
    shop: Workshop, caplog: pytest.LogCaptureFixture
) -> None:
    """A wrong day of commissioning stops no assessment: the tool's own parts begin with its first inspection."""
    sizes = {"piston.od": 97.900, "casing.bore": 98.000}
    first = shop.inspect(-50, sizes)
    ran = {"tool": "H-1", "from": day(-50), "to": day(-5), "metres": 1000.0, "ground": "hard"}
    shop.call("POST", "/usage", {"entries": [ran]})
    found = [first, shop.inspect(-5, sizes, renewals=[{"part": "piston"}]), shop.inspect(5, sizes, 100.0)]
    shop.work()
    assert [shop.call("GET", f"/inspections/{one}")["state"] for one in found] == ["assessed"] * 3
    worn = {size["feature"]: size["wear_state"]["usage"] for size in shop.assessment(found[2])["sizes"]}
    assert worn == pytest.approx({"piston.od": 0.2, "casing.bore": 2.2})
    assert not [record for record in caplog.records if record.exc_info]
