"""How a migration runs: one at a time, each in its own transaction, giving up rather than holding others up."""

from alembic import context
from sqlalchemy import Connection, text

from migrations.run import CannotMigrate

OLDEST_SERVER = 180000  # uuidv7() and what else of 18 the statements use
ONE_AT_A_TIME = 7245300  # advisory lock; see also those of migrations/versions and service/store/sql/clock


def guard(connection: Connection) -> None:
    """Set what protects a database in service."""
    version = connection.execute(text("SELECT current_setting('server_version_num')::integer")).scalar_one()
    if version < OLDEST_SERVER:
        raise CannotMigrate(f"PostgreSQL 18 or later is needed, this server is {version // 10000}")
    connection.execute(text("SET statement_timeout = '15min'"))
    connection.execute(text("SET lock_timeout = 0"))  # for the turn alone: another migration may take its time
    connection.execute(text("SELECT pg_advisory_lock(:key)"), {"key": ONE_AT_A_TIME})
    connection.execute(text("SET lock_timeout = '10s'"))
    connection.commit()


def run() -> None:
    """Run what is asked for on the connection that `migrations.run` brought along."""
    connection: Connection = context.config.attributes["connection"]
    guard(connection)
    context.configure(connection=connection, transaction_per_migration=True)
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()


run()
