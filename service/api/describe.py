"""What the OpenAPI document says of an operation: made from its declarations, common answers included."""

from __future__ import annotations

from functools import cache
from http import HTTPStatus
from importlib.resources import files
from typing import Any

import orjson

from service.api import fields
from service.api.idempotency import KEY
from service.api.query import NoQuery
from service.api.schema import Document
from service.problems import CONTENT_TYPE

#: A link to openapi/examples, so that the wheel carries them: the document served is the one committed.
EXAMPLES = files("service.api").joinpath("examples")


class FaultDocument(Document):
    """One fault of the input."""

    pointer = fields.Text(required=True, metadata={"description": "JSON pointer; `?name` for a query parameter"})
    code = fields.Text(required=True)
    message = fields.Text(required=True)


class Problem(Document):
    """What is wrong, where and why (RFC 9457); `errors` lists every fault of an input."""

    type = fields.Text(required=True)
    title = fields.Text(required=True)
    status = fields.Count(required=True)
    detail = fields.Text(required=True)
    instance = fields.Text(allow_none=True)
    code = fields.Text(required=True, metadata={"description": "What `type` ends in"})
    errors = fields.ListOf(fields.Inner(FaultDocument), metadata={"description": "All faults of the input, sorted"})


PROBLEM = Problem()
_HEADERS = {
    "tagged": ("ETag", "Strong entity tag"),
    "located": ("Location", "Where the thing is"),
    "paged": ("Link", 'The next page (`rel="next"`), where there is one'),
}
_KEY = {
    "in": "header",
    "name": "Idempotency-Key",
    "description": "Sent twice, the work is done once; kept 24 h. Quoted or bare.",
    "schema": {"type": "string", "pattern": KEY},
}
_PREFER = {
    "in": "header",
    "name": "Prefer",
    "description": "`wait=N` (RFC 7240): hold the answer until the work is done, at most N (60) seconds",
    "schema": {"type": "string", "pattern": "^wait=[0-9]{1,2}$"},
}


def operation(doc: dict[str, Any], found: dict[str, Any], *, method: str, **_: Any) -> dict[str, Any]:
    """Return the operation of one view: called by flask-smorest while it collects the document."""
    said, scopes = found["declared"], found["scopes"]
    doc["operationId"] = found["name"]
    doc["parameters"] = _parameters(said, method)
    if said.body is not None:
        doc["requestBody"] = _request_body(said)
    elif said.streams:
        doc["requestBody"] = _file_body(said)
    doc["responses"] = _answers(said) | _problems(said, method)
    doc["security"] = [{"token": []}]
    doc["x-scope"] = " or ".join(scopes)
    return doc


def _parameters(said: Any, method: str) -> list[Any]:
    parameters: list[Any] = []
    if not isinstance(said.query, NoQuery):
        parameters.append({"in": "query", "schema": said.query})
    if said.keyed or said.streams:
        parameters.append(_KEY)
    if said.waits:
        parameters.append(_PREFER)
    if any(item.tagged for item in said.gives):
        header = ("If-None-Match",) if method == "get" else ("If-Match", "If-None-Match")
        parameters += [
            {
                "in": "header",
                "name": name,
                "schema": {"type": "string"},
                "description": "RFC 9110, section 13",
            }
            for name in header
        ]
    elif method == "delete":
        parameters.append(
            {
                "in": "header",
                "name": "If-Match",
                "schema": {"type": "string"},
                "description": "RFC 9110, section 13",
            }
        )
    return parameters


def _request_body(said: Any) -> dict[str, Any]:
    content: dict[str, Any] = {"schema": said.body}
    if said.examples:
        content["examples"] = {name: {"value": example(name)} for name in said.examples}
    return {"required": True, "content": {"application/json": content}}


def _file_body(said: Any) -> dict[str, Any]:
    file = {"type": "string", "format": "binary"}
    form = {"type": "object", "properties": {"file": file}, "required": ["file"], "additionalProperties": False}
    content = {name: {"schema": form if name.startswith("multipart/") else file} for name in said.streams}
    return {"required": True, "content": content}


@cache
def example(name: str) -> Any:
    """Return one of the committed examples."""
    return orjson.loads(EXAMPLES.joinpath(f"{name}.json").read_bytes())


def _answers(said: Any) -> dict[str, Any]:
    answers: dict[str, Any] = {}
    for item in said.gives:
        shown = answers.setdefault(
            str(item.status), {"description": item.description or HTTPStatus(item.status).phrase}
        )
        if item.schema is not None:
            schema = item.schema if isinstance(item.schema, dict) else item.schema()
            shown.setdefault("content", {})[item.content_type] = {"schema": schema}
        headers = {
            name: {"schema": {"type": "string"}, "description": words}
            for flag, (name, words) in _HEADERS.items()
            if getattr(item, flag)
        }
        if headers:
            shown.setdefault("headers", {}).update(headers)
    return answers


def _problems(said: Any, method: str) -> dict[str, Any]:
    statuses = {401, 403, 404, 422, 500, 503, *said.refuses}
    tagged = any(item.tagged for item in said.gives)
    if said.body is not None or said.streams:
        statuses |= {400, 413, 415}
    if said.keyed or said.streams:
        statuses |= {400, 409}
    if method in ("put", "delete", "patch"):
        statuses |= {409, 412}
    problems: dict[str, Any] = {str(status): f"Problem{status}" for status in sorted(statuses)}
    if method == "get" and tagged:
        problems["304"] = {"description": HTTPStatus(304).phrase}
    return problems


def problem_response(status: int) -> dict[str, Any]:
    """Return what the document says of a problem of this status: the component ``Problem<status>``."""
    shown: dict[str, Any] = {
        "description": HTTPStatus(status).phrase,
        "content": {CONTENT_TYPE: {"schema": PROBLEM}},
    }
    headers = {401: "WWW-Authenticate", 503: "Retry-After"}
    if status in headers:
        shown["headers"] = {headers[status]: {"schema": {"type": "string"}}}
    return shown
