"""A whole service for the fault tests: servers, API, worker and scheduler, each of which can be broken and mended."""

from __future__ import annotations

import copy
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import redis

from migrations.run import upgrade
from service.config import Config
from service.embedded.processes import Child
from service.embedded.servers import Servers
from tests.faults.load import Load
from tests.plugins.live import LiveStack, live
from tests.plugins.proxy import Proxy, redis_target, redis_through
from tests.plugins.servers import own_servers
from tests.worker.conftest import KIND

ROLES = ("worker", "scheduler", "api")
BUSY = """
SELECT EXISTS (SELECT FROM tool_work WHERE claim IS NOT NULL)
   AND EXISTS (SELECT FROM gauge_exports WHERE claim IS NOT NULL)
"""


@dataclass
class Plant:
    """The running service.

    Attributes
    ----------
    servers : Servers
        PostgreSQL and the Redis-protocol server, durable as in service.
    broker : Proxy
        What every role reaches the Redis-protocol server through.
    stack : LiveStack
    roles : dict
        The running processes by role.
    unusual : set of str
        Roles that run otherwise than usual.
    """

    servers: Servers
    broker: Proxy
    stack: LiveStack
    roles: dict[str, Child] = field(default_factory=dict)
    unusual: set[str] = field(default_factory=set)

    def connect(self) -> psycopg.Connection:
        """A connection for looking; the caller closes it."""
        return psycopg.connect(self.servers.database_url())

    @contextmanager
    def load(self, name: str, before_s: float = 1.0, after_s: float = 1.0) -> Iterator[Load]:
        """Things break inside the block, under load; after it everything works again, and all is proved well."""
        with Load(self.stack, name) as load:
            self._wait_for_work(load)
            time.sleep(before_s)
            try:
                yield load
            except BaseException as failure:
                failure.add_note(f"the load saw {dict(load.seen)}, and troubles: {load.troubles}")
                raise
            time.sleep(after_s)
        with self.connect() as conn:
            load.prove(conn)

    def wait_until_busy(self) -> None:
        """Return while one process of the worker computes and another reads a file."""
        with self.connect() as conn:
            conn.autocommit = True
            self.stack.wait_for(lambda: conn.execute(BUSY).fetchone() == (True,), 60, every_s=0.005)

    def let_leases_run_out(self) -> None:
        """As if the time were over for which nobody else takes what those hold that were killed."""
        with self.connect() as conn:
            for table, key in (("tool_work", "tool_id"), ("gauge_exports", "export_id")):
                # in the order in which everyone locks them: who is accepting would else wait for us, and we for it
                conn.execute(
                    f"WITH held AS (SELECT {key} FROM {table} WHERE claim IS NOT NULL ORDER BY {key} FOR UPDATE)"
                    f" UPDATE {table} SET lease_until = now() FROM held WHERE {table}.{key} = held.{key}"
                )

    def kill(self, role: str) -> None:
        """`kill -9` of a role with all its processes."""
        self.stack.kill(self.roles.pop(role))

    def end(self, role: str) -> None:
        """Ask a role to end: it finishes what it holds."""
        self.stack.end(self.roles.pop(role))

    def start(self, role: str, config: Config | None = None, **variables: str) -> None:
        """Start a role, otherwise than usual where a configuration or variables are given: that ends with the test."""
        self.roles[role] = self.stack.start(role, config, **variables)
        if config is not None or variables:
            self.unusual.add(role)

    def redis(self) -> redis.Redis:
        """A client of the broker itself, past the proxy."""
        return redis.Redis.from_url(self.servers.redis_url)

    def mend(self) -> None:
        """Start what is not running, whatever the test before left; only so does each test stand for itself."""
        self.broker.restore()
        for name, start in (("postgres", self.servers.start_postgres), ("redis", self.servers.start_redis)):
            child: Child | None = getattr(self.servers, name)
            if child is None or child.process.poll() is not None:
                start()
        for child in [c for c in self.stack.children if c not in self.roles.values()]:
            self.stack.kill(child)
        for role in ROLES:
            if role in self.unusual or role not in self.roles or self.roles[role].process.poll() is not None:
                with suppress(KeyError):
                    self.kill(role)
                self.start(role)
        self.unusual.clear()

    def _wait_for_work(self, load: Load) -> None:
        with self.connect() as conn:
            conn.autocommit = True
            asked = (
                "SELECT count(*) > 3 FROM inspections i JOIN tools t USING (tool_id)"
                " WHERE t.serial LIKE %s AND i.state = 'assessed'"
            )
            self.stack.wait_for(lambda: conn.execute(asked, [f"{load.name}-%"]).fetchone() == (True,))


@contextmanager
def plant(folder: Path) -> Iterator[Plant]:
    """Start everything, with a site and a tool type in it; ended with the block."""
    with own_servers(("shared_buffers=64MB",)) as servers:
        broker = Proxy(redis_target(servers.redis_url))
        config = Config(
            database_url=servers.database_url(),
            redis_url=redis_through(broker, servers.redis_url),
            pool_timeout_s=2.0,
            worker_processes=2,
        )
        upgrade(config.database_url)
        try:
            with live(config, folder) as stack:
                made = Plant(servers, broker, stack)
                for role in ROLES:
                    made.start(role)
                _furnish(made)
                yield made
        finally:
            broker.close()


def _furnish(made: Plant) -> None:
    for path, body in (
        ("/v1/sites/yard", {"name": "Yard", "time_zone": "UTC"}),
        ("/v1/tool-types/kind", copy.deepcopy(KIND)),
    ):
        answer = made.stack.call("PUT", path, body)
        assert answer.status == 201, answer.body
    with made.connect() as conn:  # what a fleet teaches makes new versions of assessments, rightly: not while we count
        conn.execute(
            "INSERT INTO wear_learning (tool_type_id, looked_at, finished_at, seconds, revision, digest, sizes)"
            " SELECT tool_type_id, now(), now(), 1e7, revision, '', 0 FROM tool_types"
        )
