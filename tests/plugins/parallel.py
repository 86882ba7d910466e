"""`-n auto`: how many processes tests run in, and which of them must share one."""

from __future__ import annotations

import os

import pytest

MOST = 4  # each has servers of its own


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One for each core, but one at all where every process would empty the same Redis database."""
    return 0 if config.getoption("--stack") == "external" else min(os.cpu_count() or 1, MOST)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What breaks one service together shares it: a group runs in one process, one test after the other."""
    for item in items:
        if "/faults/" in item.nodeid:
            item.add_marker(pytest.mark.xdist_group("faults"))
