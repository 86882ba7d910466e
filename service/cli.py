"""The command `stripdown`: one thin function a command; the roles are other programs, started by name."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from service.config import BadConfig, Config, role_environment
from service.store import pool, tokens
from service.store.errors import StoreError


@click.group()
@click.version_option(package_name="stripdown")
def main() -> None:
    """Inspections of stripped-down percussion hammers: readings in, states and remaining life out."""


@contextmanager
def _in_one_line(*troubles: type[Exception]) -> Iterator[None]:
    """Turn what its user can put right into one line instead of a traceback."""
    named: tuple[type[Exception], ...] = (BadConfig, *troubles)
    try:
        yield
    except named as trouble:
        raise click.ClickException(str(trouble).strip()) from None


def _become(*command: str) -> None:
    """Become another program of this Python; signals then reach it directly."""
    os.execve(sys.executable, [sys.executable, "-m", *command], role_environment())  # noqa: S606  our own roles


@main.command()
def api() -> None:
    """Serve the HTTP API (gunicorn)."""
    with _in_one_line():
        config = Config.from_env()
    memory = ["--worker-tmp-dir", "/dev/shm"] if Path("/dev/shm").is_dir() else []  # noqa: S108  gunicorn's heartbeat
    _become(
        "gunicorn",
        *("--bind", config.bind, "--workers", str(config.api_processes), "--threads", str(config.api_threads)),
        *("--worker-class", "gthread", "--keep-alive", "75", "--graceful-timeout", "15", "--no-control-socket"),
        *("--max-requests", "200000", "--max-requests-jitter", "20000", "--log-level", config.log_level.lower()),
        *memory,
        "service.app:create_app()",
    )


@main.command()
def worker() -> None:
    """Compute what was accepted (Celery)."""
    with _in_one_line():
        config = Config.from_env()
    level = config.log_level.lower()
    # 1.5 GB: far above what a batch needs; a process that grew past it is replaced after its task
    limits = ("--max-memory-per-child", "1500000", "--without-gossip", "--without-mingle")
    _become("celery", "--app", "worker.app", "worker", "--loglevel", level, *limits)


@main.command()
def scheduler() -> None:
    """Send what is due by the clock (Celery beat)."""
    with _in_one_line():
        config = Config.from_env()
    level = config.log_level.lower()
    _become("celery", "--app", "worker.app", "beat", "--loglevel", level, "--pidfile", "")


@main.command()
def migrate() -> None:
    """Bring the database's schema to the newest version."""
    from migrations.run import CannotMigrate, upgrade

    with _in_one_line(CannotMigrate):
        upgrade(Config.from_env(queue=False).database_url)
    click.echo("the schema is up to date")


_data_option = click.option(
    "--data",
    type=click.Path(file_okay=False, path_type=Path),
    default="stripdown-data",
    show_default=True,
    help="the folder that keeps everything",
)
_port_option = click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8000,
    show_default=True,
    help="of 127.0.0.1; 0 picks a free one",
)


@main.command()
@_data_option
@_port_option
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True, help="computing processes")
def up(data: Path, port: int, workers: int) -> None:
    """Run everything on this machine, PostgreSQL and a Redis-protocol server included."""
    from service.embedded.stack import CannotStart, Ended, running

    try:
        with _in_one_line(CannotStart), running(data, port, workers) as stack:
            if stack.is_new:
                click.echo(f"admin token {stack.token} (also in {data / 'admin-token'})")
            click.echo(f"ready {stack.url}")
            stack.watch()
    except Ended:
        click.echo("ended")


@main.command()
@click.option("--exit", "leave", is_flag=True, help="end once the fleet is shown")
@_port_option
def demo(leave: bool, port: int) -> None:
    """Run everything in a fresh folder, with an invented fleet in it."""
    from service import demo as fleet
    from service.embedded.stack import CannotStart, Ended, running

    folder = Path(tempfile.mkdtemp(prefix="stripdown-demo-"))
    try:
        with _in_one_line(CannotStart, fleet.Refused), running(folder, port, workers=1) as stack:
            fleet.run(stack.url, stack.token, click.echo)
            click.echo(f"\nready {stack.url}, documentation at {stack.url}/docs; to try it:")
            click.echo(f"  curl -H 'Authorization: Bearer {stack.token}' {stack.url}/v1/status")
            if not leave:
                click.echo("Ctrl-C ends it.")
                stack.watch()
    except Ended:
        click.echo("ended")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@main.command()
@click.option("--before", type=click.IntRange(1900, 9999), required=True, help="the first year that stays")
@click.option("--to", "folder", type=click.Path(file_okay=False, path_type=Path), required=True, help="for the files")
def archive(before: int, folder: Path) -> None:
    """Move whole years of readings, clearances and limits to Parquet files, checked before they go."""
    from service.archive import archive as archive_years

    with _in_one_line(StoreError, OSError):
        done = archive_years(Config.from_env(queue=False), before, folder, click.echo)
    click.echo(f"{done} year{'' if done == 1 else 's'} archived")


@main.group()
def token() -> None:
    """Tokens of the API's users."""


_of_option = click.option(
    "--data",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="the folder of a stack that `stripdown up` runs, in place of STRIPDOWN_DATABASE_URL",
)


@contextmanager
def _store(data: Path | None) -> Iterator[Any]:
    """Lend a connection to a stack's database, or to the configured one, for one transaction."""
    from service.embedded.servers import database_url

    with _in_one_line(StoreError):
        config = Config(database_url(data.absolute()), "") if data else Config.from_env(queue=False)
        with pool.alone(config) as conn:
            yield conn


@token.command("create")
@click.option("--name", required=True, help="whose it is")
@click.option(
    "--scope",
    "scopes",
    required=True,
    multiple=True,
    type=click.Choice(["catalogue", "intake", "read", "admin"]),
    help="what it allows; more than one by repeating it",
)
@click.option("--site", default=None, help="bind it to one site")
@_of_option
def create_token(name: str, scopes: tuple[str, ...], site: str | None, data: Path | None) -> None:
    """Make a token; it is shown once and kept as its hash."""
    with _store(data) as conn:
        made = tokens.create_token(conn, name, scopes, site)
    click.echo(made)


@token.command("list")
@_of_option
def list_tokens(data: Path | None) -> None:
    """Show the tokens: number, name, scopes, site, in force or not, since when."""
    with _store(data) as conn:
        entries = tokens.list_tokens(conn)
    for entry in entries:
        revoked = f"revoked {entry.revoked_at:%Y-%m-%d}" if entry.revoked_at else "in force"
        columns = [entry.token_id, entry.name, ",".join(entry.scopes), entry.site or "-", revoked]
        click.echo("\t".join([*map(str, columns), f"since {entry.created_at:%Y-%m-%d}"]))


@token.command("revoke")
@click.argument("number_or_name")
@_of_option
def revoke_token(number_or_name: str, data: Path | None) -> None:
    """Take a token out of force, or all of a name; running processes notice within seconds."""
    with _store(data) as conn:
        if number_or_name.isdecimal() and len(number_or_name) < 10:
            tokens.revoke_token(conn, int(number_or_name))
        else:
            tokens.revoke_tokens_of(conn, number_or_name)


if __name__ == "__main__":
    main()
