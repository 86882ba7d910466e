"""The Api: flask-smorest with problem documents and honest ranges, and the OpenAPI document it makes.

flask-smorest 0.47 is pinned: two private hooks of its response documentation are overridden here. Its error
handler drops headers (405 without Allow), its shared responses say application/json for problems, and apispec
writes an open bound as a closed one.
"""

from __future__ import annotations

from typing import Any

import flask_smorest
import marshmallow as ma
from flask import Flask, Response
from flask_swagger_ui import get_swaggerui_blueprint
from werkzeug.exceptions import HTTPException

from service import problems
from service.api import answers, fields
from service.api.describe import Problem

DESCRIPTION = """\
Inspections of stripped-down compressed-air downhole percussion hammers: gauge readings in; clearances,
discard flags, leakage and remaining life out.

A document that carries lengths names their unit once (`unit`); answers are in mm, or in inches with
`?unit=in`. Times come with their offset and go out in UTC. Faults of the input are told all at once
(`errors`). Answers may gain fields: ignore what you do not know.
"""


class Api(flask_smorest.Api):  # type: ignore[misc]
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
    return {}


def serve(app: Flask, api: Api) -> None:
    """Add ``/openapi.json`` and ``/docs``, once every blueprint is registered."""
    document = api.spec.to_dict()
    app.extensions["openapi"] = document

    @app.get("/openapi.json")
    def openapi_json() -> Response:
        return answers.answer(document)

    # Its scripts ship with the package: the page asks nothing of another host.
    app.register_blueprint(get_swaggerui_blueprint("/docs", "/openapi.json", config={"app_name": "Stripdown"}))
