"""The SQL statements, one a file: ``service/store/sql/<noun>/<verb>.sql``, readable in psql.

Named placeholders are psycopg's, ``%(name)s``.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import LiteralString, cast


@cache
def sql(name: str) -> LiteralString:
    """Return the text of one statement.

    Parameters
    ----------
    name : str
        ``noun/verb``, for example ``inspections/add``.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    """
    text = files("service.store").joinpath("sql", f"{name}.sql").read_text(encoding="utf-8")
    return cast(LiteralString, text)  # ours, not a client's: the files ship with the package
