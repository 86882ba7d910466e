"""The limit that the API is measured against: bare Flask routes, no access control, no checks, one statement each.

Same server, same pool, same JSON reader as the API. `POST /inspections` inserts what it was sent with one
jsonb_to_recordset statement; `GET /status/<serial>` selects and returns the bytes of a stored document.
"""

from __future__ import annotations

import orjson
from flask import Flask, Response, request

from service.config import Config
from service.store import pool

TABLES = """
CREATE SCHEMA IF NOT EXISTS bare;
CREATE TABLE IF NOT EXISTS bare.inspections (
    inspection_id uuid PRIMARY KEY DEFAULT uuidv7(), reference text NOT NULL, tool text NOT NULL,
    stage text NOT NULL, taken_at timestamptz NOT NULL);
CREATE TABLE IF NOT EXISTS bare.readings (
    inspection_id uuid NOT NULL, ordinal integer NOT NULL, feature text NOT NULL, station smallint,
    orientation double precision, kind text, value double precision, gauge text, master text, setup text,
    temperature_c double precision, reference_temperature_c double precision, PRIMARY KEY (inspection_id, ordinal));
CREATE TABLE IF NOT EXISTS bare.statuses (serial text PRIMARY KEY, document text NOT NULL);
"""

ADD = """
WITH inspection AS (
    INSERT INTO bare.inspections (reference, tool, stage, taken_at)
    SELECT reference, tool, stage, taken_at
    FROM jsonb_to_record(%(document)s::jsonb) AS sent (reference text, tool text, stage text, taken_at timestamptz)
    RETURNING inspection_id)
INSERT INTO bare.readings
SELECT inspection.inspection_id, row.ordinal, feature, station, orientation, kind, value, gauge, master, setup,
       temperature_c, reference_temperature_c
FROM inspection, ROWS FROM (jsonb_to_recordset(%(document)s::jsonb -> 'readings') AS (
    feature text, station smallint, orientation double precision, kind text, value double precision, gauge text,
    master text, setup text, temperature_c double precision, reference_temperature_c double precision))
    WITH ORDINALITY AS row (feature, station, orientation, kind, value, gauge, master, setup, temperature_c,
    reference_temperature_c, ordinal)
RETURNING inspection_id
"""


def create_app() -> Flask:
    """Return the bare app, configured like the API by the environment."""
    config = Config.from_env()
    pool.configure(config, config.api_threads + 1)
    app = Flask(__name__)

    @app.post("/inspections")
    def post_inspection() -> Response:
        document = orjson.loads(request.get_data())
        with pool.transaction() as conn:
            row = conn.execute(ADD, {"document": orjson.dumps(document).decode()}).fetchone()
        return Response(orjson.dumps({"id": str(row[0])}), status=202, content_type="application/json")  # type: ignore[index]

    @app.get("/status/<serial>")
    def get_status(serial: str) -> Response:
        with pool.transaction() as conn:
            row = conn.execute("SELECT document FROM bare.statuses WHERE serial = %s", [serial]).fetchone()
        return Response(row[0], content_type="application/json")  # type: ignore[index]

    return app
