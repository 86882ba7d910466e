"""What a batch of tools ran and was built of is found by an index that takes many tools at once."""

from importlib.resources import files

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def _run(direction: str) -> None:
    """Run the SQL file of one direction.

    The driver is called directly, so that the file stays plain SQL: a colon in it is a colon.
    """
    text = files("migrations.versions").joinpath(f"0009_rows_of_tools.{direction}.sql").read_text(encoding="utf-8")
    op.get_bind().execution_options(no_parameters=True).exec_driver_sql(text)


def upgrade() -> None:
    _run("up")


def downgrade() -> None:
    _run("down")
