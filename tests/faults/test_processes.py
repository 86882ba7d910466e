"""Processes of ours that are killed, doubled, or know the time wrongly: everything answered 2xx is assessed once."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import UUID

import pytest

from service.queue import QUEUES
from tests.faults.load import START
from tests.faults.plant import Plant

pytestmark = [pytest.mark.db, pytest.mark.broker, pytest.mark.faults, pytest.mark.timeout(480)]
HOUR_S = 3600


@pytest.mark.parametrize("waits", [False, pytest.param(True, marks=pytest.mark.long)])
def test_worker_killed(service: Plant, waits: bool) -> None:
    """`kill -9` of the worker while it computes and reads a file; a new one finishes what that one began."""
    with service.load("waits" if waits else "worker"):
        service.wait_until_busy()
        service.kill("worker")
        if not waits:
            service.let_leases_run_out()
        service.start("worker")


def test_api_killed_in_mid_request(service: Plant) -> None:
    """`kill -9` of the API while requests run: what was not answered is posted again, and stored once."""
    with service.load("api", after_s=0.5) as load, half_sent(service, "api-0-0") as export_id:
        for _ in range(2):
            service.kill("api")
            service.start("api")
    assert load.seen["no answer"] > 0
    with service.connect() as conn:
        state = conn.execute("SELECT state FROM gauge_exports WHERE export_id = %s", [export_id]).fetchone()
    assert state == ("receiving",)


@contextmanager
def half_sent(service: Plant, tool: str) -> Iterator[UUID]:
    """A file of which the API has the first half, and waits for the rest."""
    line = f"H1,{tool},{START.isoformat()},piston.od,97.9,mm\n"
    half = f"reference,tool,taken_at,feature,value,unit\n{line * 50_000}".encode()
    head = (
        f"POST /v1/gauge-exports?layout=plain HTTP/1.1\r\nHost: api\r\nAuthorization: Bearer {service.stack.token}\r\n"
        f"Content-Type: text/csv\r\nContent-Length: {2 * len(half)}\r\n\r\n"
    )
    host, _, port = service.stack.config.bind.partition(":")
    asked = "SELECT export_id FROM gauge_exports e JOIN gauge_export_chunks USING (export_id) WHERE state = 'receiving'"
    with socket.create_connection((host, int(port))) as client, service.connect() as conn:
        conn.autocommit = True
        client.sendall(head.encode() + half)
        yield service.stack.wait_for(lambda: conn.execute(asked).fetchone())[0]


def test_two_schedulers(service: Plant) -> None:
    """A second scheduler by mistake: every periodic task comes twice, and nothing is done twice."""
    with service.load("schedulers", before_s=0):
        service.stack.start("scheduler")
        with service.redis() as broker:
            broker.delete(*QUEUES)  # hints of the API: what is left is found by the sweeps


@pytest.fixture(scope="session")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What, loaded before the C library, puts a process's clock off."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("needs a C compiler")
    made = tmp_path_factory.mktemp("clock") / "clock.so"
    source = Path(__file__).with_name("clock.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", str(made), str(source), "-ldl"], check=True)
    return made


def variables(clock: Path, off_s: int) -> dict[str, str]:
    return {"LD_PRELOAD": str(clock), "CLOCK_OFF_S": str(off_s)}


def test_the_clock_is_really_off(clock: Path) -> None:
    """A process that is started so reads an hour more than this one."""
    command = [sys.executable, "-c", "import datetime; print(datetime.datetime.now().timestamp())"]
    told = subprocess.run(command, env=variables(clock, HOUR_S), capture_output=True, text=True, check=True)
    assert float(told.stdout) - time.time() == pytest.approx(HOUR_S, abs=30)


@pytest.mark.parametrize("off_s", [HOUR_S, -HOUR_S], ids=["fast", "slow"])
def test_worker_clock_an_hour_off(service: Plant, clock: Path, off_s: int) -> None:
    """A worker whose clock is an hour off neither drops hints, nor takes what others hold, nor waits for an hour."""
    with service.load("fast" if off_s > 0 else "slow", before_s=0, after_s=0.5):
        service.wait_until_busy()
        service.kill("worker")
        service.let_leases_run_out()
        service.start("worker", **variables(clock, off_s))


def test_api_clock_an_hour_off(service: Plant, clock: Path) -> None:
    """An API whose clock is an hour fast takes inspections, and they are assessed by the reference data there is."""
    with service.load("apiclock", before_s=0, after_s=0.5):
        service.kill("api")
        service.start("api", **variables(clock, HOUR_S))
