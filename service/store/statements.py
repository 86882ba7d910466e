"""The SQL statements, one a file: ``service/store/sql/<noun>/<verb>.sql``, readable in psql.

Named placeholders are psycopg's, ``%(name)s``.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import LiteralString


@cache
def sql(name: str) -> LiteralString:
    """Return the text of one statement, without its comments and indentation.

    The driver remembers how it read a statement only where that has at most 4,096 characters.

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
    lines = (line.strip() for line in text.splitlines())
    return "\n".join(line for line in lines if line and not line.startswith("--"))
