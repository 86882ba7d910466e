"""A fleet of 2,000 tools of one type learned anew: read, fitted, a version stored."""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np
import psycopg

from tests.bench.fleet_rows import put_all, use
from tests.bench.stack import bench
from tests.bench.test_relearning import FEATURES, INSPECTIONS, TOOLS, put_rows, tool_type
from worker.learn import learn_type


def measure() -> Iterator[str]:
    """Rows of the table."""
    with bench() as bed:
        config = bed.stack.config
        put_all(config, {"sites/yard": {"name": "Yard", "time_zone": "UTC"}, "tool-types/large": tool_type()})
        use(config)
        with psycopg.connect(config.database_url) as conn:
            put_rows(conn, np.random.default_rng(5))
            type_id = int(conn.execute("SELECT tool_type_id FROM tool_types").fetchall()[0][0])
        begun, cpu = time.perf_counter(), time.process_time()
        assert learn_type(type_id) == 1
        took, cpu = time.perf_counter() - begun, time.process_time() - cpu
    sizes = TOOLS * FEATURES * INSPECTIONS
    yield (
        f"| relearning {TOOLS:,} tools, {sizes:,} sizes of {FEATURES} features ({cpu:.1f} s processor time) "
        f"| {took:.1f} s | | | < 60 s |"
    )
