"""The Api: flask-smorest with problem documents and honest ranges, and the OpenAPI document it makes.

flask-smorest 0.47 is pinned: two private hooks of its response documentation are overridden here. Its error
handler drops headers (405 without Allow), its shared responses say application/json for problems, and apispec
writes an open bound as a closed one.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import Any

import flask_smorest
import marshmallow as ma
from flask import Flask, Response
from flask_swagger_ui import get_swaggerui_blueprint
from werkzeug.exceptions import HTTPException

from service import faults, problems
from service.api import answers, fields
from service.api.describe import Problem, problem_response

DESCRIPTION = """\
Inspections of stripped-down compressed-air downhole percussion hammers: gauge readings in; clearances,
discard flags, leakage and remaining life out.

A document that carries lengths names their unit once (`unit`); answers are in mm, or in inches with
`?unit=in`. Times come with their offset and go out in UTC. Faults of the input are told all at once
(`errors`). Answers may gain fields: ignore what you do not know.
"""


class Api(flask_smorest.Api):
    """Assembles the blueprints and their document."""

    ERROR_SCHEMA = Problem
    DEFAULT_ERROR_RESPONSE_NAME = None

    def handle_http_exception(self, error: HTTPException) -> Response:
        return problems.of_http(error)

    def _register_responses(self) -> None:
        """Nothing: every operation describes its own problems (service.api.describe)."""

    def _register_etag_headers(self) -> None:
        """Nothing, likewise."""

    def _register_pagination_header(self) -> None:
        """Nothing, likewise."""


def make_api(app: Flask) -> Api:
    """Return the Api of an app, without blueprints yet."""
    app.config |= {
        "API_TITLE": "Stripdown",
        "API_VERSION": "v1",
        "OPENAPI_VERSION": "3.1.0",
        "API_SPEC_OPTIONS": {
            "info": {"description": DESCRIPTION},
            "components": {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}},
        },
    }
    api = Api(app)
    for kind in (fields.Name, fields.Choice, fields.Text):
        api.register_field(kind, "string", None)
    for status in sorted({status for status, _ in problems.KINDS.values()}):
        api.spec.components.response(f"Problem{status}", problem_response(status), lazy=True)
    api.ma_plugin.converter.add_attribute_function(_open_bounds)
    return api


def _open_bounds(_: Any, field: ma.fields.Field, *, ret: dict[str, Any], **__: Any) -> dict[str, Any]:
    """Write a bound that is not allowed itself as exclusive."""
    for validator in field.validators:
        if isinstance(validator, ma.validate.Range):
            if not validator.min_inclusive and "minimum" in ret:
                ret["exclusiveMinimum"] = ret.pop("minimum")
            if not validator.max_inclusive and "maximum" in ret:
                ret["exclusiveMaximum"] = ret.pop("maximum")
    # A bound against slips of the pen is no property of the quantity: an answer, or one in another unit, may pass it.
    for name in ("minimum", "maximum"):
        if abs(ret.get(name, 0)) in (fields.MAX_LENGTH, fields.MAX_NUMBER) and isinstance(field, fields.Number):
            del ret[name]
    return {}


def serve(app: Flask, api: Api) -> None:
    """Add ``/openapi.json`` and ``/docs``, once every blueprint is registered."""
    document = api.spec.to_dict()
    document["paths"] = {path: {"get": _open_operation(words)} for path, words in OPEN.items()} | document["paths"]
    _name_identifiers(document)
    _let_answers_grow(document)
    _describe_schemas(document, api)
    app.extensions["openapi"] = document

    @app.get("/openapi.json")
    def openapi_json() -> Response:
        return answers.answer(document)

    # Its scripts ship with the package: the page asks nothing of another host.
    app.register_blueprint(get_swaggerui_blueprint("/docs", "/openapi.json", config={"app_name": "Stripdown"}))


#: What needs no token.
OPEN = {
    "/healthz": "Whether the process lives",
    "/readyz": "Whether PostgreSQL answers; Redis is reported, and may be away",
    "/openapi.json": "This document",
}


def _open_operation(words: str) -> dict[str, Any]:
    schema = {"schema": {"type": "object"}}
    answers_given = {"200": {"description": "OK", "content": {"application/json": schema}}}
    if words == OPEN["/readyz"]:
        answers_given["503"] = {"description": "Not ready", "content": {"application/json": schema}}
    return {"summary": words, "security": [], "tags": ["health"], "responses": answers_given}


def _name_identifiers(document: dict[str, Any]) -> None:
    """A text in a path is an identifier of the client's own."""
    for path in document["paths"].values():
        for parameter in path.get("parameters", []):
            schema = parameter.get("schema", {})
            if parameter["in"] == "path" and schema == {"type": "string"}:
                schema["pattern"] = faults.IDENTIFIER


def _let_answers_grow(document: dict[str, Any]) -> None:
    """Only what clients send is closed to unknown fields; answers may gain some."""
    schemas = document["components"]["schemas"]
    sent: set[str] = set()
    operations = [item for path in document["paths"].values() for item in path.values() if isinstance(item, dict)]
    todo = [name for item in operations for name in _names_in(item.get("requestBody", {}))]
    while todo:
        name = todo.pop()
        if name not in sent:
            sent.add(name)
            todo += _names_in(schemas[name])
    for name, schema in schemas.items():
        if name not in sent:
            schema.pop("additionalProperties", None)


def _describe_schemas(document: dict[str, Any], api: Api) -> None:
    """What a document is, is said once: by its class."""
    for (kind, *_), name in api.ma_plugin.converter.refs.items():
        if kind.__doc__:
            document["components"]["schemas"][name]["description"] = cleandoc(kind.__doc__).replace("``", "`")


def _names_in(part: Any) -> list[str]:
    if isinstance(part, dict):
        own = [part["$ref"].rpartition("/")[2]] if isinstance(part.get("$ref"), str) else []
        return own + [name for item in part.values() for name in _names_in(item)]
    if isinstance(part, list):
        return [name for item in part for name in _names_in(item)]
    return []
