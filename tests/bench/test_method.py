"""Computing time of an assessment, with and without leakage and the loss by flow; run by hand with ``-m bench -s``."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any
from uuid import uuid4

import numpy as np
import pytest
from flask.testing import FlaskClient

from service.config import Config
from service.store.claims import claim_tools
from service.store.pool import snapshot, transaction
from tests.bench.fleet import EXAMPLE, READINGS, inspection
from worker.assess import LEASE, assess_batch
from worker.batch import Batch
from worker.bench import set_up
from worker.group import groups
from worker.inputs import load
from worker.judge import judge_batch
from worker.measure import measure_group
from worker.method.sizes import measure
from worker.results import results_of

TOOLS, INSPECTIONS_EACH = 100, 5
ROUNDS = 5
MOST_MS = 0.4  # of computing for an inspection of 25 readings, issue B


def call(client: FlaskClient, method: str, path: str, body: Any) -> Any:
    answer = client.open("/v1" + path, method=method, json=body)
    assert answer.status_code < 300, answer.get_data(as_text=True)[:1000]
    return answer.json


def put_fleet(
    client: FlaskClient, catalogue: dict[str, Any], each: int = INSPECTIONS_EACH, readings: int = READINGS
) -> None:
    call(client, "PUT", "/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    call(client, "PUT", "/tool-types/example", catalogue)
    for serial, gauge in EXAMPLE["gauges"].items():
        call(client, "PUT", f"/gauges/{serial}", gauge)
    for serial, master in EXAMPLE["masters"].items():
        call(client, "PUT", f"/masters/{serial}", master)
    for n in range(TOOLS):
        tool = {"tool_type": "example", "site": "yard", "commissioned_on": "2025-12-01"}
        call(client, "PUT", f"/tools/B-{n}", tool)
        bodies = [_shifted(inspection(f"B-{n}", 86_400 * k, readings), n, k) for k in range(each)]
        call(client, "POST", "/inspections/batch", {"inspections": bodies})


def _shifted(body: dict[str, Any], n: int, k: int) -> dict[str, Any]:
    """Worn a little differently each time."""
    wear = 1e-4 * (n % 10) + 1e-3 * k
    readings = [
        reading | ({"value": round(reading["value"] + (wear if "bore" in reading["feature"] else -wear), 4)})
        for reading in body["readings"]
    ]
    return body | {"readings": readings, "usage": {"metres": 800.0, "ground": "hard"}}


def load_all() -> Batch:
    with transaction() as conn:
        claimed = claim_tools(conn, uuid4(), LEASE, TOOLS)
    with snapshot() as conn:
        return load(conn, claimed)


def per_inspection(work: Callable[[], Any], count: int) -> float:
    """Processor time for one inspection, the best of some rounds, [ms]."""
    taken = []
    for _ in range(ROUNDS):
        begin = time.process_time()
        work()
        taken.append(time.process_time() - begin)
    return 1e3 * float(np.min(taken)) / count


@pytest.mark.bench
@pytest.mark.db
@pytest.mark.parametrize("what", ["neither", "leaks", "by flow"])
def test_computing_time_of_an_inspection(client: FlaskClient, store: Config, what: str) -> None:
    """At most 0.4 ms of computing for an inspection of 24 readings, leakage and loss by flow switched on."""
    catalogue = dict(EXAMPLE["catalogue"])
    if what == "neither":
        del catalogue["air"]
    if what == "by flow":
        catalogue["loss_model"] = "flow"
    put_fleet(client, catalogue)
    batch = load_all()
    count = len(batch.compute)
    assert count == TOOLS * INSPECTIONS_EACH
    first = time.process_time()
    judged = judge_batch(batch)
    first = time.process_time() - first
    ms = per_inspection(lambda: judge_batch(batch), count)
    written = per_inspection(lambda: [results_of(one) for one in judged], count)
    print(f"{what}: {ms:.3f} ms an inspection, {written:.3f} ms its rows; first batch {first:.2f} s")
    assert ms <= MOST_MS


@pytest.mark.bench
@pytest.mark.db
def test_measuring_time_of_an_inspection(client: FlaskClient, store: Config) -> None:
    """1,000 inspections of 25 readings, 8 features and 4 fits at once: sizes with their budgets and summaries, blunder
    checks, clearances and verdicts in at most 0.4 ms each, no forecast (issue C)."""
    put_fleet(client, EXAMPLE["catalogue"], each=10, readings=25)
    batch = load_all()
    measured = [measure_group(group, batch.codes) for group in groups(batch)]
    count = sum(one.own for one in measured)
    kind = measured[0].layout.type
    assert (count, len(kind.features), len(kind.fits)) == (1000, 8, 4)
    assert sum(int(one.sizes.readings.sum()) for one in measured) == 25 * count
    every = groups(batch)
    whole = per_inspection(lambda: [measure_group(group, batch.codes) for group in every], count)
    sizes = per_inspection(lambda: [measure(one.workpiece.bench) for one in measured], count)
    laid = per_inspection(lambda: [set_up(one, one.compute, batch.codes) for one in every], count)
    print(f"{whole:.3f} ms an inspection: {laid:.3f} laying its readings out, {sizes:.3f} sizes and budgets, the rest")
    assert whole <= MOST_MS


@pytest.mark.bench
@pytest.mark.db
def test_time_of_a_second_opinion(client: FlaskClient, store: Config) -> None:
    """A derivation, and a million draws (JCGM 101) of the 12 figures judged in an inspection of 25 readings."""
    put_fleet(client, EXAMPLE["catalogue"], each=1, readings=25)
    assess_batch()
    (found, *_) = client.get("/v1/inspections?state=assessed&limit=1").json["items"]
    url = f"/v1/inspections/{found['id']}/assessment/derivation"
    for query in ("", "?check=monte-carlo"):
        begin = time.process_time()
        answer = client.get(url + query)
        taken = time.process_time() - begin
        assert answer.status_code == 200
        print(f"{query or 'derivation'}: {1e3 * taken:.0f} ms")
    assert all(size["worst"]["monte_carlo"]["draws"] == 1_000_000 for size in answer.json["sizes"])
