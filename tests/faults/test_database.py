"""PostgreSQL killed or away: what was answered 2xx is there afterwards, and assessed once."""

from __future__ import annotations

import time

import pytest

from tests.faults.plant import Plant

pytestmark = [pytest.mark.db, pytest.mark.broker, pytest.mark.faults, pytest.mark.timeout(480)]


def test_postgres_killed_and_restarted(service: Plant) -> None:
    """`kill -9` of PostgreSQL with all its processes, in the middle of computing and reading; started again at once."""
    with service.load("killed"):
        service.wait_until_busy()
        assert service.servers.postgres is not None
        service.servers.postgres.kill()
        service.servers.start_postgres()
        service.let_leases_run_out()


@pytest.mark.parametrize("away_s", [3, pytest.param(30, marks=pytest.mark.long)])
def test_postgres_away(service: Plant, away_s: float) -> None:
    """PostgreSQL is stopped for a while: requests are answered 503 with `Retry-After`, and afterwards all goes on."""
    with service.load(f"away{away_s}") as load:
        service.wait_until_busy()
        assert service.servers.postgres is not None
        service.servers.postgres.ask_to_end()
        service.servers.postgres.wait(20)
        time.sleep(away_s)
        service.servers.start_postgres()
        service.let_leases_run_out()
    assert load.seen["503"] > 0
