"""Who may do what: bearer tokens, their scopes, and the site a token may be bound to.

A token is looked up once and remembered by this process for a few seconds, so that a request costs no query
for it; a revoked token therefore works at most that much longer.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from flask import g

from service.faults import DomainError
from service.store import tokens
from service.store.pool import transaction

SCOPES = ("catalogue", "intake", "read", "admin")
REMEMBERED_S = 3.0
MAX_REMEMBERED = 10_000

View = TypeVar("View", bound=Callable[..., Any])


class NoToken(DomainError):
    """No token, or none that is known."""

    code = "no-token"


class OutsideScope(DomainError):
    """The token is known, the scope is not among its own."""

    code = "outside-scope"


class OutsideSite(DomainError):
    """The token is bound to a site, and this belongs to another."""

    code = "outside-site"


@dataclass(frozen=True, slots=True)
class Access:
    """What the token of a request allows."""

    token_id: int
    scopes: frozenset[str]
    site_id: int | None  # None: every site
    site: str | None  # its code

    def allows(self, scope: str) -> bool:
        return scope in self.scopes or "admin" in self.scopes

    def sees(self, site_id: int) -> bool:
        return self.site_id is None or self.site_id == site_id

    def check_site(self, site_id: int) -> None:
        """Raise `OutsideSite` unless things of this site may be seen and written."""
        if not self.sees(site_id):
            raise OutsideSite("the token is bound to another site")

    def check_unbound(self) -> None:
        """Raise `OutsideSite` for a token that is bound to a site: what it writes would belong to none."""
        if self.site_id is not None:
            raise OutsideSite("the token is bound to a site")


def requires(*scopes: str) -> Callable[[View], View]:
    """Declare the scope a view needs, any one of several; the blueprint checks it before anything else is read.

    What a scope writes can be read back with it: whoever hands in a file asks what became of it.
    """
    if not scopes or not set(scopes) <= set(SCOPES):
        raise ValueError(scopes)

    def declare(view: View) -> View:
        view.required_scopes = scopes  # type: ignore[attr-defined]
        return view

    return declare


def current() -> Access:
    """Return what the request at hand is allowed."""
    access: Access = g.access
    return access


def authorise(header: str | None, scopes: tuple[str, ...]) -> Access:
    """Return what the ``Authorization`` header allows, once it is known to include one of `scopes`.

    Raises
    ------
    NoToken, OutsideScope
    """
    kind, _, token = (header or "").partition(" ")
    token = token.strip()
    if kind.lower() != "bearer" or not token:
        raise NoToken("send Authorization: Bearer TOKEN")
    access = _look_up(token)
    if access is None:
        raise NoToken("the token is not known, or was revoked")
    if not any(access.allows(scope) for scope in scopes):
        raise OutsideScope(f"this needs the scope {' or '.join(scopes)}")
    return access


_remembered: dict[bytes, tuple[float, Access]] = {}


def _look_up(token: str) -> Access | None:
    digest = hashlib.sha256(token.encode("utf-8", "surrogateescape")).digest()
    known = _remembered.get(digest)
    if known is not None and known[0] > time.monotonic():
        return known[1]
    with transaction() as conn:
        found = tokens.find_token(conn, digest)
    if found is None:
        _remembered.pop(digest, None)
        return None
    access = Access(found.token_id, frozenset(found.scopes), found.site_id, found.site)
    if len(_remembered) >= MAX_REMEMBERED:
        _remembered.clear()
    _remembered[digest] = (time.monotonic() + REMEMBERED_S, access)
    return access


def forget() -> None:
    """Drop what is remembered (another database stands behind the process: tests)."""
    _remembered.clear()
