"""Load on one HTTP server of this machine: keep-alive connections that send prepared requests, bounded in time."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Load:
    """What a run achieved: requests a second, and how many answers were not 2xx."""

    per_second: float
    refused: int


def request_bytes(method: str, path: str, token: str = "", body: bytes = b"") -> bytes:
    """Return one request, ready to send."""
    lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", "Content-Type: application/json"]
    if token:
        lines.append(f"Authorization: Bearer {token}")
    lines.append(f"Content-Length: {len(body)}")
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + body


def run_load(port: int, requests: Callable[[int], Iterator[bytes]], seconds: float, connections: int = 8) -> Load:
    """Send requests over several connections until the time is over.

    Parameters
    ----------
    port : int
        On 127.0.0.1.
    requests : callable
        Gives the endless requests of one connection, by its number.
    seconds, connections : float, int
        How long, how many.
    """
    until = time.monotonic() + seconds
    counts = [(0, 0)] * connections

    def send(number: int) -> None:
        counts[number] = _send_until(port, requests(number), until)

    began = time.monotonic()
    threads = [threading.Thread(target=send, args=(number,)) for number in range(connections)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    took = time.monotonic() - began
    return Load(sum(done for done, _ in counts) / took, sum(refused for _, refused in counts))


def _send_until(port: int, requests: Iterator[bytes], until: float) -> tuple[int, int]:
    done = refused = 0
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while time.monotonic() < until:
            connection.sendall(next(requests))
            status = read_status(connection)
            done += 1
            refused += status >= 300
    return done, refused


def read_status(connection: socket.socket) -> int:
    """Read one whole answer and return its status."""
    received = b""
    while b"\r\n\r\n" not in received:
        part = connection.recv(65536)
        if not part:
            raise ConnectionError("the server closed the connection")
        received += part
    head, _, body = received.partition(b"\r\n\r\n")
    length = next(int(line[15:]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:"))
    missing = length - len(body)
    while missing > 0:
        missing -= len(connection.recv(65536))
    return int(head[9:12])
