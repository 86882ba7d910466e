"""The service against its own OpenAPI document: generated requests, in this process, the same every time."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import HealthCheck, Phase, Verbosity, given, settings
from schemathesis import Case, GenerationMode
from schemathesis.specs.openapi import checks

pytestmark = pytest.mark.db
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
SHARES = 4  # of the operations, each a test of its own
CASES = 5  # of each operation, of each kind
MANY_CASES = 60

#: Not `positive_data_acceptance`: what fits the schema may still name a part that is not there.
CHECKS = [
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
]


def _example(name: str) -> Any:
    return json.loads((EXAMPLES / f"{name}.json").read_text())


@pytest.fixture
def known(client: FlaskClient) -> dict[str, str]:
    """Something of every kind, so that not every answer is a 404: what a path's parameter may be."""
    puts = {
        "/v1/sites/known": _example("site"),
        "/v1/tool-types/known": _example("worked-example-tool-type"),
        "/v1/gauges/MIC-07": _example("gauge"),
        "/v1/gauges/known": _example("gauge"),
        "/v1/masters/known": _example("master"),
        "/v1/tools/known": {"tool_type": "known", "site": "known"},
        "/v1/components/known": {"part": "piston", "tool_type": "known", "site": "known"},
    }
    for path, body in puts.items():
        assert client.put(path, json=body).status_code == 201, path
    return dict.fromkeys(("code", "serial", "site", "tool", "tool_type"), "known") | _inspection(client)


def _inspection(client: FlaskClient) -> dict[str, str]:
    reading = {"feature": "piston.nose", "value": 71.9, "gauge": "MIC-07"}
    body = {"reference": "r", "tool": "known", "taken_at": "2026-03-01T09:30:00Z", "unit": "mm", "readings": [reading]}
    answer = client.post("/v1/inspections", json=body)
    return {"inspection_id": answer.json["id"]} if answer.status_code == 202 else {}


def _operations(app: Flask, share: int) -> list[Any]:
    schema = schemathesis.openapi.from_wsgi("/openapi.json", app)
    found = [item.ok() for item in schema.get_all_operations()][share::SHARES]
    return sorted(found, key=lambda operation: operation.method == "delete")  # what is known stays for the rest


def _failures(operation: Any, mode: GenerationMode, token: str, known: dict[str, str], cases: int) -> list[str]:
    found: list[str] = []
    seen = 0

    @settings(
        max_examples=cases,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.explicit, Phase.generate],
        verbosity=Verbosity.quiet,
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode))
    def run(case: Case) -> None:
        nonlocal seen
        seen += 1
        if mode is GenerationMode.POSITIVE and seen % 3:
            case.path_parameters = case.path_parameters | {
                name: value for name, value in known.items() if name in case.path_parameters
            }
        case.headers = {**(case.headers or {}), "Authorization": token}
        response = case.call()
        if response.status_code >= 500 and response.status_code != 503:
            found.append(f"{operation.label}: {response.status_code} for {case.as_curl_command()}")
        # A batch answers 200 and refuses item by item; a precondition may fail before the body is judged.
        refused_otherwise = operation.path.endswith("/batch") or response.status_code == 412
        applying = [*CHECKS, *([] if refused_otherwise else [checks.negative_data_rejection])]
        try:
            case.validate_response(response, checks=applying)
        except AssertionError as failure:
            found.append(f"{operation.label}: {failure}")
        except BaseExceptionGroup as group:
            found.append(f"{operation.label}: {group.exceptions[0]}\n{case.as_curl_command()}")

    run()
    return found


def _all_failures(app: Flask, client: FlaskClient, known: dict[str, str], share: int, cases: int) -> list[str]:
    token = client.environ_base["HTTP_AUTHORIZATION"]
    failures: list[str] = []
    for operation in _operations(app, share):
        failures += _failures(operation, GenerationMode.POSITIVE, token, known, cases)
        if operation.path not in ("/healthz", "/readyz", "/openapi.json"):
            failures += _failures(operation, GenerationMode.NEGATIVE, token, known, cases)
    return failures


@pytest.mark.parametrize("share", range(SHARES))
@pytest.mark.parametrize(
    "cases", [CASES, pytest.param(MANY_CASES, marks=[pytest.mark.long, pytest.mark.timeout(3600)])]
)
def test_generated_requests_get_documented_answers(
    app: Flask, client: FlaskClient, known: dict[str, str], share: int, cases: int
) -> None:
    """Requests made from the document, fitting and not, get the answers that the document declares; never a 500."""
    failures = _all_failures(app, client, known, share, cases)
    assert not failures, f"{len(failures)} failures\n\n" + "\n\n".join(failures[:20])
