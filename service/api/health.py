"""Whether the process lives, and whether it can do its work."""

from __future__ import annotations

import redis
from flask import Blueprint, Response, current_app

from service.api.answers import answer
from service.store.errors import StoreAway
from service.store.pool import transaction

blueprint = Blueprint("health", __name__)


@blueprint.get("/healthz")
def healthz() -> Response:
    """The process answers."""
    return answer({"status": "ok"})


@blueprint.get("/readyz")
def readyz() -> Response:
    """PostgreSQL must answer; without Redis the work is only found later (by the sweep), so that is told, not
    fatal.
    """
    postgres, broker = _postgres(), _broker()
    return answer(
        {"status": "ready" if postgres else "not-ready", "postgres": _word(postgres), "redis": _word(broker)},
        200 if postgres else 503,
        headers=None if postgres else {"Retry-After": "2"},
    )


def _word(there: bool) -> str:
    return "ok" if there else "away"


def _postgres() -> bool:
    try:
        with transaction() as conn:
            conn.execute("SELECT 1")
        return True
    except StoreAway:
        return False


def _broker() -> bool:
    url = current_app.config["REDIS_URL"].replace("redis+socket://", "unix://")
    url = url.replace("virtual_host=", "db=")
    try:
        with redis.Redis.from_url(url, socket_timeout=1, socket_connect_timeout=1) as client:
            return bool(client.ping())
    except (redis.RedisError, OSError, ValueError):
        return False
