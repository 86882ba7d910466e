"""The worked example as a file: the same figures as the document gives, to the last digit."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.config import Config
from service.layouts import READING_COLUMNS
from tests.e2e.test_worked_example import EXAMPLE, post_example
from worker.assess import assess_batch
from worker.intake.intake import intake_one

pytestmark = [pytest.mark.db, pytest.mark.broker]
OWN = ("inspection", "inputs_as_of", "computed_at", "tool")  # what tells one inspection from another


def example_as_file(tool: str) -> bytes:
    """The inspection as rows of the layout `plain`."""
    said = EXAMPLE["inspection"]
    text = io.StringIO()
    writer = csv.DictWriter(text, READING_COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    once = {name: said[name] for name in ("inspector",) if name in said} | said.get("usage", {})
    thermometer = said.get("thermometer", {})
    once |= {"thermometer": thermometer.get("serial"), "thermometer_u_c": thermometer.get("standard_uncertainty_c")}
    zeros = {setup["setup"]: setup.get("readings_at_zero") for setup in said.get("setups", [])}
    for reading in said["readings"]:
        row = {"reference": said["reference"], "tool": tool, "stage": said.get("stage"), "taken_at": said["taken_at"]}
        row |= {"unit": said["unit"], "readings_at_zero": zeros.get(reading.get("setup"))} | reading | once
        writer.writerow({name: value for name, value in row.items() if value is not None})
        once = {}
    return text.getvalue().encode()


def assessment(client: FlaskClient, inspection: str) -> dict[str, Any]:
    document: dict[str, Any] = client.get(f"/v1/inspections/{inspection}/assessment").json
    return {name: value for name, value in document.items() if name not in OWN}


def test_the_same_figures(client: FlaskClient, store: Config) -> None:
    """The example sent as CSV has the assessment that it has as JSON, digit by digit; the export is then done."""
    as_document = post_example(client).rpartition("/")[2]
    client.put("/v1/tools/WE-FILE", json={"tool_type": "we-120", "site": "north-yard"})
    posted = client.post("/v1/gauge-exports?layout=plain", data=example_as_file("WE-FILE"), content_type="text/csv")
    assert posted.status_code == 202, posted.get_data(True)
    assert intake_one()
    assert client.get(posted.headers["Location"] + "/faults").json["items"] == []
    while assess_batch():
        pass
    (as_file,) = client.get("/v1/inspections?tool=WE-FILE").json["items"]
    assert assessment(client, as_file["id"]) == assessment(client, as_document)
    export = client.get(posted.headers["Location"], headers={"Prefer": "wait=1"}).json
    assert (export["state"], export["inspections"]) == ("done", {"total": 1, "assessed": 1, "failed": 0})
