"""Tools and inspections put in as rows, as intake would have written them: many, fast, and the same each time.

The worked example's hammer, worn from new at the catalogue's rates with its gauges' scatter; 25 readings of 8 features,
4 fits, one inspection every 26 weeks.
"""

from __future__ import annotations

import json
from typing import Any, LiteralString

import psycopg
from flask.testing import FlaskClient

from service.app import create_app
from service.config import Config
from service.store import pool, tokens
from tests.bench.fleet import EXAMPLE
from worker.app import collect_less

READINGS = 25
EACH = 20
"""Inspections of a tool: ten years."""
FIRST_DAY = "2016-03-01T08:00:00Z"
METRES = 260.0
SCATTER_MM = 0.0008

TOOLS: LiteralString = """
INSERT INTO tools (serial, tool_type_id, site_id, commissioned_on)
SELECT %(prefix)s || n, (SELECT tool_type_id FROM tool_types WHERE code = %(type)s),
       (SELECT min(site_id) FROM sites), '2015-09-01'
FROM generate_series(1, %(tools)s::integer) n
"""
INSPECTIONS: LiteralString = """
INSERT INTO inspections (tool_id, reference, stage, taken_at, inputs_as_of)
SELECT tool_id, 'N-' || k, 'as_found',
       %(first)s::timestamptz + k * interval '26 weeks' + (tool_id %% 4000) * interval '7 minutes', now()
FROM tools, generate_series(0, %(each)s::integer - 1) k WHERE serial LIKE %(prefix)s || '%%'
"""
VERSIONS: LiteralString = """
INSERT INTO inspection_versions (inspection_id, inspection_version, taken_at, inputs_as_of, cause, setups)
SELECT inspection_id, 1, taken_at, inputs_as_of, 'posted', %(setups)s
FROM inspections JOIN tools USING (tool_id) WHERE serial LIKE %(prefix)s || '%%'
"""
SOURCES: LiteralString = """
INSERT INTO inspection_sources (inspection_id, source, digest, from_version, taken_at, inspector, thermometer,
                                thermometer_u_c, usage)
SELECT inspection_id, 1, sha256(inspection_id::text::bytea), 1, taken_at, 'ab', 'T-1', 0.25, %(amounts)s
FROM inspections JOIN tools USING (tool_id) WHERE serial LIKE %(prefix)s || '%%'
"""
USAGE: LiteralString = """
INSERT INTO usage (tool_id, period, metres, hours, amounts, inspection_id)
SELECT tool_id, tstzrange(lag(taken_at, 1, '2015-09-01Z') OVER (PARTITION BY tool_id ORDER BY taken_at), taken_at),
       %(metres)s, %(metres)s / 25, %(amounts)s, inspection_id
FROM inspections JOIN tools USING (tool_id) WHERE serial LIKE %(prefix)s || '%%'
"""
READING_ROWS: LiteralString = """
INSERT INTO readings (taken_at, inspection_id, inspection_version, ordinal, tool_id, source, feature_id, station,
                      orientation, kind, value, gauge_id, master_id, setup, temperature_c, reference_temperature_c)
SELECT i.taken_at, i.inspection_id, 1, t.ordinal, i.tool_id, 1, c.code_id, t.station, t.orientation, t.kind,
       round((t.new + t.wear * (1 + substr(i.reference, 3)::integer) + random_normal(0, %(scatter)s))::numeric, 3),
       g.gauge_id, m.master_id, t.setup, 24.5, 22
FROM jsonb_to_recordset(%(template)s) AS t (ordinal integer, feature text, station smallint, orientation float8,
         kind smallint, new float8, wear float8, gauge text, master text, setup text)
JOIN codes c ON c.code = t.feature
JOIN gauges g ON g.serial = t.gauge
LEFT JOIN masters m ON m.serial = t.master
CROSS JOIN inspections i JOIN tools ON tools.tool_id = i.tool_id
WHERE tools.serial LIKE %(prefix)s || '%%'
ORDER BY i.taken_at, i.inspection_id, t.ordinal
"""


