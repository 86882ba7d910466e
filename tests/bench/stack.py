"""Servers and roles for the measurements: an embedded PostgreSQL with synchronous_commit on, real processes."""

from __future__ import annotations

import socket
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from migrations.run import upgrade
from service.config import Config, child_environment
from service.embedded.binaries import find_binaries
from service.embedded.processes import start, wait_until
from service.embedded.servers import Servers
from tests.plugins.live import ROOT, LiveStack, free_port, live

#: Of PostgreSQL; said in the README beside the figures.
SETTINGS = (
    "synchronous_commit=on",
    "fsync=on",
    "shared_buffers=1GB",
    "max_wal_size=4GB",
    "min_wal_size=2GB",
    "checkpoint_timeout=15min",
)
API_PROCESSES = 2


@dataclass(slots=True)
class Bench:
    """One measured installation: its servers, its roles, and the port of the bare routes."""

    servers: Servers
    stack: LiveStack
    bare_port: int

    @property
    def port(self) -> int:
        return int(self.stack.config.bind.rpartition(":")[2])


@contextmanager
def bench(
    *roles: str, bare: bool = False, worker_processes: int = 1, settings: tuple[str, ...] = SETTINGS
) -> Iterator[Bench]:
    """Run servers and roles in a temporary folder until the block ends."""
    with tempfile.TemporaryDirectory(prefix="stripdown-bench-") as name:
        folder = Path(name)
        servers = Servers(folder, find_binaries(), settings)
        servers.start()
        try:
            upgrade(servers.database_url())
            config = Config(servers.database_url(), servers.redis_url, worker_processes=worker_processes)
            with live(config, folder, *roles, api_processes=API_PROCESSES) as stack:
                yield Bench(servers, stack, _serve_bare(stack) if bare else 0)
        finally:
            servers.end()


def _serve_bare(stack: LiveStack) -> int:
    """Serve the bare routes with the very server that serves the API."""
    port = free_port()
    config = stack.config
    command = [
        *(sys.executable, "-m", "gunicorn", "--bind", f"127.0.0.1:{port}", "--workers", str(config.api_processes)),
        *("--threads", str(config.api_threads), "--worker-class", "gthread", "--keep-alive", "75"),
        *("--no-control-socket", "--worker-tmp-dir", "/dev/shm", "tests.bench.bare:create_app()"),  # noqa: S108
    ]
    environment = {**child_environment(config), "PYTHONPATH": str(ROOT)}
    child = start("bare", command, stack.folder / "bare.log", environment)
    stack.children.append(child)
    wait_until(lambda: _listens(port), child, 30)
    return port


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
