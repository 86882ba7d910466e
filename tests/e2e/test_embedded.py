"""`stripdown up`: everything as one process tree."""

from __future__ import annotations

import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import Request, urlopen

import pytest

from tests.plugins.live import ROOT

START_S = 60


class Up:
    """One running `stripdown up`."""

    def __init__(self, folder: Path, *options: str) -> None:
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder), "--port", "0", *options]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment, cwd=folder.parent
        )
        self.said = ""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said += line
            if line.startswith("ready "):
                self.url = line.split()[1]
                return
        self.process.wait()

    def end(self, number: signal.Signals) -> int:
        """Send a signal; return the exit code."""
        self.process.send_signal(number)
        return self.wait()

    def wait(self) -> int:
        """Wait for the end; return the exit code."""
        self.said += self.process.communicate(timeout=60)[0]
        return self.process.returncode

    def call(self, path: str, token: str) -> int:
        """GET with a token; return the status."""
        request = Request(self.url + path, headers={"Authorization": f"Bearer {token}"})  # noqa: S310  our own address
        with urlopen(request, timeout=10) as answer:  # noqa: S310  our own address
            return int(answer.status)


@contextmanager
def up(folder: Path, *options: str) -> Iterator[Up]:
    """Run `stripdown up` in a folder until the block ends."""
    started = Up(folder, *options)
    try:
        yield started
    finally:
        if started.process.poll() is None:
            started.process.kill()
            started.process.wait()
        assert started.process.stdout is not None
        started.process.stdout.close()
        wait_until_gone(folder)


def of_folder(folder: Path) -> list[int]:
    """The processes whose command line or environment names the folder (Linux)."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                text = (entry / "cmdline").read_bytes() + (entry / "environ").read_bytes()
            except OSError:
                continue
            if os.fsencode(folder) in text:
                found.append(int(entry.name))
    return found


def wait_until_gone(folder: Path) -> None:
    """See that no process of the folder is left."""
    until = time.monotonic() + 10
    while left := of_folder(folder):
        assert time.monotonic() < until, f"still running: {left}"
        time.sleep(0.05)


def child_of(started: Up, word: str) -> int:
    """The supervisor's own child whose command has the word in it."""
    for pid in children_of(started.process.pid):
        if word.encode() in Path(f"/proc/{pid}/cmdline").read_bytes():
            return pid
    raise AssertionError(word)


def children_of(pid: int) -> list[int]:
    """The children of a process."""
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def alive(pid: int) -> bool:
    """Whether a process still does anything: one that nobody waited for does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the stack keeps its data."""
    return tmp_path / "data"


linux = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
pytestmark = [linux, pytest.mark.timeout(240)]


def test_first_start_second_start_and_a_start_again(folder: Path) -> None:
    """A first start shows a token, also in a file of mode 600; a second on it is refused; its data is kept."""
    with up(folder) as first:
        [token] = re.findall(r"^admin token (\S+)", first.said, re.MULTILINE)
        assert (folder / "admin-token").read_text().strip() == token
        assert stat.S_IMODE((folder / "admin-token").stat().st_mode) == 0o600
        assert first.call("/v1/sites", token) == 200
        assert first.call("/v1/sites", made_for(folder)) == 200
        assert refusal(folder).endswith("is in use by another stack")
        assert first.end(signal.SIGTERM) == 0
    with up(folder) as again:
        assert "admin token" not in again.said
        assert again.call("/v1/sites", token) == 200
        assert again.end(signal.SIGINT) == 0


def made_for(folder: Path) -> str:
    """A token that `stripdown token create --data` made for the running stack of a folder."""
    command = [sys.executable, "-m", "service.cli", "token", "create", "--name", "ERP", "--scope", "read"]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("STRIPDOWN_")}
    done = subprocess.run(
        [*command, "--data", folder.name],
        capture_output=True,
        text=True,
        env=environment | {"PYTHONPATH": str(ROOT)},
        cwd=folder.parent,
        check=True,
    )
    return done.stdout.strip()


def refusal(folder: Path, port: int = 0) -> str:
    """What a `stripdown up` says that is refused."""
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder), "--port", str(port)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        command, capture_output=True, text=True, env=environment, cwd=folder.parent, timeout=START_S, check=False
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    return done.stderr.strip()


def test_a_port_that_is_taken_is_said_so(folder: Path) -> None:
    """With its port taken the stack is refused in one line that says so, and nothing is left running."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert refusal(folder, port) == (f"Error: port {port} of 127.0.0.1 is taken: choose another with --port")
    wait_until_gone(folder)


@pytest.mark.faults
@pytest.mark.parametrize("word", ["postgres", "valkey", "gunicorn", "worker.app\0worker", "beat"])
def test_a_child_that_dies_ends_the_rest(folder: Path, word: str) -> None:
    """When any child is killed, the stack stops the others, says which it was, and ends with 1."""
    with up(folder) as started:
        os.kill(child_of(started, word), signal.SIGKILL)
        assert started.wait() == 1
        assert "ended (-9)" in started.said
        wait_until_gone(folder)


@pytest.mark.faults
def test_a_killed_supervisor_leaves_nothing_and_can_be_followed_at_once(folder: Path) -> None:
    """After `kill -9` of the supervisor its children end; a start straight after it finds all data."""
    with up(folder) as started:
        children = children_of(started.process.pid)
        started.process.kill()
        started.process.wait()
        with up(folder) as next_one:
            token = (folder / "admin-token").read_text().strip()
            assert next_one.call("/v1/sites", token) == 200
            until = time.monotonic() + 10
            while any(alive(pid) for pid in children):
                assert time.monotonic() < until
                time.sleep(0.05)
            assert next_one.end(signal.SIGTERM) == 0


@pytest.mark.faults
def test_a_stale_process_id_file_is_no_obstacle(folder: Path) -> None:
    """A server's process id file left by a crash, with the number of somebody else's live process, is overcome."""
    with up(folder) as started:
        assert started.end(signal.SIGTERM) == 0
    (folder / "postgres" / "postmaster.pid").write_text(f"{os.getpid()}\n{folder / 'postgres'}\n")
    with up(folder) as again:
        assert again.end(signal.SIGTERM) == 0


def test_a_folder_with_a_long_path(tmp_path: Path) -> None:
    """A folder whose path is too long for a socket works as any other."""
    folder = tmp_path / ("long-" * 20) / "data"
    folder.parent.mkdir()
    with up(folder) as started:
        token = (folder / "admin-token").read_text().strip()
        assert started.call("/v1/sites", token) == 200
        assert started.end(signal.SIGTERM) == 0


def test_an_old_postgresql_is_refused(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Programs of a PostgreSQL before 18, named by the environment, are refused with what they are."""
    programs = tmp_path / "bin"
    programs.mkdir()
    for name in ("postgres", "initdb"):
        (programs / name).write_text("#!/bin/sh\necho 'postgres (PostgreSQL) 15.1'\n")
        (programs / name).chmod(0o755)
    monkeypatch.setenv("STRIPDOWN_POSTGRES_BIN", str(programs))
    said = refusal(folder)
    assert "(PostgreSQL) 15.1" in said
    assert "18 or later is needed" in said
