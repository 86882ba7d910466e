"""What is written with an inspection is not looked up again row by row."""

from importlib.resources import files

from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def _run(direction: str) -> None:
    """Run the SQL file of one direction.

    The driver is called directly, so that the file stays plain SQL: a colon in it is a colon.
    """
    file = files("migrations.versions").joinpath(f"0008_own_rows.{direction}.sql")
    text = file.read_text(encoding="utf-8")
    op.get_bind().execution_options(no_parameters=True).exec_driver_sql(text)


def upgrade() -> None:
    _run("up")


def downgrade() -> None:
    _run("down")
