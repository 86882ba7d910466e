"""`stripdown up`: start everything in one folder, in order; watch it; end it in the reverse order."""

from __future__ import annotations

import fcntl
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from urllib.error import URLError
from urllib.request import urlopen

import psycopg

from migrations.run import upgrade
from service.config import Config, child_environment
from service.embedded.binaries import find_binaries
from service.embedded.processes import Child, start, wait_until
from service.embedded.servers import Servers
from service.store import tokens

END_PATIENCE_S = 20.0


class CannotStart(RuntimeError):
    """The stack cannot be started here; the message says why."""


class Ended(Exception):
    """A signal asked the stack to end."""


@dataclass(slots=True)
class Stack:
    """The running stack.

    Attributes
    ----------
    url : str
        Of the API.
    token : str
        The admin token of this folder.
    is_new : bool
        Whether the folder was made by this start.
    """

    url: str
    token: str
    is_new: bool
    children: list[Child] = field(default_factory=list)

    def watch(self) -> None:
        """Return never: raise `Ended` on a signal, or `CannotStart` when a child ends by itself."""
        while True:
            for child in self.children:
                if child.process.poll() is not None:
                    code = child.process.returncode
                    raise CannotStart(f"{child.name} ended ({code}); its last words:\n{child.last_words()}")
            time.sleep(0.3)


@contextmanager
def running(folder: Path, port: int, workers: int) -> Iterator[Stack]:
    """Run the whole service in a folder until the block ends.

    Parameters
    ----------
    folder : Path
        Everything is kept here; made if it is not there.
    port : int
        Of the API on 127.0.0.1; 0 picks a free one.
    workers : int
        Pool processes of the worker.

    Raises
    ------
    CannotStart
        If the folder is in use, the port is taken, or a server does not come up.
    """
    folder = folder.absolute()
    with _signals_end(), _only_one(folder), _clear(port) as port:
        servers = Servers(folder, find_binaries())
        roles: list[Child] = []
        try:
            stack = _start(servers, port, workers, roles)
        except (RuntimeError, OSError) as trouble:
            _end(roles, servers)
            raise CannotStart(str(trouble)) from trouble
        except BaseException:
            _end(roles, servers)
            raise
        try:
            yield stack
        finally:
            _end(roles, servers)


def _start(servers: Servers, port: int, workers: int, roles: list[Child]) -> Stack:
    folder = servers.folder
    is_new = not (folder / "admin-token").exists()
    servers.start()
    config = Config(
        database_url=servers.database_url(),
        redis_url=servers.redis_url,
        bind=f"127.0.0.1:{port}",
        worker_processes=workers,
        data_directory=str(folder),
    )
    upgrade(config.database_url)
    token = _admin_token(folder, config) if is_new else (folder / "admin-token").read_text().strip()
    environment = child_environment(config)
    for role in ("api", "worker", "scheduler"):
        command = [sys.executable, "-m", "service.cli", role]
        roles.append(start(role, command, folder / "logs" / f"{role}.log", environment))
    url = f"http://127.0.0.1:{port}"
    wait_until(_answers(f"{url}/readyz"), roles[0], 60)
    return Stack(url, token, is_new, [*servers.children, *roles])


def _admin_token(folder: Path, config: Config) -> str:
    with psycopg.connect(config.database_url) as conn:
        token = tokens.create_token(conn, "admin", ["admin"], None)
    path = folder / "admin-token"
    path.touch(mode=0o600)
    path.write_text(token + "\n")
    return token


def _answers(url: str) -> Callable[[], bool]:
    def ready() -> bool:
        try:
            with urlopen(url, timeout=2) as answer:  # noqa: S310  our own address
                return bool(answer.status == 200)
        except (URLError, OSError):
            return False

    return ready


def _end(roles: list[Child], servers: Servers) -> None:
    """End the roles together, then the servers they use."""
    for child in roles:
        child.ask_to_end()
    for child in roles:
        child.wait(END_PATIENCE_S)
    servers.end()


@contextmanager
def _only_one(folder: Path) -> Iterator[None]:
    """Hold the folder's lock, made with the folder if need be."""
    with ExitStack() as held:
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            lock = held.enter_context((folder / "lock").open("w"))
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise CannotStart(f"{folder} is in use by another stack") from None
        except OSError as trouble:
            raise CannotStart(str(trouble)) from None
        yield


@contextmanager
def _clear(port: int) -> Iterator[int]:
    """Make sure that the port is free; 0 becomes one that is."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            raise CannotStart(f"port {port} of 127.0.0.1 is taken: choose another with --port") from None
        port = probe.getsockname()[1]
    yield port


@contextmanager
def _signals_end() -> Iterator[None]:
    """Turn the first SIGINT or SIGTERM into `Ended`; further ones change nothing, the ending is under way."""
    asked = False

    def end(_number: int, _frame: FrameType | None) -> None:
        nonlocal asked
        if not asked:
            asked = True
            raise Ended

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
