"""The Redis-protocol server, empty at the start of each test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import redis

from tests.plugins.servers import TestServers


@pytest.fixture
def redis_url(servers: TestServers) -> str:
    """The broker of this test; what an earlier test left there is gone."""
    with redis.Redis.from_url(servers.redis_url) as client:
        client.flushdb()
    return servers.redis_url


@pytest.fixture
def broker(redis_url: str) -> Iterator[redis.Redis]:
    """A client of this test's broker."""
    with redis.Redis.from_url(redis_url) as client:
        yield client
