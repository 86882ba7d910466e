"""Sources that become one inspection, and one that goes out of it again."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from uuid import UUID, uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.store import inspection_changes, joining
from service.store.errors import Conflict
from service.store.sources import CheckRow, Content, ReadingRow, StoredSource
from tests.api.inspection_bodies import post, put_workshop, reading
from tests.plugins.fleet import Fleet


def rows(source: int, *values: int) -> Content:
    return Content([ReadingRow(source, 1, None, None, None, None, 0, float(value)) for value in values])


def stored(source: int, held_back: Content | None = None) -> StoredSource:
    held = None if held_back is None else {"readings": [_short(row) for row in held_back.readings]}
    now = datetime(2026, 3, 1, tzinfo=UTC)
    return StoredSource(source, b"", 1, None, None, now, None, None, None, None, False, None, held)


def _short(row: ReadingRow) -> dict[str, object]:
    return {"q": row.source, "f": 1, "p": None, "c": None, "s": None, "o": None, "k": 0, "v": row.value}


def counted(content: Content) -> Counter[float | None]:
    return Counter(row.value for row in content.readings)


@given(st.lists(st.lists(st.integers(0, 3), max_size=6), min_size=2, max_size=4), st.data())
def test_a_source_taken_out_leaves_what_the_others_said(said: list[list[int]], data: st.DataObject) -> None:
    """Whatever sources joined, and whichever goes, the inspection has of each reading as many as any one left said."""
    content, held = rows(1, *said[0]), {1: None}
    for number, values in enumerate(said[1:], 2):
        content, held[number] = joining.join(content, rows(number, *values))
    everything = Counter[float]()
    for values in said:
        everything |= Counter(map(float, values))
    assert counted(content) == everything
    gone = data.draw(st.integers(1, len(said)))
    left = [number for number in range(1, len(said) + 1) if number != gone]
    content, _ = joining.without(content, gone, [stored(number, held[number]) for number in left])
    wanted = Counter[float]()
    for number in left:
        wanted |= Counter(map(float, said[number - 1]))
    assert counted(content) == wanted
    assert {row.source for row in content.readings} <= set(left)


def test_a_check_with_two_results_does_not_join() -> None:
    """The same answer to a check joins; another one is refused."""
    first = Content(checks=[CheckRow(1, "valve", "pass")])
    joined, held = joining.join(first, Content(checks=[CheckRow(2, "valve", "pass")]))
    assert len(joined.checks) == 1
    assert held is not None
    with pytest.raises(Conflict, match="valve"):
        joining.join(first, Content(checks=[CheckRow(2, "valve", "fail")]))


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def from_export(fleet: Fleet, source: int) -> UUID:
    """Make a source one of a gauge export, as the intake of files would have stored it."""
    export_id = uuid4()
    fleet.conn.execute("UPDATE inspection_sources SET export_id = %s WHERE source = %s", [export_id, source])
    fleet.conn.commit()
    return export_id


@pytest.mark.db
def test_an_export_taken_out_leaves_the_other_source(workshop: Fleet) -> None:
    """An inspection keeps what its other source said, in a new version, readings that both had included."""
    first = post(workshop, readings=[reading(), reading(value=97.8)], checks=None, usage={"metres": 5.0})
    post(workshop, query="?on_existing=add", readings=[reading(), reading(value=97.9)], checks=None)
    export_id = from_export(workshop, 1)
    workshop.settle()
    assert inspection_changes.take_out_export(workshop.conn, export_id) == [UUID(first["id"])]
    workshop.conn.commit()
    record = workshop.get(f"/inspections/{first['id']}")
    assert sorted(row["value"] for row in record["readings"]) == [97.861, 97.9]
    assert (record["inspection_version"], record["usage"]) == (3, None)
    assert workshop.get(f"/inspections/{first['id']}/versions")["items"][0]["cause"] == "source-withdrawn"
    assert workshop.dirty_from() is not None
    assert workshop.conn.execute("SELECT count(*) FROM usage").fetchone() == (0,)


@pytest.mark.db
def test_an_export_taken_out_withdraws_what_it_alone_said(workshop: Fleet) -> None:
    """An inspection left without a source is withdrawn."""
    first = post(workshop)
    inspection_changes.take_out_export(workshop.conn, from_export(workshop, 1))
    workshop.conn.commit()
    assert workshop.get(f"/inspections/{first['id']}")["state"] == "withdrawn"
