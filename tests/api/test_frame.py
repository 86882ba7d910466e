"""What every route has in common: access, query parameters, identifiers, health, documentation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import psycopg
import pytest
from flask import Flask
from flask.testing import FlaskClient

from service import access
from service.app import create_app
from service.config import Config
from service.store import tokens

pytestmark = pytest.mark.db
SITE = {"name": "North yard", "time_zone": "Australia/Brisbane"}


def test_open_routes_need_no_token(anonymous: FlaskClient) -> None:
    """Health, documentation and the OpenAPI document are open."""
    for path in ("/healthz", "/readyz", "/docs/", "/docs", "/openapi.json"):
        assert anonymous.get(path).status_code == 200, path


def test_every_other_route_needs_a_token(app: Flask, anonymous: FlaskClient) -> None:
    """Without a token every other route is a 401 that says how to come back."""
    for path, item in app.extensions["openapi"]["paths"].items():
        for method in item.keys() & {"get", "put", "post", "patch", "delete"}:
            if not path.startswith("/v1/"):
                continue
            values = {
                parameter["name"]: "01a21020-39e0-7ffc-9096-170a18218404" for parameter in item.get("parameters", [])
            }
            filled = path.format(**values)
            answer = anonymous.open(filled, method=method.upper())
            assert answer.status_code == 401, (method, path)
            assert answer.headers["WWW-Authenticate"].startswith("Bearer")


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Basic abc", "Bearer wrong", "Bearer \x80\xff"])
def test_a_bad_token_is_a_401(app: Flask, header: str) -> None:
    """What is not a known bearer token opens nothing."""
    answer = app.test_client().get("/v1/sites", headers={"Authorization": header})
    assert (answer.status_code, answer.get_json(force=True)["code"]) == (401, "no-token")


def test_scopes(make_client: Callable[..., FlaskClient]) -> None:
    """A token writes what its scopes say and can read that back, `read` reads all, `admin` does everything."""
    put = {
        scope: make_client(scope).put(f"/v1/sites/{scope}", json=SITE).status_code
        for scope in ("catalogue", "intake", "read", "admin")
    }
    assert put == {"catalogue": 201, "intake": 403, "read": 403, "admin": 201}
    assert make_client("read").get("/v1/sites/admin").status_code == 200
    assert make_client("catalogue").get("/v1/sites/admin").status_code == 200
    assert make_client("intake").get("/v1/gauge-exports").status_code == 200
    assert make_client("intake").get("/v1/sites/admin").get_json(force=True)["code"] == "outside-scope"
    assert make_client("catalogue").get("/v1/inspections").get_json(force=True)["code"] == "outside-scope"
    assert make_client("read", "catalogue").put("/v1/sites/both", json=SITE).status_code == 201


def test_a_revoked_token_stops_within_five_seconds(
    app: Flask, config: Config, make_token: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is remembered of a token is forgotten within seconds of its being revoked."""
    now = 1000.0
    monkeypatch.setattr(access.time, "monotonic", lambda: now)
    token = make_token("read")
    client = app.test_client()
    headers = {"Authorization": f"Bearer {token}"}
    assert client.get("/v1/sites", headers=headers).status_code == 200
    with psycopg.connect(config.database_url) as conn:
        conn.execute("UPDATE tokens SET revoked_at = now()")
    now += 5.0
    assert client.get("/v1/sites", headers=headers).status_code == 401


def test_a_token_costs_no_query_while_it_is_remembered(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second request of a token does not ask the database who it is."""
    assert client.get("/v1/sites").status_code == 200
    monkeypatch.setattr(tokens, "find_token", None)
    assert client.get("/v1/sites").status_code == 200


def test_unknown_query_parameters_are_named(client: FlaskClient) -> None:
    """A misspelt filter is refused by name, not ignored; so is one given twice or with a wrong value."""
    answer = client.get("/v1/sites?limit=0&limt=3&after=a&after=b")
    assert answer.status_code == 422
    found = {item["pointer"]: item["code"] for item in answer.get_json(force=True)["errors"]}
    assert found == {"?limit": "out-of-range", "?limt": "unknown-parameter", "?after": "repeated-parameter"}
    assert client.get("/v1/sites/north?x=1").get_json(force=True)["errors"][0]["pointer"] == "?x"


def test_nul_in_a_query_or_path(client: FlaskClient) -> None:
    """NUL, which the database cannot store, is a fault or nothing found, never a 500."""
    assert client.get("/v1/sites?after=%00").status_code == 422
    assert client.get("/v1/sites/a%00b").status_code == 404
    assert client.put("/v1/sites/a%00b", json=SITE).status_code == 422


@pytest.mark.parametrize("code", ["a b", "x" * 65, "ä", "a;b"])
def test_bad_identifiers(client: FlaskClient, code: str) -> None:
    """A code is 1 to 64 of letters, digits, dot, underscore and hyphen."""
    answer = client.put(f"/v1/sites/{code}", json=SITE)
    found = [(item["pointer"], item["code"]) for item in answer.get_json(force=True)["errors"]]
    assert found == [("/code", "bad-identifier")]
    assert client.get(f"/v1/sites/{code}").status_code == 404


def test_readiness(config: Config, client: FlaskClient) -> None:
    """PostgreSQL must answer; Redis away is reported and no reason to take the API out."""
    assert client.get("/readyz").json == {"status": "ready", "postgres": "ok", "redis": "ok"}
    without = create_app(replace(config, redis_url="redis://127.0.0.1:1/0")).test_client().get("/readyz")
    assert (without.status_code, without.json["redis"]) == (200, "away")
    lost = create_app(
        replace(config, database_url="postgresql://nobody@127.0.0.1:1/none", pool_timeout_s=0.3)
    ).test_client()
    answer = lost.get("/readyz")
    assert (answer.status_code, answer.json["postgres"]) == (503, "away")
    assert lost.get("/healthz").status_code == 200


def test_docs_ask_no_other_host(anonymous: FlaskClient) -> None:
    """The documentation page and all it loads come from this service."""
    page = anonymous.get("/docs/").get_data(as_text=True)
    assert "://" not in page.replace("http://localhost/docs", "")
    for asset in ("swagger-ui-bundle.js", "swagger-ui-standalone-preset.js", "swagger-ui.css", "index.css"):
        assert f"/docs/{asset}" in page
        with anonymous.get(f"/docs/{asset}") as answer:
            assert answer.status_code == 200
