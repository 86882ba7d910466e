"""Damaged files: every line that was left alone survives, every other is told, and no export is stuck."""

from __future__ import annotations

import io
import random
from datetime import UTC, datetime

import pytest

from service.store.columns import to_time
from tests.plugins.exports import Exports
from tests.worker.damage import COLUMNS, FOREIGN, DamagedFile, damaged_file
from worker.intake.intake import intake_one
from worker.intake.reading import read_table
from worker.intake.table import Table

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def read(seed: int) -> tuple[DamagedFile, Table]:
    made = damaged_file(random.Random(seed))
    return made, read_table(io.BytesIO(made.content), made.layout, NOW)


def prove(seed: int) -> None:
    """Every line left alone is a row with its value, every line that is no row any more is told, nothing else is."""
    made, table = read(seed)
    rows = {line: row for row, line in enumerate(table.line.tolist())}
    values, turns = table.columns["value"], table.columns["orientation"]
    assert values.numbers is not None and turns.numbers is not None
    for line, (value, turn) in made.good.items():
        row = rows.get(line)
        assert row is not None and not table.bad[row], (seed, line, table.faults[:3])
        assert values.numbers[values.index[row]] == value, (seed, line)
        assert turns.numbers[turns.index[row]] == turn, (seed, line)
        assert table.columns["feature"].words[table.columns["feature"].index[row]] == "piston.large-diameter"
        assert to_time(int(table.columns["taken_at"].numbers[table.columns["taken_at"].index[row]])) == datetime(  # type: ignore[index]
            2026, 3, 1, 9, 30, tzinfo=UTC
        )
    told = {fault.row for fault in table.faults}
    assert made.lost <= told <= made.hit, (seed, made.lost - told, told - made.hit)
    assert table.total == len(made.good) + len(told) + len(rows.keys() - made.good.keys() - told), seed


def test_the_other_lines_survive() -> None:
    """Of 200 good files with some damaged lines, layouts and encodings of all sorts, every other line is read."""
    for seed in range(200):
        prove(seed)


@pytest.mark.long
@pytest.mark.timeout(7_200)
@pytest.mark.parametrize("part", range(20))
def test_a_hundred_thousand_damaged_files(part: int) -> None:
    """The same, 100,000 times."""
    for seed in range(1_000 + part * 5_000, 6_000 + part * 5_000):
        prove(seed)


# ---------------------------------------------------------------- through HTTP


@pytest.fixture
def hall(exports: Exports) -> Exports:
    """A place with a layout of its own."""
    layout = {"columns": COLUMNS, "feature_codes": FOREIGN.feature_codes}
    layout |= {"timestamp": FOREIGN.timestamp, "time_zone": FOREIGN.time_zone}
    exports.fleet.call("PUT", f"/layouts/{FOREIGN.code}", layout)
    return exports


def send(exports: Exports, seed: int) -> None:
    """Post one damaged file and read it; of every second one, further damage falls anywhere, the header included."""
    chance = random.Random(seed)
    made = damaged_file(chance)
    content, anywhere = made.content, seed % 2
    for _ in range(chance.randrange(1, 4) * anywhere):
        place = chance.randrange(len(content))
        some = chance.randbytes(chance.randrange(0, 4))
        content = content[:place] + some + content[place + chance.randrange(0, 40) :]
    query = {"layout": made.layout.code, "on_fault": chance.choice(["skip", "reject"]), "on_existing": "replace"}
    answer = exports.fleet.client.post("/v1/gauge-exports", query_string=query, data=content, content_type="text/csv")
    assert answer.status_code in ((200, 202, 422) if anywhere else (202,)), (seed, answer.get_data(True))
    while intake_one():
        pass
    if answer.status_code == 422:
        return
    export = exports.get(answer.json["id"])
    rows, problem = export["rows"], export["problem"] or {}
    assert export["state"] in ("assessing", "done", "failed"), seed
    assert problem.get("code") not in ("gave-up", "unreadable-file"), (seed, problem)
    assert export["state"] == "failed" or rows["accepted"] + rows["faulty"] == rows["total"], seed
    if not anywhere and query["on_fault"] == "skip":
        assert rows["accepted"] >= len(made.good), (seed, rows, exports.faults(export)[:3])
        assert len(made.lost) <= rows["faulty"] <= len(made.hit), (seed, rows)
    if not anywhere and query["on_fault"] == "reject" and made.lost:
        assert (export["state"], problem.get("code"), rows["accepted"]) == ("failed", "rows-with-faults", 0), seed


@pytest.mark.db
@pytest.mark.broker
def test_damaged_files(hall: Exports) -> None:
    """Some damaged files, each posted and read."""
    for seed in range(6):
        send(hall, seed)


@pytest.mark.db
@pytest.mark.broker
@pytest.mark.long
@pytest.mark.timeout(7_200)
@pytest.mark.parametrize("part", range(20))
def test_two_thousand_damaged_files(hall: Exports, part: int) -> None:
    """The same, 2,000 times."""
    for seed in range(1_000 + part * 100, 1_100 + part * 100):
        send(hall, seed)
