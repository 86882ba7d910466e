"""`stripdown archive`: a year's readings, clearances and limits go to files, and everything that needs them says so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from service.archive import archive
from service.config import Config
from service.store.errors import Conflict
from tests.worker.conftest import Workshop, day

pytestmark = pytest.mark.db
GOOD = {"piston.od": 97.900, "casing.bore": 97.995}
WORN = {"piston.od": 97.880, "casing.bore": 98.010}
OLD = -800.0  # days before 2026: in 2023
LEFT = ("sizes", "inspections", "inspection_versions", "inspection_sources", "assessments")


def counts(shop: Workshop, *tables: str) -> list[int]:
    return [shop.rows(f"SELECT count(*) FROM {table}")[0][0] for table in tables]


def body(n: float, **more: Any) -> dict[str, Any]:
    """The document that `Workshop.inspect` sends."""
    readings = [
        {"feature": feature, "station": 1, "orientation": turn, "value": value}
        for feature, value in GOOD.items()
        for turn in (0, 90)
    ]
    head = {"reference": f"W{n:g}", "tool": "H-1", "taken_at": day(n), "unit": "mm", "readings": readings}
    return head | {"usage": {"metres": 1000.0, "ground": "hard"}} | more


@pytest.fixture
def old(shop: Workshop) -> str:
    """An inspection of 2023 with a trace among its readings, one of 2026 after it, all assessed."""
    shop.put_tool(commissioned_on="2023-01-01")
    found = shop.inspect(OLD, GOOD, 1000.0)
    shop.inspect(10, WORN, 1000.0)
    shop.work()
    return found


@pytest.mark.parametrize("at_once", [1, 3])
def test_a_year_goes_piece_by_piece(
    shop: Workshop, old: str, store: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """A table larger than what is held at a time goes into its file in the order of its key, none left out."""
    monkeypatch.setattr("service.store.archive.AT_ONCE", at_once)
    rows = "SELECT ordinal::integer, tool_id FROM {} WHERE taken_at < '2024-01-01' ORDER BY taken_at, ordinal"
    there = {table: shop.rows(rows.format(table)) for table in ("readings", "clearances", "limits")}
    archive(store, 2024, tmp_path / "files", lambda line: None, closed_s=0.0)
    for table, stored in there.items():
        file = pl.read_parquet(tmp_path / "files" / "2023" / f"{table}_2023.parquet")
        assert sorted(file.select("ordinal", "tool_id").rows()) == stored
        assert len(stored) >= 1


def test_a_trouble_while_writing_is_told_by_its_name(
    shop: Workshop, old: str, store: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What goes wrong while a file is written is raised as it is, and the year is open again."""

    def fail(*_: Any) -> Any:
        yield from ()
        raise Conflict("not-the-same", "no more")

    monkeypatch.setattr("service.store.archive.read_rows", fail)
    with pytest.raises(Conflict, match="no more"):
        archive(store, 2024, tmp_path / "files", lambda line: None, closed_s=0.0)
    assert shop.rows("SELECT count(*) FROM archived_years") == [(0,)]


@pytest.fixture
def gone(shop: Workshop, old: str, store: Config, tmp_path: Path) -> str:
    """The same, 2023 archived."""
    assert archive(store, 2024, tmp_path / "files", lambda line: None, closed_s=0.0) == 1
    return old


def test_what_is_archived_is_in_the_files(shop: Workshop, old: str, store: Config, tmp_path: Path) -> None:
    """The files hold every row with its figures; readings, clearances and limits of the year go, all else stays."""
    readings = shop.rows("SELECT value FROM readings WHERE inspection_id = %s ORDER BY ordinal", old)
    limits = shop.rows("SELECT count(*) FROM limits WHERE inspection_id = %s", old)[0][0]
    left = counts(shop, *LEFT)
    said: list[str] = []
    archive(store, 2024, tmp_path / "files", said.append, closed_s=0.0)
    folder = tmp_path / "files" / "2023"
    file = pl.read_parquet(folder / "readings_2023.parquet")
    assert file.sort("ordinal")["value"].to_list() == [row[0] for row in readings]
    assert len(pl.read_parquet(folder / "limits_2023.parquet")) == limits
    assert len(said) == 4
    for table in ("readings", "clearances", "limits"):
        assert shop.rows(f"SELECT count(*) FROM {table} WHERE taken_at < '2024-01-01'") == [(0,)]
        assert shop.rows(f"SELECT to_regclass('{table}_2023') IS NULL") == [(True,)]
    assert counts(shop, *LEFT) == left
    assert counts(shop, "readings") == [4]
    assert shop.rows("SELECT year, archived_at IS NOT NULL, jsonb_array_length(files) FROM archived_years") == [
        (2023, True, 3)
    ]


def test_a_repeated_post_is_known(shop: Workshop, gone: str) -> None:
    """The same document posted again is a 200 with its id, another one of the same reference a 409."""
    again = shop.client.post("/v1/inspections", json=body(OLD))
    assert (again.status_code, again.json["id"]) == (200, gone)
    other = shop.client.post("/v1/inspections", json=body(OLD, taken_at=day(OLD + 1)))
    assert (other.status_code, other.json["code"]) == (409, "inspection-exists")


