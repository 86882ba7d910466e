"""One running service for all fault tests; whatever a test broke is mended before the next."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.plant import Plant, plant


@pytest.fixture(scope="session")
def running(pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    """The service, started when the first test asks."""
    if pytestconfig.getoption("--stack") != "embedded":
        pytest.skip("kills and restarts servers: runs on the embedded stack")
    with plant(tmp_path_factory.mktemp("plant")) as made:
        yield made


@pytest.fixture
def service(running: Plant) -> Plant:
    """The service with everything running."""
    running.mend()
    return running
