"""The two servers: PostgreSQL on a socket in its folder, and a Redis-protocol server beside it."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql

from service.embedded.binaries import Binaries
from service.embedded.processes import NOBODY, Child, Unprivileged, start, unprivileged, wait_until

DATABASE = USER = "stripdown"
#: A socket's address holds 108 bytes on Linux, fewer elsewhere; PostgreSQL's file name takes some of them.
LONGEST_SOCKET_FOLDER = 80
#: PostgreSQL says this while a process of a killed server still holds its memory.
STILL_HELD = "pre-existing shared memory block"


def database_url(folder: Path, database: str = DATABASE) -> str:
    """Return libpq's URL of a database of the PostgreSQL that keeps its data in this (absolute) folder."""
    return f"postgresql://{USER}@/{database}?host={_socket_folder(folder)}"


def _socket_folder(folder: Path) -> Path:
    inside = folder / "sockets"
    if len(os.fsencode(inside)) <= LONGEST_SOCKET_FOLDER:
        return inside
    name = hashlib.sha256(os.fsencode(folder)).hexdigest()[:12]
    return Path(tempfile.gettempdir()) / f"stripdown-{os.geteuid()}-{name}"


@dataclass
class Servers:
    """Both servers of one folder.

    Attributes
    ----------
    folder : Path
        Holds ``postgres/``, ``redis/``, ``logs/`` and, where its path is short enough, the sockets. Whoever starts
        servers in it has made sure that nobody else does.
    binaries : Binaries
    settings : tuple of str
        More settings of PostgreSQL, ``name=value``.
    postgres, redis : Child or None
        The running servers.
    """

    folder: Path
    binaries: Binaries
    settings: tuple[str, ...] = ()
    postgres: Child | None = None
    redis: Child | None = None

    @property
    def socket_folder(self) -> Path:
        """Where the sockets are: in the folder, or in a short one where its path is too long for a socket."""
        return _socket_folder(self.folder)

    def database_url(self, database: str = DATABASE) -> str:
        """Return libpq's URL of a database of this server."""
        return database_url(self.folder, database)

    @property
    def redis_socket(self) -> Path:
        """The Redis-protocol server's socket."""
        return self.socket_folder / "redis.sock"

    @property
    def redis_url(self) -> str:
        """Its URL."""
        return f"unix://{self.redis_socket}?db=0"

    @property
    def children(self) -> list[Child]:
        """The servers that were started."""
        return [child for child in (self.postgres, self.redis) if child is not None]

    def start(self) -> None:
        """Start both, initialising PostgreSQL on first use; return once both answer.

        Raises
        ------
        RuntimeError
            If one does not come up; with the end of its log.
        """
        self.redis = self._spawn_redis()
        self.start_postgres()
        wait_until(self._redis_answers, self.redis, 20)

    def start_postgres(self) -> None:
        """Start PostgreSQL and wait until it answers."""
        user = unprivileged()
        self._make_folders(user)
        self._initialise(user)
        patience = time.monotonic() + 15
        while True:
            self.postgres = self._spawn_postgres(user)
            try:
                wait_until(self._postgres_answers, self.postgres, 120)
                return
            except RuntimeError:
                if STILL_HELD not in self.postgres.last_words(6) or time.monotonic() > patience:
                    raise
                time.sleep(0.2)

    def start_redis(self) -> None:
        """Start the Redis-protocol server and wait until it answers."""
        self.redis = self._spawn_redis()
        wait_until(self._redis_answers, self.redis, 20)

    def end(self) -> None:
        """Ask both to end, and see that they do."""
        for child in self.children:
            child.ask_to_end()
        for child in self.children:
            child.wait(20)
        self.postgres = self.redis = None
        if self.socket_folder.parent != self.folder:
            shutil.rmtree(self.socket_folder, ignore_errors=True)

    def _make_folders(self, user: Unprivileged) -> None:
        for folder in (self.folder, self.folder / "logs", self.folder / "redis", self.socket_folder):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if self.socket_folder.is_symlink() or self.socket_folder.stat().st_uid not in (
            os.geteuid(),
            user.owner,
            NOBODY,
        ):
            raise RuntimeError(f"{self.socket_folder} belongs to somebody else")
        user.own(self.socket_folder)
        if user.owner != os.geteuid():  # the user nobody has to get through to its folders
            self.folder.chmod(0o711)

    def _initialise(self, user: Unprivileged) -> None:
        cluster = self.folder / "postgres"
        if cluster.exists():
            user.own(cluster)
            _clear_former(cluster)
            return
        new = self.folder / "postgres.new"  # renamed when complete: a start that was killed leaves no half cluster
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir(mode=0o700)
        user.own(new)
        command = [
            *user.prefix,
            str(self.binaries.initdb),
            *("-D", str(new), "-U", USER, "-A", "trust"),  # who reaches the socket is its folder's mode
            *("-E", "UTF8", "--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"),
            *(["--no-sync"] if "fsync=off" in self.settings else []),
        ]
        made = subprocess.run(command, capture_output=True, check=False, cwd="/")
        if made.returncode:
            raise RuntimeError(f"the database could not be made:\n{made.stderr.decode(errors='replace')}")
        new.rename(cluster)

    def _spawn_postgres(self, user: Unprivileged) -> Child:
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

    def _spawn_redis(self) -> Child:
        self._make_folders(unprivileged())
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


def _clear_former(cluster: Path) -> None:
    """Wait for a server whose supervisor was killed, and remove the process id file that it, or a crash, left.

    The folder is ours alone, so a live process of that number that does not work in it is somebody else's.
    """
    note = cluster / "postmaster.pid"
    until = time.monotonic() + 20
    while note.exists():
        first = note.read_text().split("\n", 1)[0].strip()
        if not first.isdigit() or not _works_in(int(first), cluster):
            note.unlink(missing_ok=True)
        elif time.monotonic() > until:
            raise RuntimeError(f"process {first} still serves {cluster}")
        else:
            time.sleep(0.05)


def _works_in(pid: int, folder: Path) -> bool:
    try:
        return Path(f"/proc/{pid}/cwd").resolve(strict=True) == folder.resolve()
    except OSError:
        return False
