"""The configuration: one frozen dataclass, made from the environment at the edge, refused early.

The only module that reads the environment.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")


class BadConfig(ValueError):
    """A variable of the environment is missing or cannot be used."""


@dataclass(frozen=True)
class Config:
    """What a role needs to know.

    Attributes
    ----------
    database_url, redis_url : str
        Where PostgreSQL (libpq URL) and the Redis-protocol server are.
    bind : str
        ``host:port`` or ``unix:/path`` the API listens on.
    api_processes, api_threads : int
        gunicorn's; threads are per process, and so is the connection pool.
    worker_processes : int
        Pool processes of one Celery worker.
    statement_timeout_s, lock_timeout_s, pool_timeout_s : float
        Limits of one statement, of waiting for a lock, of waiting for a connection, [s].
    prepared_statements : bool
        False behind a connection pooler that gives each transaction another server and does not know of them.
    backlog_limit : int
        Inspections waiting for assessment beyond which intake answers 503.
    free_disk_floor_mb : int
        Free space of ``data_directory`` below which intake answers 503, [MB].
    data_directory : str or None
        A folder on the database's disk, where it is on this machine.
    log_level : str
    """

    database_url: str
    redis_url: str
    bind: str = "127.0.0.1:8000"
    api_processes: int = 2
    api_threads: int = 4
    worker_processes: int = 1
    statement_timeout_s: float = 60.0
    lock_timeout_s: float = 10.0
    pool_timeout_s: float = 5.0
    prepared_statements: bool = True
    backlog_limit: int = 1_000_000
    free_disk_floor_mb: int = 512
    data_directory: str | None = None
    log_level: str = "INFO"

    @classmethod
    def from_env(cls, environment: Mapping[str, str] | None = None, *, queue: bool = True) -> Config:
        """Read the variables ``STRIPDOWN_...``; what sends no hints (`queue` false) needs no address to send them to.

        Raises
        ------
        BadConfig
            Naming the variable.
        """
        env = os.environ if environment is None else environment
        log_level = env.get("STRIPDOWN_LOG_LEVEL", "INFO").upper()
        if log_level not in {"DEBUG", "INFO", "WARNING", "ERROR"}:
            raise BadConfig("STRIPDOWN_LOG_LEVEL must be DEBUG, INFO, WARNING or ERROR")
        return cls(
            database_url=_url(env, "STRIPDOWN_DATABASE_URL", ("postgresql://", "postgres://")),
            redis_url=_url(env, "STRIPDOWN_REDIS_URL", ("redis://", "rediss://", "unix://")) if queue else "",
            bind=env.get("STRIPDOWN_BIND", cls.bind),
            api_processes=_number(env, "STRIPDOWN_API_PROCESSES", int, cls.api_processes, 1),
            api_threads=_number(env, "STRIPDOWN_API_THREADS", int, cls.api_threads, 1),
            worker_processes=_number(env, "STRIPDOWN_WORKER_PROCESSES", int, cls.worker_processes, 1),
            statement_timeout_s=_number(env, "STRIPDOWN_STATEMENT_TIMEOUT_S", float, cls.statement_timeout_s, 0.1),
            lock_timeout_s=_number(env, "STRIPDOWN_LOCK_TIMEOUT_S", float, cls.lock_timeout_s, 0.1),
            pool_timeout_s=_number(env, "STRIPDOWN_POOL_TIMEOUT_S", float, cls.pool_timeout_s, 0.1),
            prepared_statements=_switch(env, "STRIPDOWN_PREPARED_STATEMENTS", cls.prepared_statements),
            backlog_limit=_number(env, "STRIPDOWN_BACKLOG_LIMIT", int, cls.backlog_limit, 1),
            free_disk_floor_mb=_number(env, "STRIPDOWN_FREE_DISK_FLOOR_MB", int, cls.free_disk_floor_mb, 0),
            data_directory=env.get("STRIPDOWN_DATA_DIRECTORY") or None,
            log_level=log_level,
        )


def _url(env: Mapping[str, str], name: str, schemes: tuple[str, ...]) -> str:
    value = env.get(name, "")
    if not value:
        raise BadConfig(f"{name} is not set")
    if not value.startswith(schemes):
        raise BadConfig(f"{name} must begin with {' or '.join(schemes)}")
    return value


def _switch(env: Mapping[str, str], name: str, default: bool) -> bool:
    text = env.get(name)
    if not text:
        return default
    if text not in ("on", "off"):
        raise BadConfig(f"{name} must be on or off, not {text!r}")
    return text == "on"


def _number(env: Mapping[str, str], name: str, kind: Callable[[str], T], default: T, least: float) -> T:
    text = env.get(name)
    if not text:
        return default
    try:
        value = kind(text)
    except ValueError:
        raise BadConfig(f"{name} must be a number, not {text!r}") from None
    if not least <= value < math.inf:  # type: ignore[operator]
        raise BadConfig(f"{name} must be a finite number, at least {least:g}")
    return value


@dataclass(frozen=True, slots=True)
class ServerPrograms:
    """Where the embedded stack's servers are, if the environment says so."""

    postgres_bin: str | None
    redis_server: str | None


def server_programs(environment: Mapping[str, str] | None = None) -> ServerPrograms:
    """Read ``STRIPDOWN_POSTGRES_BIN`` (a folder) and ``STRIPDOWN_REDIS_SERVER`` (a program)."""
    env = os.environ if environment is None else environment
    return ServerPrograms(env.get("STRIPDOWN_POSTGRES_BIN") or None, env.get("STRIPDOWN_REDIS_SERVER") or None)


def child_environment(config: Config) -> dict[str, str]:
    """Return the environment of a child role: this process's own, with `config` written into it."""
    written = {
        "STRIPDOWN_DATABASE_URL": config.database_url,
        "STRIPDOWN_REDIS_URL": config.redis_url,
        "STRIPDOWN_BIND": config.bind,
        "STRIPDOWN_API_PROCESSES": config.api_processes,
        "STRIPDOWN_API_THREADS": config.api_threads,
        "STRIPDOWN_WORKER_PROCESSES": config.worker_processes,
        "STRIPDOWN_STATEMENT_TIMEOUT_S": config.statement_timeout_s,
        "STRIPDOWN_LOCK_TIMEOUT_S": config.lock_timeout_s,
        "STRIPDOWN_POOL_TIMEOUT_S": config.pool_timeout_s,
        "STRIPDOWN_PREPARED_STATEMENTS": "on" if config.prepared_statements else "off",
        "STRIPDOWN_BACKLOG_LIMIT": config.backlog_limit,
        "STRIPDOWN_FREE_DISK_FLOOR_MB": config.free_disk_floor_mb,
        "STRIPDOWN_DATA_DIRECTORY": config.data_directory or "",
        "STRIPDOWN_LOG_LEVEL": config.log_level,
    }
    return {**os.environ, **{name: str(value) for name, value in written.items()}}


KEPT_MEMORY = {"MALLOC_MMAP_THRESHOLD_": str(16 << 20), "MALLOC_TRIM_THRESHOLD_": str(128 << 20)}
"""Of glibc: the memory of arrays is used again, and not given back to a kernel that would clear each page anew."""


def role_environment() -> dict[str, str]:
    """Return this process's environment with what every role's libraries need.

    One BLAS thread a process: the pool processes would fight over the cores.
    """
    return {**KEPT_MEMORY, **os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
