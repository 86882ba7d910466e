"""The command `stripdown`, as an operator runs it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest

from service.config import Config, child_environment
from tests.plugins.live import ROOT

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def run(config: Config, tmp_path: Path) -> Run:
    """`run(*arguments, **variables)` runs the command on this test's database."""

    def run(*arguments: str, **variables: str) -> subprocess.CompletedProcess[str]:
        environment = {**child_environment(config), "PYTHONPATH": str(ROOT), **variables}
        command = [sys.executable, "-m", "service.cli", *arguments]
        return subprocess.run(command, capture_output=True, text=True, env=environment, cwd=tmp_path, check=False)

    return run


def test_migrate_makes_an_empty_database_ready(run: Run, empty_database_url: str) -> None:
    """`stripdown migrate` on an empty database leaves the newest schema, and may be run again."""
    for _ in range(2):
        done = run("migrate", STRIPDOWN_DATABASE_URL=empty_database_url)
        assert (done.returncode, done.stderr) == (0, "")
    with psycopg.connect(empty_database_url) as conn:
        assert conn.execute("SELECT count(*) FROM tools").fetchone() == (0,)


def test_tokens_are_made_listed_and_revoked(run: Run) -> None:
    """A token is shown when it is made and never again; the list says what is in force; revoked by number or name."""
    made = run("token", "create", "--name", "ERP", "--scope", "read", "--scope", "intake")
    assert made.returncode == 0, made.stderr
    token = made.stdout.strip()
    assert len(token) >= 40
    listed = run("token", "list").stdout
    assert "ERP\tread,intake\t-\tin force" in listed
    assert token not in listed
    assert run("token", "revoke", "1").returncode == 0
    assert "revoked" in run("token", "list").stdout
    run("token", "create", "--name", "bench", "--scope", "intake")
    run("token", "create", "--name", "other", "--scope", "read")
    assert run("token", "revoke", "bench").returncode == 0
    states = [line.split("\t")[4] for line in run("token", "list").stdout.splitlines()]
    assert [state[:7] for state in states] == ["revoked", "revoked", "in forc"]
    nobody = run("token", "revoke", "nobody")
    assert (nobody.returncode, nobody.stderr.strip()) == (1, "Error: there is no token nobody")
    unknown = run("token", "revoke", "99")
    assert (unknown.returncode, unknown.stderr.strip()) == (1, "Error: there is no token 99")


def test_tokens_and_migrations_need_no_queue(run: Run) -> None:
    """`migrate` and `token` send no hints, so they ask for no Redis address."""
    for command in (["migrate"], ["token", "list"]):
        done = run(*command, STRIPDOWN_REDIS_URL="")
        assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("role", ["api", "worker", "scheduler", "migrate"])
def test_a_role_without_its_address_says_which(run: Run, role: str) -> None:
    """A role that lacks a variable ends at once with one line that names it, not with a traceback."""
    done = run(role, STRIPDOWN_DATABASE_URL="")
    assert (done.returncode, done.stderr.strip()) == (1, "Error: STRIPDOWN_DATABASE_URL is not set")


def test_a_database_that_is_not_there_is_one_line(run: Run) -> None:
    """`migrate` and `token` on a database that cannot be reached end with one line."""
    for command in (["migrate"], ["token", "list"]):
        done = run(*command, STRIPDOWN_DATABASE_URL="postgresql://x@127.0.0.1:9/x", STRIPDOWN_POOL_TIMEOUT_S="1")
        assert done.returncode == 1
        assert done.stderr.startswith("Error: ")
        assert "Traceback" not in done.stderr
