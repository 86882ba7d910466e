"""A network that can be cut: a TCP proxy in front of a server, a thread for each direction."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from service.config import Config


class Proxy:
    """Passes bytes on until told otherwise.

    `cut()` breaks what is connected and refuses what comes; `silence()` accepts and passes nothing on, in either
    direction, as a server that hangs; `restore()` works again (what was connected in silence is broken).
    """

    def __init__(self, target: tuple[str, int] | str) -> None:
        self.target = target
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._passing = threading.Event()
        self._passing.set()
        self._lock = threading.Lock()
        self._listen(0)

    def _listen(self, port: int) -> None:
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def cut(self) -> None:
        """Break every connection and refuse new ones."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.break_connections()

    def break_connections(self) -> None:
        """Break every connection; new ones are welcome."""
        with self._lock:
            pairs, self._pairs = self._pairs, []
        for end in (end for pair in pairs for end in pair):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def silence(self) -> None:
        """Keep connections open and accept new ones, and pass nothing on."""
        self._passing.clear()

    def restore(self) -> None:
        """Work again, on the same port."""
        if not self._passing.is_set():
            self.break_connections()
            self._passing.set()
        if self._listener.fileno() == -1:
            self._listen(self.port)

    def close(self) -> None:
        """End for good."""
        self.cut()
        self._passing.set()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
            except OSError:
                return
            try:
                far = self._connect()
            except OSError:
                near.close()
                continue
            with self._lock:
                self._pairs.append((near, far))
            for source, sink in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=(source, sink), daemon=True).start()

    def _connect(self) -> socket.socket:
        if isinstance(self.target, tuple):
            return socket.create_connection(self.target, timeout=None)
        far = socket.socket(socket.AF_UNIX)
        try:
            far.connect(self.target)
        except OSError:
            far.close()
            raise
        return far

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while chunk := source.recv(65536):
                self._passing.wait()
                sink.sendall(chunk)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


@pytest.fixture
def make_proxy() -> Iterator[Callable[[tuple[str, int] | str], Proxy]]:
    """`make_proxy(target)` puts a proxy before ``(host, port)`` or a socket's path."""
    with ExitStack() as open_proxies:

        def make(target: tuple[str, int] | str) -> Proxy:
            proxy = Proxy(target)
            open_proxies.callback(proxy.close)
            return proxy

        yield make


def database_target(url: str) -> tuple[str, int] | str:
    """Where a libpq URL leads to."""
    parts = urlsplit(url)
    host = parts.hostname or parse_qs(parts.query)["host"][0]
    port = parts.port or 5432
    return str(Path(host) / f".s.PGSQL.{port}") if host.startswith("/") else (host, port)


def redis_target(url: str) -> tuple[str, int] | str:
    """Where a Redis URL leads to."""
    parts = urlsplit(url)
    return parts.path if parts.scheme == "unix" else (parts.hostname or "127.0.0.1", parts.port or 6379)


def database_through(proxy: Proxy, url: str) -> str:
    """The URL of the same database, through a proxy before its server."""
    parts = urlsplit(url)
    login = f"{parts.username}:{parts.password}@" if parts.password else f"{parts.username}@"
    return f"postgresql://{login}127.0.0.1:{proxy.port}{parts.path}"


def redis_through(proxy: Proxy, url: str) -> str:
    """The URL of the same Redis database, through a proxy before its server."""
    parts = urlsplit(url)
    number = parse_qs(parts.query)["db"][0] if parts.scheme == "unix" else parts.path.strip("/") or "0"
    return f"redis://127.0.0.1:{proxy.port}/{number}"


@pytest.fixture
def database_proxy(database_url: str, make_proxy: Callable[..., Proxy]) -> Proxy:
    """A proxy before this test's PostgreSQL."""
    return make_proxy(database_target(database_url))


@pytest.fixture
def redis_proxy(redis_url: str, make_proxy: Callable[..., Proxy]) -> Proxy:
    """A proxy before this test's broker."""
    return make_proxy(redis_target(redis_url))


@pytest.fixture
def proxied_config(database_url: str, redis_url: str, database_proxy: Proxy, redis_proxy: Proxy) -> Config:
    """The configuration through both proxies."""
    return Config(
        database_url=database_through(database_proxy, database_url),
        redis_url=redis_through(redis_proxy, redis_url),
        pool_timeout_s=2.0,
    )
