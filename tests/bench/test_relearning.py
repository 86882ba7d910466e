"""2,000 tools of one type with 8 features and 10 inspections each, learned anew.

Run by hand: ``pytest -m long -s tests/bench/test_relearning.py``.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import psycopg
import pytest
from flask.testing import FlaskClient

from service.config import Config
from tests.bench.fleet_intake import call
from worker.learn import learn_type

TOOLS, FEATURES, INSPECTIONS = 2000, 8, 10
GROUND = {"soft": 0.6, "medium": 1.0, "hard": 1.9}
ROWS = """
INSERT INTO tools (serial, tool_type_id, site_id, commissioned_on)
SELECT 'T-' || n, (SELECT tool_type_id FROM tool_types), (SELECT site_id FROM sites), '2024-01-01'
FROM generate_series(1, %(tools)s) n;
INSERT INTO inspections (tool_id, reference, stage, taken_at, inputs_as_of, state, assessment_version)
SELECT tool_id, 'R' || k, 'as_found', timestamptz '2024-01-01Z' + k * interval '30 days', now(), 'assessed', 1
FROM tools, generate_series(0, %(inspections)s - 1) k;
INSERT INTO inspection_versions (inspection_id, inspection_version, taken_at, inputs_as_of, cause)
SELECT inspection_id, 1, taken_at, inputs_as_of, 'posted' FROM inspections;
INSERT INTO usage (tool_id, period, metres, amounts, inspection_id)
SELECT tool_id, tstzrange(taken_at - interval '30 days', taken_at), 1500,
       jsonb_build_array(jsonb_build_object('metres', 1500, 'hours', NULL, 'ground', jsonb_build_object(
           (ARRAY['soft', 'medium', 'hard'])[1 + (hashtext(inspection_id::text) & 65535) %% 3], 1))), inspection_id
FROM inspections WHERE reference <> 'R0'
"""
USED = """
SELECT i.tool_id, i.inspection_id, i.taken_at, coalesce(u.amounts -> 0 -> 'ground', '{}')
FROM inspections i LEFT JOIN usage u USING (inspection_id) ORDER BY i.tool_id, i.taken_at
"""


def tool_type() -> dict[str, Any]:
    """The catalogue's entry, whose rates are not quite the fleet's."""
    new = {"min": 99.99, "max": 100.01}
    rates = {"discard": 99.8, "wear_per_1000": {"mean": 0.016, "sd": 0.006}}
    return {
        "name": "Large fleet", "unit": "mm", "parts": [{"code": f"p{f}"} for f in range(FEATURES)],
        "features": [{"part": f"p{f}", "code": "d", "kind": "shaft", "new": new} | rates for f in range(FEATURES)],
        "ground_factors": {"soft": 0.8, "medium": 1.0, "hard": 1.4},
    }  # fmt: skip


def put_rows(conn: psycopg.Connection, rng: np.random.Generator) -> None:
    """What the intake and the worker would have written, without the hour that it would take."""
    conn.execute("SELECT make_partitions(2023, 2026)")
    for statement in ROWS.split(";"):
        conn.execute(statement, {"tools": TOOLS, "inspections": INSPECTIONS})  # type: ignore[arg-type]
    add = "INSERT INTO codes (code) VALUES (%s) ON CONFLICT (code) DO UPDATE SET code = excluded.code RETURNING code_id"
    features = [int(conn.execute(add, [f"p{f}.d"]).fetchall()[0][0]) for f in range(FEATURES)]
    rows = conn.execute(USED).fetchall()
    factor = np.array([sum(GROUND[g] * 1.5 for g in ground) for *_, ground in rows]).reshape(TOOLS, INSPECTIONS)
    usage = np.cumsum(factor, axis=1)
    columns = "taken_at, inspection_id, version, ordinal, tool_id, feature_id, position, readings, mean, worst, mean_u,"
    columns += " worst_u, discard_on, verdict, blocked"
    with conn.cursor().copy(f"COPY sizes ({columns}) FROM STDIN") as copy:
        for f, feature in enumerate(features):
            rate = 0.012 * (1 + 0.3 * rng.standard_normal((TOOLS, 1)))
            step = np.diff(usage, axis=1, prepend=0.0)
            wear = rate * usage + np.cumsum(0.005 * np.sqrt(step) * rng.standard_normal(usage.shape), axis=1)
            wear += 0.005 * rng.standard_normal((TOOLS, 1)) + 0.004 * rng.standard_normal(usage.shape)
            for (tool, inspection, taken_at, _), w in zip(rows, wear.ravel().tolist(), strict=True):
                size = 100.0 - w
                copy.write_row(
                    (taken_at, inspection, 1, f, tool, feature, 1, 4, size, size, 0.004, 0.004, 0, "serviceable", False)
                )
    conn.execute("ANALYZE")
    conn.commit()


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_large_fleet_is_learned_within_a_minute(store: Config, client: FlaskClient, conn: psycopg.Connection) -> None:
    """All features of 2,000 tools are read and fitted, and a version stored, in less than a minute."""
    call(client, "PUT", "/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    call(client, "PUT", "/tool-types/large", tool_type())
    put_rows(conn, np.random.default_rng(5))
    type_id = int(conn.execute("SELECT tool_type_id FROM tool_types").fetchall()[0][0])
    conn.rollback()
    began, ran = time.monotonic(), time.process_time()
    assert learn_type(type_id) == 1
    seconds, cpu = time.monotonic() - began, time.process_time() - ran
    model = call(client, "GET", "/tool-types/large/wear-model")
    print(f"{model['rests_on']['readings']} sizes of {TOOLS} tools learned in {seconds:.1f} s, {cpu:.1f} s of CPU")
    # a new part further than three deviations from the drawing counts as re-machined: its first reading is its start
    assert 0.999 <= model["rests_on"]["readings"] / (TOOLS * FEATURES * INSPECTIONS) <= 1.0
    assert model["features"][0]["mean"] == pytest.approx(0.012, rel=0.05)
    assert model["ground_factors"] == pytest.approx(GROUND, rel=0.03)
    assert seconds < 60.0
