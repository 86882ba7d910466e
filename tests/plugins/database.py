"""A fresh, migrated database for each test that asks for one, copied from one template a run."""

from __future__ import annotations

import sys
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
from psycopg import sql

from migrations.run import upgrade
from service.config import Config
from service.store import pool
from tests.plugins.servers import TestServers


def at_database(url: str, name: str) -> str:
    """The same server's URL with another database."""
    parts = urlsplit(url)
    plain = urlunsplit(parts._replace(path=f"/{name}"))
    # an empty host is dropped by urlunsplit, and libpq needs the slashes
    return plain if "://" in plain else plain.replace(f"{parts.scheme}:", f"{parts.scheme}://", 1)


@dataclass(frozen=True, slots=True)
class Databases:
    """The server's databases, made and dropped over one connection that is held throughout."""

    url: str
    conn: psycopg.Connection

    def do(self, statement: str, *names: str) -> None:
        """Execute a statement with names of databases in its braces."""
        self.conn.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def databases(servers: TestServers) -> Iterator[Databases]:
    """What makes and drops databases."""
    with psycopg.connect(servers.database_url, autocommit=True) as conn:
        yield Databases(servers.database_url, conn)


@pytest.fixture(scope="session")
def template(databases: Databases) -> Iterator[str]:
    """The name of the migrated database that the tests' own are copies of."""
    name = f"stripdown_template_{uuid.uuid4().hex[:12]}"
    databases.do("CREATE DATABASE {} TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C'", name)
    upgrade(at_database(databases.url, name))
    yield name
    databases.do("DROP DATABASE {} WITH (FORCE)", name)


@pytest.fixture
def empty_database_url(databases: Databases) -> Iterator[str]:
    """A database of this test alone with nothing in it."""
    yield from _own_database(databases, "template0")


@pytest.fixture
def database_url(databases: Databases, template: str) -> Iterator[str]:
    """A migrated database of this test alone."""
    yield from _own_database(databases, template)


def _own_database(databases: Databases, template: str) -> Iterator[str]:
    name = f"stripdown_test_{uuid.uuid4().hex[:12]}"
    databases.do("CREATE DATABASE {} TEMPLATE {} STRATEGY FILE_COPY", name, template)
    yield at_database(databases.url, name)
    pool.close()
    forget_caches()
    databases.do("DROP DATABASE {} WITH (FORCE)", name)


def forget_caches() -> None:
    """Drop what modules remember of a database that is no longer there: each such module has a `forget`."""
    for name, module in list(sys.modules.items()):
        if name.startswith(("service.", "worker.")) and callable(getattr(module, "forget", None)):
            module.forget()


@pytest.fixture
def config(database_url: str, redis_url: str) -> Config:
    """The configuration for this test's database and broker."""
    return Config(database_url=database_url, redis_url=redis_url, pool_timeout_s=5.0)


@pytest.fixture
def conn(config: Config) -> Iterator[psycopg.Connection]:
    """A connection to this test's database; `conn.commit()` makes what it did seen by others."""
    with psycopg.connect(config.database_url, options=pool.options(config)) as connection:
        yield connection
        connection.rollback()


@pytest.fixture
def store(config: Config) -> Iterator[Config]:
    """`service.store.pool.transaction()` works in this process, on this test's database."""
    pool.configure(config, size=5)
    yield config
    pool.close()
