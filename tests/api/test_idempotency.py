"""A POST sent twice does its work once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import psycopg
import pytest
from flask import Flask
from flask.testing import FlaskClient
from psycopg import Connection

from service.access import requires
from service.api import fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, keyed, takes
from service.api.schema import Document
from service.config import Config
from service.faults import fault
from service.problems import Refused
from service.store import idempotency
from service.store.errors import Conflict, StoreAway

pytestmark = pytest.mark.db


class Note(Document):
    """What the route of these tests takes."""

    code = fields.Name(required=True)
    then = fields.Text()


class Work:
    """A route that writes one row of `codes` a time, and may be held or fail after that."""

    def __init__(self) -> None:
        self.started, self.go_on = threading.Event(), threading.Event()
        self.go_on.set()
        self.sent: list[Answer] = []

    def run(self, conn: Connection, body: dict[str, str]) -> Answer:
        row = conn.execute("INSERT INTO codes (code) VALUES (%(code)s) RETURNING code_id", body).fetchone()
        assert row is not None
        self.started.set()
        assert self.go_on.wait(10)
        errors = {
            "conflict": Conflict("in-use", "it is"),
            "refuse": Refused([fault("/then", "invalid")]),
            "away": StoreAway("gone"),
            "bug": RuntimeError("bug"),
        }
        if body.get("then") in errors:
            raise errors[body["then"]]
        return answer({"id": row[0]}, 202, location=f"/v1/notes/{row[0]}")

    def after(self, made: Answer) -> Answer:
        self.sent.append(made)
        return answer(made.document | {"waited": True}, 201, location=made.headers["Location"])


@pytest.fixture
def app(own_app: Flask) -> Flask:
    """It gets a route of these tests."""
    return own_app


@pytest.fixture
def work(app: Flask) -> Work:
    """`POST /v1/notes`, with a stage after the commit."""
    done = Work()
    blueprint = Blueprint("notes", url_prefix="/v1/notes", description="Notes of this test")

    @blueprint.post("")
    @requires("intake")
    @takes(Note)
    @keyed(done.after)
    def post_note(conn: Connection, body: dict[str, str]) -> Answer:
        """Write one."""
        return done.run(conn, body)

    app.register_blueprint(blueprint)
    return done


@pytest.fixture
def poster(app: Flask, work: Work, make_client: Callable[..., FlaskClient]) -> FlaskClient:
    """A client that may post notes."""
    return make_client("intake")


def _post(client: FlaskClient, key: str | None, code: str = "a", **more: str) -> tuple[int, dict[str, object]]:
    headers = {} if key is None else {"Idempotency-Key": key}
    got = client.post("/v1/notes", json={"code": code} | more, headers=headers)
    return got.status_code, got.get_json(force=True)


def _stored(config: Config) -> int:
    with psycopg.connect(config.database_url) as conn:
        row = conn.execute("SELECT count(*) FROM codes").fetchone()
    assert row is not None
    return int(row[0])


def test_the_same_key_gives_the_same_answer(poster: FlaskClient, config: Config, work: Work) -> None:
    """A repeated request does nothing, gets the same id and location, and goes through the wait anew."""
    first = poster.post("/v1/notes", json={"code": "a"}, headers={"Idempotency-Key": "k-1"})
    again = poster.post("/v1/notes", json={"code": "a"}, headers={"Idempotency-Key": '"k-1"'})
    assert (first.status_code, first.json) == (again.status_code, again.json)
    assert first.headers["Location"] == again.headers["Location"]
    assert again.json["waited"] and len(work.sent) == 2
    assert _stored(config) == 1


def test_without_a_key_the_work_is_done_each_time(poster: FlaskClient, config: Config) -> None:
    """Without a key nothing is kept."""
    assert [_post(poster, None, code)[0] for code in ("a", "b")] == [201, 201]
    assert _stored(config) == 2


def test_the_same_key_with_another_body_is_refused(poster: FlaskClient, config: Config) -> None:
    """A key belongs to one body: another one under it is a 422, whether the first was accepted or refused."""
    assert _post(poster, "k", "a")[0] == 201
    status, problem = _post(poster, "k", "b")
    assert (status, problem["code"]) == (422, "key-reused")
    assert _post(poster, "bad", "no such code!")[0] == 422
    status, problem = _post(poster, "bad", "c")
    assert (status, problem["code"]) == (422, "key-reused")
    assert _stored(config) == 1


def test_while_the_first_runs_the_second_is_a_409(poster: FlaskClient, work: Work, app: Flask, config: Config) -> None:
    """A request whose key is being worked on is told so at once; after that it gets the answer."""
    work.go_on.clear()
    token = poster.environ_base["HTTP_AUTHORIZATION"]
    with ThreadPoolExecutor() as threads:
        other = app.test_client()
        other.environ_base["HTTP_AUTHORIZATION"] = token
        first = threads.submit(_post, other, "k")
        assert work.started.wait(10)
        status, problem = _post(poster, "k")
        assert (status, problem["code"]) == (409, "key-in-use")
        work.go_on.set()
        assert first.result(10) == _post(poster, "k")
    assert _stored(config) == 1


@pytest.mark.parametrize(("then", "status"), [("conflict", 409), ("refuse", 422)])
def test_refusals_are_kept(poster: FlaskClient, config: Config, then: str, status: int) -> None:
    """A conflict or a refusal would come again: it is kept, and what was written before it is not."""
    first, again = (_post(poster, "k", then=then) for _ in range(2))
    assert first == again and first[0] == status
    assert _stored(config) == 0


@pytest.mark.parametrize(("then", "status"), [("away", 503), ("bug", 500)])
def test_failures_are_not_kept(poster: FlaskClient, config: Config, then: str, status: int) -> None:
    """What may go better the next time is not kept."""
    assert _post(poster, "k", then=then)[0] == status
    with psycopg.connect(config.database_url) as conn:
        assert conn.execute("SELECT count(*) FROM idempotency_keys").fetchone() == (0,)
    assert _post(poster, "k", then="")[0] == 201
    assert _stored(config) == 1


def test_scope_is_token_and_route(poster: FlaskClient, config: Config, make_client: Callable[..., FlaskClient]) -> None:
    """Another token's key of the same text is another key."""
    assert _post(poster, "k", "a")[0] == 201
    assert _post(make_client("intake"), "k", "b")[0] == 201
    assert _stored(config) == 2


def test_a_key_is_kept_a_day(poster: FlaskClient, config: Config) -> None:
    """After 24 h a key is as good as new, and pruned."""
    assert _post(poster, "k", "a")[0] == 201
    with psycopg.connect(config.database_url) as conn:
        conn.execute("UPDATE idempotency_keys SET created_at = now() - interval '24 hours'")
    assert _post(poster, "k", "b")[0] == 201
    with psycopg.connect(config.database_url) as conn:
        assert idempotency.prune_keys(conn) == 0
        conn.execute("UPDATE idempotency_keys SET created_at = now() - interval '24 hours'")
        assert idempotency.prune_keys(conn) == 1


@pytest.mark.parametrize("key", ["", '""', "x" * 256, "a b", 'a"b', "ä"])
def test_a_key_that_cannot_be_read(poster: FlaskClient, key: str) -> None:
    """A key is 1 to 255 printable characters of ASCII, quoted or bare."""
    status, problem = _post(poster, key.encode().decode("latin-1"))
    assert (status, problem["code"]) == (400, "bad-key")
