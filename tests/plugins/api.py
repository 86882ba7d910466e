"""The API in this process, on a database of the test's own."""

from __future__ import annotations

from collections.abc import Callable

import psycopg
import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.app import configure, create_app
from service.config import Config
from service.store import tokens


@pytest.fixture(scope="session")
def assembled() -> Flask:
    """The API, assembled once: that takes longer than most tests. `app` says where its database is."""
    app = create_app(Config(database_url="postgresql://nowhere/nothing", redis_url="redis://127.0.0.1:1/0"))
    app.testing = False  # an unexpected error is answered as clients would see it
    return app


@pytest.fixture
def app(assembled: Flask, config: Config) -> Flask:
    """The API on this test's database."""
    configure(assembled, config)
    return assembled


@pytest.fixture
def own_app(config: Config) -> Flask:
    """An API of this test alone, which may add routes to it."""
    app = create_app(config)
    app.testing = False
    return app


@pytest.fixture
def make_token(config: Config) -> Callable[..., str]:
    """`make_token(*scopes, site=None)` returns a token of this test's database."""

    def make(*scopes: str, site: str | None = None) -> str:
        with psycopg.connect(config.database_url) as conn:
            return tokens.create_token(conn, "test", scopes or ("admin",), site)

    return make


@pytest.fixture
def make_client(app: Flask, make_token: Callable[..., str]) -> Callable[..., FlaskClient]:
    """`make_client(*scopes, site=None)` returns a client that sends such a token."""

    def make(*scopes: str, site: str | None = None) -> FlaskClient:
        client = app.test_client()
        client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {make_token(*scopes, site=site)}"
        return client

    return make


@pytest.fixture
def client(make_client: Callable[..., FlaskClient]) -> FlaskClient:
    """A client whose token may do everything."""
    return make_client("admin")


@pytest.fixture
def anonymous(app: Flask) -> FlaskClient:
    """A client without a token."""
    return app.test_client()
