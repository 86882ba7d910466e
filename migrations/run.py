"""Bring a database to a version of the schema."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import as_file, files

from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine, pool
from sqlalchemy.exc import OperationalError


class CannotMigrate(RuntimeError):
    """The server does not answer, is older than the schema needs, or is too busy; the message says which."""


def upgrade(database_url: str, to: str = "head") -> None:
    """Upgrade to a version, by default the newest.

    Parameters
    ----------
    database_url : str
        As libpq reads it, ``postgresql://...``.
    to : str
        A version, or ``head``.

    Raises
    ------
    CannotMigrate
    """
    _run(database_url, lambda config: command.upgrade(config, to))


def downgrade(database_url: str, to: str = "base") -> None:
    """Take versions back, by default all of them."""
    _run(database_url, lambda config: command.downgrade(config, to))


def _run(database_url: str, act: Callable[[Config], None]) -> None:
    engine = create_engine(_sqlalchemy_url(database_url), poolclass=pool.NullPool)
    try:
        with as_file(files("migrations")) as folder, engine.connect() as connection:
            config = Config()
            config.set_main_option("script_location", str(folder).replace("%", "%%"))
            config.attributes["connection"] = connection
            act(config)
    except OperationalError as trouble:
        raise CannotMigrate(str(trouble.orig).strip()) from trouble


def _sqlalchemy_url(database_url: str) -> str:
    """SQLAlchemy names the driver in the scheme; the rest of libpq's form it reads as it is."""
    return "postgresql+psycopg://" + database_url.split("://", 1)[1]
