"""`--stack`: the real PostgreSQL and Redis-protocol server that tests run against.

`embedded` (the default) starts both from the wheels; `containers` starts them with testcontainers; `external` uses
STRIPDOWN_TEST_DATABASE_URL (a role that may create databases) and STRIPDOWN_TEST_REDIS_URL (a database of the
server that is the tests' own: it is emptied).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
import redis

from service.embedded.binaries import find_binaries
from service.embedded.servers import Servers

POSTGRES_IMAGE, REDIS_IMAGE = "postgres:18", "redis:7"
#: What no test needs to survive; fault tests start servers of their own, with it on.
FAST = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "shared_buffers=128MB", "max_connections=200")
#: A file system that most Linux machines have.
MEMORY, MEMORY_NEEDED = Path("/dev/shm"), 4 << 30  # noqa: S108 - folders of our own in it, made by mkdtemp
PREFIX = "stripdown-test-"


@dataclass(frozen=True, slots=True)
class TestServers:
    """Where both servers are."""

    __test__ = False

    database_url: str
    redis_url: str


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--stack",
        choices=("embedded", "containers", "external"),
        default="embedded",
        help="where PostgreSQL and the Redis-protocol server come from",
    )


def pytest_report_header(config: pytest.Config) -> str:
    kind = config.getoption("--stack")
    if kind == "embedded":
        programs = find_binaries()
        versions = [_said(programs.postgres, "--version"), _said(programs.redis, "--version")]
    elif kind == "containers":
        versions = [POSTGRES_IMAGE, REDIS_IMAGE]
    else:
        with psycopg.connect(_required("STRIPDOWN_TEST_DATABASE_URL")) as conn:
            versions = [f"PostgreSQL {conn.execute('SHOW server_version').fetchone()[0]}"]
        with redis.Redis.from_url(_required("STRIPDOWN_TEST_REDIS_URL")) as client:
            versions.append(f"Redis protocol, server {client.info('server')['redis_version']}")
    return f"stack: {kind}, {', '.join(versions)}"


def _said(program: Path, option: str) -> str:
    return subprocess.run([str(program), option], capture_output=True, text=True, check=True).stdout.strip()[:60]


def _required(name: str) -> str:
    value = os.environ.get(name)
    if not value:
        raise pytest.UsageError(f"--stack=external needs {name}")
    return value


@pytest.fixture(scope="session")
def servers(pytestconfig: pytest.Config) -> Iterator[TestServers]:
    """Both servers, started when the first test asks and ended with the run."""
    start = {"embedded": _embedded, "containers": _containers, "external": _external}[pytestconfig.getoption("--stack")]
    with start() as running:
        yield running


@contextmanager
def _embedded() -> Iterator[TestServers]:
    with own_servers(FAST, _in_memory()) as mine:
        yield TestServers(mine.database_url("postgres"), mine.redis_url)


def _in_memory() -> Path | None:
    """Where files are memory, if there is room: a database is hundreds of files, and each test has one made."""
    if not MEMORY.is_dir():
        return None
    for folder in MEMORY.glob(f"{PREFIX}*-*"):  # what a run that was killed has left
        if not Path(f"/proc/{folder.name.removeprefix(PREFIX).partition('-')[0]}").exists():
            shutil.rmtree(folder, ignore_errors=True)
    return MEMORY if shutil.disk_usage(MEMORY).free > MEMORY_NEEDED else None


@contextmanager
def own_servers(settings: tuple[str, ...] = (), where: Path | None = None) -> Iterator[Servers]:
    """Embedded servers in a folder of their own, gone at the end of the block."""
    folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=where))
    servers = Servers(folder, find_binaries(), settings)
    try:
        servers.start()
        yield servers
    finally:
        servers.end()
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _containers() -> Iterator[TestServers]:
    # One machine, one run: the containers end with the blocks below, so no image that reaps them is needed.
    os.environ.setdefault("TESTCONTAINERS_RYUK_DISABLED", "true")
    os.environ.setdefault("TESTCONTAINERS_CONNECTION_MODE", "docker_host")
    os.environ.setdefault("TESTCONTAINERS_HOST_OVERRIDE", "127.0.0.1")
    from testcontainers.community.postgres import PostgresContainer
    from testcontainers.community.redis import RedisContainer

    options = " ".join(f"-c {setting}" for setting in FAST)
    with ExitStack() as running:
        postgres = PostgresContainer(POSTGRES_IMAGE, driver=None).with_command(f"postgres {options}")
        running.enter_context(postgres)
        broker = running.enter_context(RedisContainer(REDIS_IMAGE))
        redis_url = f"redis://{broker.get_container_host_ip()}:{broker.get_exposed_port(6379)}/1"
        yield TestServers(postgres.get_connection_url(), redis_url)


@contextmanager
def _external() -> Iterator[TestServers]:
    yield TestServers(_required("STRIPDOWN_TEST_DATABASE_URL"), _required("STRIPDOWN_TEST_REDIS_URL"))


@pytest.fixture
def fragile_servers(pytestconfig: pytest.Config) -> Iterator[Servers]:
    """Servers of this test alone, durable as in service, to be stopped, killed and started again."""
    if pytestconfig.getoption("--stack") != "embedded":
        pytest.skip("kills and restarts servers: runs on the embedded stack")
    with own_servers() as mine:
        yield mine
