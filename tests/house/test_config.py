"""The configuration from the environment."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.config import BadConfig, Config

ROOT = Path(__file__).parents[2]
LEAST = {"STRIPDOWN_DATABASE_URL": "postgresql://u@h/d", "STRIPDOWN_REDIS_URL": "redis://h:6379/0"}


def test_two_addresses_are_enough() -> None:
    """A role needs to know where PostgreSQL and Redis are; everything else has a default."""
    config = Config.from_env(LEAST)
    assert (config.database_url, config.redis_url) == ("postgresql://u@h/d", "redis://h:6379/0")
    assert config == Config(**{"database_url": config.database_url, "redis_url": config.redis_url})


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("STRIPDOWN_DATABASE_URL", ""),
        ("STRIPDOWN_DATABASE_URL", "mysql://h/d"),
        ("STRIPDOWN_REDIS_URL", "h:6379"),
        ("STRIPDOWN_API_THREADS", "many"),
        ("STRIPDOWN_API_PROCESSES", "0"),
        ("STRIPDOWN_POOL_TIMEOUT_S", "nan"),
        ("STRIPDOWN_STATEMENT_TIMEOUT_S", "-1"),
        ("STRIPDOWN_STATEMENT_TIMEOUT_S", "inf"),
        ("STRIPDOWN_PREPARED_STATEMENTS", "maybe"),
        ("STRIPDOWN_LOG_LEVEL", "LOUD"),
    ],
)
def test_a_bad_variable_is_refused_by_name(name: str, value: str) -> None:
    """What cannot be used is refused at the start, naming the variable."""
    with pytest.raises(BadConfig, match=name):
        Config.from_env({**LEAST, name: value})


def test_every_variable_is_documented() -> None:
    """Each variable that is read stands in DEVELOPERS.md."""
    read = set(re.findall(r'"(STRIPDOWN_[A-Z_]+)"', (ROOT / "service" / "config.py").read_text(encoding="utf-8")))
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [name for name in sorted(read) if name not in told] == []
