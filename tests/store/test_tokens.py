"""Tokens in the store."""

from __future__ import annotations

import hashlib

import psycopg
import pytest

from service.store import tokens
from service.store.errors import NotFound


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def test_a_token_is_found_by_its_digest_only(conn: psycopg.Connection) -> None:
    """What is stored does not contain the token; its digest finds its scopes."""
    token = tokens.create_token(conn, "ERP", ["read", "intake", "read"], None)
    found = tokens.find_token(conn, _digest(token))
    assert found is not None
    assert (found.scopes, found.site) == (["read", "intake"], None)
    assert token not in str(conn.execute("SELECT tokens::text FROM tokens").fetchall())
    assert tokens.find_token(conn, _digest(token + "x")) is None


def test_a_token_is_bound_to_a_site_that_exists(conn: psycopg.Connection) -> None:
    """A token for a site carries it; one for an unknown site is refused, and not made."""
    conn.execute("INSERT INTO sites (code, name, time_zone) VALUES ('yard', 'Yard', 'UTC')")
    found = tokens.find_token(conn, _digest(tokens.create_token(conn, "yard", ["intake"], "yard")))
    assert found is not None
    assert found.site == "yard"
    with pytest.raises(NotFound):
        tokens.create_token(conn, "nowhere", ["intake"], "nowhere")
    assert [entry.site for entry in tokens.list_tokens(conn)] == ["yard"]


def test_a_revoked_token_is_out_of_force_and_stays_listed(conn: psycopg.Connection) -> None:
    """A revoked token is found no more; revoking again keeps the first time; an unknown one is refused."""
    token = tokens.create_token(conn, "gone", ["read"], None)
    [entry] = tokens.list_tokens(conn)
    tokens.revoke_token(conn, entry.token_id)
    assert tokens.find_token(conn, _digest(token)) is None
    [first] = tokens.list_tokens(conn)
    conn.commit()
    tokens.revoke_token(conn, entry.token_id)
    assert tokens.list_tokens(conn) == [first]
    assert first.revoked_at is not None
    with pytest.raises(NotFound):
        tokens.revoke_token(conn, entry.token_id + 1)
