"""The OpenAPI document: generated, committed, valid, complete, and true."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest
from flask.testing import FlaskClient
from openapi_spec_validator import validate

from tests.api.write_openapi import COMMITTED, rendered

METHODS = {"get", "put", "post", "patch", "delete"}


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    """As committed."""
    read: dict[str, Any] = json.loads(COMMITTED.read_bytes())
    return read


def _operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method in item.keys() & METHODS:
            yield path, method, item[method]


def test_the_committed_document_is_current() -> None:
    """What is committed is what the routes make (`python -m tests.api.write_openapi` writes it)."""
    assert rendered() == COMMITTED.read_bytes()


@pytest.mark.db
def test_the_committed_document_is_served(document: dict[str, Any], anonymous: FlaskClient) -> None:
    """What is committed is what is served."""
    assert anonymous.get("/openapi.json").json == document


def test_it_is_valid(document: dict[str, Any]) -> None:
    """The document is one of OpenAPI 3.1."""
    assert document["openapi"].startswith("3.1")
    validate(document)


def test_every_document_is_described(document: dict[str, Any]) -> None:
    """A reader is told of every schema what it is."""
    assert [name for name, schema in document["components"]["schemas"].items() if not schema.get("description")] == []


def test_every_body_has_examples_that_fit(document: dict[str, Any]) -> None:
    """Every JSON body a route takes has at least one example, and each example fits its schema."""
    for path, method, operation in _operations(document):
        content = operation.get("requestBody", {}).get("content", {}).get("application/json")
        if content is None:
            continue
        assert content.get("examples"), f"{method} {path}"
        schema = _plain(content["schema"]) | {"components": document["components"]}
        for name, given in content["examples"].items():
            faults = list(jsonschema.Draft202012Validator(schema).iter_errors(given["value"]))
            assert not faults, f"{name} of {method} {path}: {faults[0].message}"


def _plain(schema: dict[str, Any]) -> dict[str, Any]:
    return dict(schema)


def test_every_error_is_a_problem(document: dict[str, Any]) -> None:
    """Every answer from 400 on is application/problem+json."""
    for path, method, operation in _operations(document):
        for status, answer in operation["responses"].items():
            if "$ref" in answer:
                answer = document["components"]["responses"][answer["$ref"].rpartition("/")[2]]
            if int(status) >= 400 and path.startswith("/v1/"):
                assert list(answer["content"]) == ["application/problem+json"], f"{status} of {method} {path}"


def test_every_route_has_what_it_needs(document: dict[str, Any]) -> None:
    """Every route under /v1 names its scope, needs a token, and has a summary and a declared success."""
    for path, method, operation in _operations(document):
        if not path.startswith("/v1/"):
            continue
        where = f"{method} {path}"
        assert set(operation["x-scope"].split(" or ")) <= {"catalogue", "intake", "read", "admin"}, where
        assert operation["security"] == [{"token": []}], where
        assert operation["summary"], where
        assert any(status.startswith("2") for status in operation["responses"]), where
        assert set(re.findall(r"{(\w+)}", path)) == {
            parameter["name"]
            for parameter in document["paths"][path].get("parameters", [])
            if parameter["in"] == "path"
        }, where


def test_writes_of_reference_data(document: dict[str, Any]) -> None:
    """Every resource that is put can be read, listed and deleted, and has tags to guard a write with."""
    for path, method, operation in _operations(document):
        if method == "put":
            item = document["paths"][path]
            assert {"get", "delete"} <= item.keys(), path
            assert "get" in document["paths"][path.rpartition("/")[0]], path
            names = {parameter["name"] for parameter in operation["parameters"]}
            assert {"If-Match", "If-None-Match"} <= names, path


def test_open_bounds_are_written_open(document: dict[str, Any]) -> None:
    """A bound that is not allowed itself is exclusive in the document too."""
    resolution = document["components"]["schemas"]["GaugeBody"]["properties"]["resolution"]
    assert resolution["exclusiveMinimum"] == 0 and "minimum" not in resolution


def test_answers_may_grow(document: dict[str, Any]) -> None:
    """What clients send is closed to unknown fields; answers are open."""
    schemas = document["components"]["schemas"]
    assert schemas["GaugeBody"]["additionalProperties"] is False
    assert "additionalProperties" not in schemas["GaugeAnswer"]
