"""What the store can say no with: facts for the caller, nothing of HTTP or SQL.

Every error of the driver becomes one of these or goes up as it is, a bug.
"""

from __future__ import annotations

from typing import Any


class StoreError(Exception):
    """The store could not do what it was asked."""


class NotFound(StoreError):
    """There is no such thing."""

    def __init__(self, kind: str, key: object) -> None:
        super().__init__(f"there is no {kind} {key}")
        self.kind = kind
        self.key = key


class Conflict(StoreError):
    """It does not go together with what is stored.

    Parameters
    ----------
    code : str
        The code clients see, for example ``usage-overlap``.
    message : str
        In words.
    **facts : object
        What is in the way; becomes members of the problem document.
    """

    def __init__(self, code: str, message: str, **facts: Any) -> None:
        super().__init__(message)
        self.code = code
        self.facts = facts


class StoreAway(StoreError):
    """PostgreSQL does not answer, or ended the work for its own reasons; trying again may help."""


class StoreEntangled(StoreAway):
    """PostgreSQL gave this transaction up because it and another one waited for each other; the other one went on."""


class StoreReadOnly(StoreError):
    """This PostgreSQL is a copy that takes no writes: a replica, or a primary before it takes over."""