def put_all(config: Config, bodies: dict[str, Any]) -> None:
    """Put in resources over HTTP, in this process, in the order given."""
    with psycopg.connect(config.database_url) as conn:
        token = tokens.create_token(conn, "bench", ["admin"], None)
    client: FlaskClient = create_app(config).test_client()
    for path, body in bodies.items():
        answer = client.put(f"/v1/{path}", json=body, headers={"Authorization": f"Bearer {token}"})
        assert answer.status_code in (200, 201), answer.get_data(as_text=True)[:1000]


def put_reference(config: Config, catalogue: dict[str, Any] | None = None, code: str = "example") -> None:
    """Put in a site, a tool type, its gauges and its master, certified for all the years to come."""
    year = {"calibrated_on": "2010-01-10", "due_on": "2040-01-10"}
    gauges = {s: g | {"calibration": g["calibration"] | year} for s, g in EXAMPLE["gauges"].items()}
    masters = {s: m | {"due_on": "2040-01-10"} for s, m in EXAMPLE["masters"].items()}
    put_all(
        config,
        {
            "sites/yard": {"name": "Yard", "time_zone": "UTC"},
            f"tool-types/{code}": EXAMPLE["catalogue"] if catalogue is None else catalogue,
            **{f"gauges/{serial}": gauge for serial, gauge in gauges.items()},
            **{f"masters/{serial}": master for serial, master in masters.items()},
        },
    )


def put_rows(conn: psycopg.Connection, tools: int, prefix: str, each: int = EACH, code: str = "example") -> None:
    """Put in so many tools, each with its inspections, not yet assessed and not yet marked as work."""
    usage = [{"metres": METRES, "hours": METRES / 25.0, "ground": {"hard": 1.0}}]
    setup = {"source": 1, "setup": "morning", "gauge": "DBG-02", "master": "RING-98", "readings_at_zero": 3}
    given = {
        "tools": tools, "prefix": prefix, "each": each, "type": code, "first": FIRST_DAY, "metres": METRES,
        "amounts": json.dumps(usage), "setups": json.dumps([setup]), "scatter": SCATTER_MM,
        "template": json.dumps(template()),
    }  # fmt: skip
    features = sorted({reading["feature"] for reading in template()})
    conn.execute("INSERT INTO codes (code) SELECT unnest(%s::text[]) ON CONFLICT DO NOTHING", [features])
    conn.execute("SELECT make_partitions(2015, 2027), setseed(0.5)")
    for statement in (TOOLS, INSPECTIONS, VERSIONS, SOURCES, USAGE, READING_ROWS):
        conn.execute(statement, given)
    conn.commit()


def mark_all(conn: psycopg.Connection, prefix: str) -> None:
    """Make all inspections of these tools work to do."""
    conn.execute(
        "INSERT INTO tool_work (tool_id, dirty_from) SELECT tool_id, '2000-01-01Z' FROM tools WHERE serial LIKE %s",
        [prefix + "%"],
    )
    conn.commit()


def template() -> list[dict[str, Any]]:
    """The readings of one inspection: what each would be of a new part, and by how much it moves each time."""
    features = {f"{f['part']}.{f['code']}": f for f in EXAMPLE["catalogue"]["features"]}
    readings = EXAMPLE["inspection"]["readings"][:READINGS]
    values: dict[str, list[float]] = {}
    for reading in readings:
        values.setdefault(reading["feature"], []).append(reading["value"])
    rows = []
    for ordinal, reading in enumerate(readings):
        feature = features[reading["feature"]]
        own = values[reading["feature"]]
        form = reading["value"] - sum(own) / len(own)
        new = (feature["new"]["min"] + feature["new"]["max"]) / 2
        zero = EXAMPLE["masters"][reading["master"]]["size"] if "master" in reading else 0.0
        rate = feature["wear_per_1000"]["mean"] * METRES * 1.5e-3  # hard ground counts one and a half times
        rows.append(
            {
                "ordinal": ordinal, "feature": reading["feature"], "station": reading["station"],
                "orientation": reading["orientation"], "kind": int(reading["kind"] == "deviation"),
                "new": new + form - zero, "wear": rate if feature["kind"] == "bore" else -rate,
                "gauge": reading["gauge"], "master": reading.get("master"), "setup": reading.get("setup"),
            }
        )  # fmt: skip
    return rows


def use(config: Config) -> None:
    """Let this process be a worker's: `service.store.pool` works on this database."""
    collect_less()
    pool.configure(config, size=3)
