"""Real processes: gunicorn and Celery, as an operator would start them, on the database of the test."""

from __future__ import annotations

import json
import random
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import psycopg
import pytest

from service.config import Config, child_environment
from service.embedded.processes import Child, start, wait_until
from service.store import tokens

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class LiveStack:
    """Roles running as processes of their own.

    `call` posts and gets with an admin token; `start` starts one more role; `kill` is `kill -9`, of the role and all
    its pool processes; `end` asks.
    """

    config: Config
    folder: Path
    token: str
    children: list[Child] = field(default_factory=list)
    started: int = 0

    @property
    def url(self) -> str:
        return f"http://{self.config.bind}"

    def start(self, role: str, config: Config | None = None, **variables: str) -> Child:
        """Start a role, on the stack's configuration unless another is given; `variables` join its environment."""
        self.started += 1
        log = self.folder / f"{role}-{self.started}.log"
        environment = {**child_environment(config or self.config), "PYTHONPATH": str(ROOT), **variables}
        child = start(role, [sys.executable, "-m", "service.cli", role], log, environment)
        self.children.append(child)
        if role == "api":
            wait_until(self._answers, child, 60)
        if role == "worker":
            wait_until(lambda: b" ready." in log.read_bytes(), child, 60)
        return child

    def kill(self, child: Child) -> None:
        child.kill()
        self.children.remove(child)

    def end(self, child: Child) -> None:
        child.ask_to_end()
        child.wait(30)
        self.children.remove(child)

    def call(self, method: str, path: str, body: Any = None, **headers: str) -> Answer:
        """Send one request; header names are written with underscores."""
        payload = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        sent = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json", **named}
        request = Request(self.url + path, data=payload, method=method, headers=sent)  # noqa: S310  our own address
        try:
            with urlopen(request, timeout=90) as answer:  # noqa: S310  our own address
                return Answer(answer.status, dict(answer.headers), answer.read())
        except HTTPError as refusal:
            with refusal:
                return Answer(refusal.code, dict(refusal.headers), refusal.read())

    def wait_for(self, done: Callable[[], Any], seconds: float = 30, every_s: float = 0.05) -> Any:
        """Ask until `done()` is true, and return it; fail when the time is up."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if found := done():
                return found
            time.sleep(every_s)
        words = "\n".join(f"--- {child.name}\n{child.last_words()}" for child in self.children)
        pytest.fail(f"not within {seconds:.0f} s\n{words}")

    def _answers(self) -> bool:
        try:
            with urlopen(f"{self.url}/healthz", timeout=2) as answer:  # noqa: S310  our own address
                return bool(answer.status == 200)
        except OSError:
            return False


def free_port() -> int:
    """A port of 127.0.0.1 that nothing listens on now, below those that systems give to whoever asks for any."""
    while True:
        port = random.randrange(20_000, 32_000)
        with suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port


@contextmanager
def live(
    config: Config, folder: Path, *roles: str, token_database: str | None = None, api_processes: int = 1
) -> Iterator[LiveStack]:
    """Run roles on a configuration until the block ends, killed then if they are still there."""
    with psycopg.connect(token_database or config.database_url) as conn:
        token = tokens.create_token(conn, "live", ["admin"], None)
    bind = f"127.0.0.1:{free_port()}"
    bound = replace(config, bind=bind, api_processes=api_processes, data_directory=str(folder))
    stack = LiveStack(bound, folder, token)
    try:
        for role in roles:
            stack.start(role)
        yield stack
    finally:
        for child in list(stack.children):
            child.ask_to_end()
        for child in list(stack.children):
            with suppress(Exception):
                child.wait(5)
            stack.kill(child)


@pytest.fixture
def live_api(config: Config, tmp_path: Path) -> Iterator[LiveStack]:
    """gunicorn on this test's database; no worker."""
    with live(config, tmp_path, "api") as stack:
        yield stack


@pytest.fixture
def live_stack(config: Config, tmp_path: Path) -> Iterator[LiveStack]:
    """gunicorn, a Celery worker and the scheduler on this test's database."""
    with live(config, tmp_path, "worker", "scheduler", "api") as stack:
        yield stack


@pytest.fixture
def worker_process(config: Config, tmp_path: Path) -> Iterator[LiveStack]:
    """A Celery worker and the scheduler on this test's database; no API."""
    with live(config, tmp_path, "worker", "scheduler") as stack:
        yield stack
