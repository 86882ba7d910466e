"""Parts turned end for end at an inspection."""

from importlib.resources import files

from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def _run(direction: str) -> None:
    """Run the SQL file of one direction.

    The driver is called directly, so that the file stays plain SQL: a colon in it is a colon.
    """
    file = files("migrations.versions").joinpath(f"0006_reversals.{direction}.sql")
    text = file.read_text(encoding="utf-8")
    op.get_bind().execution_options(no_parameters=True).exec_driver_sql(text)


def upgrade() -> None:
    _run("up")


def downgrade() -> None:
    _run("down")
