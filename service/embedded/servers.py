"""The two servers: PostgreSQL on a socket in its folder, and a Redis-protocol server beside it."""

from __future__ import annotations

import hashlib
import os
import signal
import socket
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql

from service.embedded.binaries import Binaries
from service.embedded.processes import Child, Unprivileged, start, unprivileged, wait_until

DATABASE = USER = "stripdown"
#: A socket's address holds 108 bytes on Linux, fewer elsewhere; PostgreSQL's file name takes some of them.
LONGEST_SOCKET_FOLDER = 80


@dataclass(frozen=True, slots=True)
class Servers:
    """Both servers of one folder.

    Attributes
    ----------
    folder : Path
        Holds ``postgres/``, ``redis/``, ``logs/`` and, where its path is short enough, the sockets.
    binaries : Binaries
    settings : tuple of str
        More settings of PostgreSQL, ``name=value``.
    """

    folder: Path
    binaries: Binaries
    settings: tuple[str, ...] = ()

    @property
    def socket_folder(self) -> Path:
        """Where the sockets are: in the folder, or in a short one where its path is too long for a socket."""
        inside = self.folder / "sockets"
        if len(str(inside)) <= LONGEST_SOCKET_FOLDER:
            return inside
        name = hashlib.sha256(str(self.folder).encode()).hexdigest()[:12]
        return Path(tempfile.gettempdir()) / f"stripdown-{os.geteuid()}-{name}"

    def database_url(self, database: str = DATABASE) -> str:
        return f"postgresql://{USER}@/{database}?host={self.socket_folder}"

    @property
    def redis_socket(self) -> Path:
        return self.socket_folder / "redis.sock"

    @property
    def redis_url(self) -> str:
        return f"unix://{self.redis_socket}?db=0"

    def start(self) -> list[Child]:
        """Start both, initialising PostgreSQL on first use; return once both answer."""
        user = unprivileged()
        for name in ("", "logs", "redis"):
            (self.folder / name).mkdir(mode=0o700, parents=True, exist_ok=True)
        self.socket_folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        user.own(self.socket_folder)
        if user.owner is not None:  # the user nobody has to get through to its folders
            self.folder.chmod(0o711)
        redis = self._start_redis()
        self._initialise(user)
        postgres = self._start_postgres(user)
        wait_until(self._postgres_answers, postgres, 60)
        wait_until(self._redis_answers, redis, 20)
        return [postgres, redis]

    def _initialise(self, user: Unprivileged) -> None:
        cluster = self.folder / "postgres"
        if (cluster / "PG_VERSION").exists():
            (cluster / "postmaster.pid").unlink(missing_ok=True)  # stale: the folder's lock is ours
            return
        cluster.mkdir(mode=0o700, exist_ok=True)
        user.own(cluster)
        command: Sequence[str] = [
            *user.prefix,
            str(self.binaries.initdb),
            *("-D", str(cluster), "-U", USER, "-A", "trust"),  # who reaches the socket is its folder's mode
            *("-E", "UTF8", "--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"),
            "--no-sync",
        ]
        made = subprocess.run([*command], capture_output=True, check=False, cwd="/")
        if made.returncode:
            raise RuntimeError(f"the database could not be made:\n{made.stderr.decode(errors='replace')}")

    def _start_postgres(self, user: Unprivileged) -> Child:
        settings = (
            "listen_addresses=",  # sockets only: no password, reachable by the folder's owner alone
            f"unix_socket_directories={self.socket_folder}",
            "max_connections=100",
            "shared_buffers=256MB",
            "max_wal_size=4GB",
            "jit=off",
            *self.settings,
        )
        options = [part for setting in settings for part in ("-c", setting)]
        command = [*user.prefix, str(self.binaries.postgres), "-D", str(self.folder / "postgres"), *options]
        return start("postgres", command, self.folder / "logs" / "postgres.log", end_signal=signal.SIGINT)

    def _start_redis(self) -> Child:
        self.redis_socket.unlink(missing_ok=True)
        command = [
            str(self.binaries.redis),
            *("--port", "0", "--unixsocket", str(self.redis_socket), "--unixsocketperm", "700"),
            *("--dir", str(self.folder / "redis"), "--appendonly", "yes"),
            *("--maxmemory-policy", "noeviction", "--save", ""),
        ]
        return start("redis", command, self.folder / "logs" / "redis.log")

    def _postgres_answers(self) -> bool:
        try:
            with psycopg.connect(self.database_url("postgres"), connect_timeout=2, autocommit=True) as conn:
                found = conn.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE]).fetchone()
                if not found:
                    conn.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(DATABASE)))
        except psycopg.OperationalError:
            return False
        return True

    def _redis_answers(self) -> bool:
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(1)
            try:
                client.connect(str(self.redis_socket))
                client.sendall(b"PING\r\n")
                return client.recv(16).startswith(b"+PONG")
            except OSError:
                return False
