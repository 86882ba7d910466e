"""The command `stripdown`: one thin function a command; the roles are other programs, started by name."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import psycopg

from service.config import BadConfig, Config


@click.group()
@click.version_option(package_name="stripdown")
def main() -> None:
    """Inspections of stripped-down percussion hammers: readings in, states and remaining life out."""


@contextmanager
def _said() -> Iterator[None]:
    """Turn what a newcomer can put right into one line instead of a traceback."""
    from migrations.run import TooOld

    try:
        yield
    except (BadConfig, TooOld, psycopg.OperationalError) as trouble:
        raise click.ClickException(str(trouble).strip()) from None


def _become(*command: str) -> None:
    os.execv(sys.executable, [sys.executable, "-m", *command])  # noqa: S606  our own roles


@main.command()
def api() -> None:
    """Serve the HTTP API (gunicorn)."""
    with _said():
        config = Config.from_env()
    memory = ["--worker-tmp-dir", "/dev/shm"] if Path("/dev/shm").is_dir() else []  # noqa: S108  gunicorn's heartbeat
    _become(
        "gunicorn",
        *(
            "--bind",
            config.bind,
            "--workers",
            str(config.api_processes),
            "--threads",
            str(config.api_threads),
        ),
        *(
            "--worker-class",
            "gthread",
            "--keep-alive",
            "75",
            "--graceful-timeout",
            "15",
            "--no-control-socket",
        ),
        *("--max-requests", "200000", "--max-requests-jitter", "20000", "--log-level", "warning"),
        *memory,
        "service.app:create_app()",
    )


@main.command()
def worker() -> None:
    """Compute what was accepted (Celery)."""
    with _said():
        config = Config.from_env()
    level = config.log_level.lower()
    # 1.5 GB: far above what a batch needs; a process that grew past it is replaced after its task
    limits = ("--max-memory-per-child", "1500000", "--without-gossip", "--without-mingle")
    _become("celery", "--app", "worker.app", "worker", "--loglevel", level, *limits)


@main.command()
def scheduler() -> None:
    """Send what is due by the clock (Celery beat)."""
    with _said():
        config = Config.from_env()
    schedule = str(Path(tempfile.gettempdir()) / f"stripdown-schedule-{os.getpid()}")
    _become(
        "celery",
        "--app",
        "worker.app",
        "beat",
        "--loglevel",
        config.log_level.lower(),
        "--schedule",
        schedule,
    )


@main.command()
def migrate() -> None:
    """Bring the database's schema to the newest version."""
    from migrations.run import upgrade

    with _said():
        upgrade(Config.from_env().database_url)
    click.echo("the schema is up to date")


@main.command()
@click.option("--data", type=click.Path(file_okay=False, path_type=Path), default="stripdown-data", show_default=True)
@click.option("--port", type=click.IntRange(0, 65535), default=8000, show_default=True, help="0 picks a free one")
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True, help="pool processes")
def up(data: Path, port: int, workers: int) -> None:
    """Run everything on this machine, PostgreSQL and a Redis-protocol server included."""
    from service.embedded.stack import CannotStart, Ended, running

    try:
        with _said(), running(data, port, workers) as stack:
            if stack.is_new:
                click.echo(f"admin token {stack.token} (also in {data / 'admin-token'})")
            click.echo(f"ready {stack.url}")
            stack.watch()
    except CannotStart as trouble:
        raise click.ClickException(str(trouble)) from None
    except Ended:
        click.echo("ended")


@main.command()
@click.option("--exit", "leave", is_flag=True, help="end once the fleet is shown")
@click.option("--port", type=click.IntRange(0, 65535), default=8000, show_default=True, help="0 picks a free one")
def demo(leave: bool, port: int) -> None:
    """Run everything in a fresh folder, with an invented fleet in it."""
    from service import demo as fleet
    from service.embedded.stack import CannotStart, Ended, running

    folder = Path(tempfile.mkdtemp(prefix="stripdown-demo-"))
    try:
        with _said(), running(folder, port, workers=1) as stack:
            fleet.run(stack.url, stack.token, click.echo)
            click.echo(f"\nready {stack.url}, documentation at {stack.url}/docs; try:")
            click.echo(f"  curl -H 'Authorization: Bearer {stack.token}' {stack.url}/v1/tools/H-0102/status")
            if not leave:
                click.echo("Ctrl-C ends it.")
                stack.watch()
    except (CannotStart, fleet.Refused) as trouble:
        raise click.ClickException(str(trouble)) from None
    except Ended:
        click.echo("ended")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@main.group()
def token() -> None:
    """Tokens of the API's users."""


@token.command("create")
@click.option("--name", required=True, help="whose it is")
@click.option(
    "--scope",
    "scopes",
    required=True,
    multiple=True,
    type=click.Choice(["catalogue", "intake", "read", "admin"]),
)
@click.option("--site", default=None, help="bind it to one site")
def create_token(name: str, scopes: tuple[str, ...], site: str | None) -> None:
    """Make a token; it is shown once and kept as its hash."""
    from service.store import tokens
    from service.store.errors import NotFound

    with _said(), psycopg.connect(Config.from_env().database_url) as conn:
        try:
            click.echo(tokens.create_token(conn, name, list(scopes), site))
        except NotFound as unknown:
            raise click.ClickException(str(unknown)) from None


@token.command("list")
def list_tokens() -> None:
    """Show the tokens: number, name, scopes, site, since when, revoked when."""
    from service.store import tokens

    with _said(), psycopg.connect(Config.from_env().database_url) as conn:
        for row in tokens.list_tokens(conn):
            revoked = f"revoked {row.revoked_at:%Y-%m-%d}" if row.revoked_at else "in force"
            scopes = ",".join(row.scopes)
            click.echo(f"{row.token_id}\t{row.name}\t{scopes}\t{row.site or '-'}\t{row.created_at:%Y-%m-%d}\t{revoked}")


@token.command("revoke")
@click.argument("token_id", type=int)
def revoke_token(token_id: int) -> None:
    """Take a token out of force; running processes notice within seconds."""
    from service.store import tokens
    from service.store.errors import NotFound

    with _said(), psycopg.connect(Config.from_env().database_url) as conn:
        try:
            tokens.revoke_token(conn, token_id)
        except NotFound as unknown:
            raise click.ClickException(str(unknown)) from None


if __name__ == "__main__":
    main()