def test_what_needs_the_year_says_so(shop: Workshop, gone: str) -> None:
    """Assessment, record, correction, withdrawal, late arrival, second measurement, clearances' history: all say it."""
    client, where = shop.client, f"/v1/inspections/{gone}"
    late = body(OLD + 1, reference="LATE")
    second = body(9, reference="AGAIN", remeasures=f"W{OLD:g}", usage=None)
    answers = [
        client.get(f"{where}/assessment"),
        client.get(where),
        client.put(where, json=body(OLD, taken_at=day(OLD + 0.1))),
        client.delete(where),
        client.post("/v1/inspections?on_existing=replace", json=body(OLD, taken_at=day(OLD + 0.1))),
        client.post("/v1/inspections", json=late),
        client.post("/v1/inspections", json=second),
        client.get("/v1/tools/H-1/history?fit=piston-in-casing"),
    ]
    assert [(a.status_code, a.json["code"], a.json["year"]) for a in answers] == [(409, "archived", 2023)] * 8
    batch = client.post("/v1/inspections/batch", json={"inspections": [late, body(20)]}).json["items"]
    assert [item["status"] for item in batch] == [409, 202]


def test_what_does_not_need_it_goes_on(shop: Workshop, gone: str) -> None:
    """Lists, the sizes' history, later clearances, new inspections, whose wear goes by the archived year's sizes."""
    assert next(item["id"] for item in shop.call("GET", "/inspections")["items"]) == gone
    sizes = shop.call("GET", "/tools/H-1/history?feature=piston.od")["items"]
    assert [point["worst"] for point in sizes] == [97.9, 97.88]
    assert len(shop.call("GET", "/tools/H-1/history?fit=piston-in-casing&from=2024-01-01T00:00:00Z")["items"]) == 1
    new = shop.inspect(20, WORN, 1000.0)
    shop.work()
    assert shop.rows("SELECT DISTINCT usage FROM sizes WHERE inspection_id = %s", new) == [(pytest.approx(6.0),)]
    assert shop.rows("SELECT state, count(*) FROM inspections GROUP BY state") == [("assessed", 3)]


def test_a_computation_from_before_keeps_what_is_archived(shop: Workshop, gone: str) -> None:
    """Usage recorded for a time before the archived inspections computes the later ones again; those keep theirs."""
    entry = {"tool": "H-1", "from": "2022-01-01T00:00:00Z", "to": "2022-02-01T00:00:00Z", "metres": 500.0}
    shop.call("POST", "/usage", {"entries": [entry]})
    shop.work()
    assert shop.rows("SELECT max(version) FROM assessments WHERE inspection_id = %s", gone) == [(1,)]
    assert counts(shop, "tool_work") == [0]
    assert shop.rows("SELECT state, count(*) FROM inspections GROUP BY state") == [("assessed", 2)]


def test_open_work_is_not_archived(shop: Workshop, store: Config, tmp_path: Path) -> None:
    """A year with an inspection still to be computed stays, and can be written into."""
    shop.put_tool(commissioned_on="2023-01-01")
    shop.inspect(OLD, GOOD, 1000.0)
    with pytest.raises(Conflict, match="still to be computed"):
        archive(store, 2024, tmp_path / "files", print, closed_s=0.0)
    shop.inspect(OLD + 1, GOOD, 1000.0)
    assert counts(shop, "readings", "archived_years") == [8, 0]


def test_a_file_that_is_not_the_same_takes_nothing_away(
    shop: Workshop, old: str, store: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where what is read back differs in one figure, the year stays as it was, and open."""
    write = pl.LazyFrame.sink_parquet

    def wrongly(frame: pl.LazyFrame, path: Path, **more: Any) -> None:
        if "value" in frame.collect_schema():
            frame = frame.with_columns(pl.col("value") + 1e-12)
        write(frame, path, **more)

    monkeypatch.setattr(pl.LazyFrame, "sink_parquet", wrongly)
    with pytest.raises(Conflict, match="does not hold"):
        archive(store, 2024, tmp_path / "files", print, closed_s=0.0)
    assert counts(shop, "readings", "archived_years") == [8, 0]
    shop.inspect(OLD + 1, GOOD, 1000.0)


def test_traces_come_back_whole(shop: Workshop, store: Config, tmp_path: Path) -> None:
    """The samples of a rocked bore gauge are in the file, every one."""
    shop.put_tool(commissioned_on="2023-01-01")
    samples = [round(98.0 + 0.0001 * (k - 10) ** 2 + 0.1 / 3, 12) for k in range(21)]
    reading = {"feature": "casing.bore", "kind": "trace", "trace": samples}
    shop.call("POST", "/inspections", body(OLD, readings=[reading]))
    shop.work()
    archive(store, 2024, tmp_path / "files", print, closed_s=0.0)
    file = pl.read_parquet(tmp_path / "files" / "2023" / "readings_2023.parquet")
    assert file["trace"].to_list() == [samples]
