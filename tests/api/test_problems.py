"""Every error leaves the service as a problem document that tells no secret."""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

import pytest
from flask import Flask
from flask.testing import FlaskClient
from psycopg import Connection, sql

from service import faults
from service.problems import KINDS, Refused
from service.store.errors import Conflict, NotFound, StoreAway

pytestmark = pytest.mark.db
MEMBERS = {"type", "title", "status", "detail", "instance", "code"}


@pytest.fixture
def app(own_app: Flask) -> Flask:
    """It gets routes of these tests."""
    return own_app


@pytest.fixture
def failing(app: Flask) -> Flask:
    """Routes that raise what a view may raise."""
    for name, error in {
        "bug": RuntimeError("SELECT secret FROM /srv/table"),
        "away": StoreAway("could not connect to 10.0.0.1"),
        "conflict": Conflict("usage-overlap", "it overlaps", entries=["a", "b"]),
        "missing": NotFound("gauge", "MIC-1"),
        "many": Refused(faults.fault(f"/readings/{n}", "required") for n in range(2_000)),
    }.items():

        def fail(error: Exception = error) -> None:
            raise error

        app.add_url_rule(f"/fail/{name}", name, fail)
    return app


@pytest.mark.parametrize(
    ("path", "method", "status", "code"),
    [
        ("/nowhere", "get", 404, "not-found"),
        ("/v1/sites", "post", 405, "method-not-allowed"),
        ("/v1/sites/none", "get", 404, "not-found"),
        ("/fail/missing", "get", 404, "not-found"),
        ("/fail/conflict", "get", 409, "usage-overlap"),
        ("/fail/away", "get", 503, "unavailable"),
        ("/fail/bug", "get", 500, "internal"),
    ],
)
def test_errors_are_problem_documents(
    failing: Flask, client: FlaskClient, path: str, method: str, status: int, code: str
) -> None:
    """Every error, the framework's own included, is application/problem+json with all members of RFC 9457."""
    answer = getattr(client, method)(path)
    assert (answer.status_code, answer.content_type) == (status, "application/problem+json")
    problem = answer.get_json(force=True)
    assert problem.keys() >= MEMBERS
    assert (problem["status"], problem["code"], problem["instance"]) == (status, code, path)
    assert problem["type"].endswith(code)


def test_a_copy_for_reading_takes_no_writes(conn: Connection, make_token: Callable[..., str], app: Flask) -> None:
    """Where PostgreSQL takes no writes, as a replica does not, reads are answered and writes are told why not."""
    token = {"Authorization": f"Bearer {make_token('admin')}"}
    name = sql.Identifier(conn.info.dbname)
    conn.execute(sql.SQL("ALTER DATABASE {} SET default_transaction_read_only = on").format(name))
    conn.commit()
    reader = app.test_client()
    assert reader.get("/v1/sites", headers=token).status_code == 200
    answer = reader.put("/v1/sites/north", json={"name": "North", "time_zone": "UTC"}, headers=token)
    assert (answer.status_code, answer.get_json(force=True)["code"]) == (503, "read-only")


def test_headers_of_the_framework_are_kept(failing: Flask, client: FlaskClient) -> None:
    """405 keeps Allow, 503 says when to come back."""
    assert "GET" in client.post("/v1/sites").headers["Allow"]
    assert client.get("/fail/away").headers["Retry-After"] == "2"


def test_nothing_leaks(failing: Flask, client: FlaskClient) -> None:
    """No statement, address or path of an unexpected error leaves the service."""
    for path in ("/fail/bug", "/fail/away"):
        text = client.get(path).get_data(as_text=True)
        assert not any(secret in text for secret in ("SELECT", "/srv", "10.0.0.1", "Traceback", "RuntimeError"))


def test_facts_of_a_conflict_are_members(failing: Flask, client: FlaskClient) -> None:
    """What is in the way is told."""
    assert client.get("/fail/conflict").get_json(force=True)["entries"] == ["a", "b"]


def test_faults_are_sorted_and_bounded(failing: Flask, client: FlaskClient) -> None:
    """Faults come in the order of the document, entries by number, at most 1,000 of them; their number is told."""
    problem = client.get("/fail/many").get_json(force=True)
    pointers = [item["pointer"] for item in problem["errors"]]
    assert pointers == [f"/readings/{n}" for n in range(1_000)]
    assert problem["detail"].startswith("2000 faults")


@pytest.mark.parametrize(
    ("method", "path", "detail"),
    [
        ("get", "/v1/sites?limit=0", "1 fault"),
        ("post", "/v1/leak-estimates", "1 fault"),
        ("put", "/v1/sites/north", "1 fault; nothing was stored"),
    ],
)
def test_what_stores_nothing_does_not_say_so(client: FlaskClient, method: str, path: str, detail: str) -> None:
    """That nothing was stored is said where something would have been: not of a read, nor of an estimate."""
    sent = {} if method == "get" else {"json": []}
    assert client.open(path, method=method, **sent).get_json(force=True)["detail"] == detail


def test_bounds_are_told_in_full(client: FlaskClient) -> None:
    """A message gives the digits of a bound, none rounded away."""
    (error,) = client.get(f"/v1/inspections/{UUID(int=0)}/assessment?version=99999999999").get_json(force=True)[
        "errors"
    ]
    assert error["message"] == "must be at least 1 and at most 2147483647"


def test_a_code_that_is_not_in_the_table_is_a_bug() -> None:
    """No fault leaves under a code that the table does not have."""
    with pytest.raises(KeyError):
        faults.fault("/x", "no-such-code")
    with pytest.raises(KeyError):
        faults.fault("/x", "no-such-code", "in other words")


def test_statuses_of_the_table_are_errors() -> None:
    """The one table of problems holds errors only."""
    assert all(400 <= status < 600 for status, _ in KINDS.values())
