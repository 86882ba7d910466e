"""Folders for what is read and forgotten: held while they are used, and gone even after their process was killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest

from service.scratch import INTAKE, NO_LINK, TRIAL, scratch_folder, sweep_scratch
from tests.plugins.exports import as_csv, rows
from tests.plugins.fleet import TOOL_TYPE
from tests.plugins.live import LiveStack

USE = """
import sys
from service.scratch import scratch_folder
with scratch_folder(sys.argv[1]) as folder:
    (folder / "table").write_bytes(b"rows")
    print(folder, flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that this process and its children take for the system's."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    return tmp_path


@contextmanager
def in_use(kind: str) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """A process that uses a scratch folder until its input ends."""
    command = [sys.executable, "-c", USE, kind]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process, Path(process.stdout.readline().strip())
        finally:
            process.kill()


@pytest.mark.parametrize("kind", [INTAKE, TRIAL])
def test_left_by_a_killed_process(place: Path, kind: str) -> None:
    """What a killed process left goes, with all that is in it; what a living one uses stays until that is done."""
    with in_use(kind) as (killed, left), in_use(kind) as (living, used):
        killed.send_signal(signal.SIGKILL)
        killed.wait()
        assert sorted(place.iterdir()) == sorted([left, used])
        sweep_scratch()
        assert list(place.iterdir()) == [used] and (used / "table").read_bytes() == b"rows"
        living.communicate("")
        assert living.returncode == 0 and list(place.iterdir()) == []


def test_the_next_one_takes_it_away(place: Path) -> None:
    """Whoever asks for a folder takes away what was left, and its own with the end of its use, faulty or not."""
    with in_use(INTAKE) as (killed, left):
        killed.send_signal(signal.SIGKILL)
        killed.wait()
        with pytest.raises(ValueError, match="as a bug would"), scratch_folder(INTAKE) as folder:
            assert list(place.iterdir()) == [folder] and folder != left
            raise ValueError("as a bug would")
        assert list(place.iterdir()) == []


def test_what_is_not_ours_stays(place: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A link is not followed, and neither a file, nor a folder of another name or of another user is touched."""
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "kept").touch()
    (place / f"{INTAKE}link").symlink_to(elsewhere)
    (place / f"{INTAKE}file").touch()
    (place / "stripdown-demo-1").mkdir()
    kept = ["stripdown-demo-1", f"{INTAKE}file", f"{INTAKE}link"]
    if os.geteuid() == 0:  # only root can make another user's
        (place / f"{INTAKE}theirs").mkdir()
        os.chown(place / f"{INTAKE}theirs", 65534, 65534)
        kept.append(f"{INTAKE}theirs")
    sweep_scratch()
    assert sorted(item.name for item in place.iterdir()) == sorted(kept)
    assert (elsewhere / "kept").exists()
    with pytest.raises(OSError, match=r"Not a directory|Too many levels"):
        os.open(place / f"{INTAKE}link", NO_LINK)


def test_many_at_once(place: Path) -> None:
    """Workers that begin, sweep and end together keep their folders while they use them."""

    def use(n: int) -> bool:
        with scratch_folder(INTAKE) as folder:
            (folder / "table").write_text(str(n))
            sweep_scratch()
            return (folder / "table").read_text() == str(n)

    with ThreadPoolExecutor(8) as together:
        assert all(together.map(use, range(400)))
    assert list(place.iterdir()) == []


@pytest.mark.db
@pytest.mark.broker
@pytest.mark.faults
def test_of_a_killed_worker(live_api: LiveStack, conn: psycopg.Connection, tmp_path: Path) -> None:
    """`kill -9` of a worker over a file: the next worker takes away what it left, as soon as it starts."""
    place = tmp_path / "place"
    place.mkdir()
    live_api.call("PUT", "/v1/sites/north-yard", {"name": "North", "time_zone": "UTC"})
    live_api.call("PUT", "/v1/tool-types/small", TOOL_TYPE)
    live_api.call("PUT", "/v1/tools/H-1", {"tool_type": "small", "site": "north-yard"})
    conn.execute("LOCK TABLE inspection_sources IN SHARE MODE")  # here reading stops, as if it took long
    worker = live_api.start("worker", TMPDIR=str(place))
    answer = live_api.call("POST", "/v1/gauge-exports?layout=plain", as_csv(rows(4)), Content_Type="text/csv")
    assert answer.status == 202, answer.body
    (left,) = live_api.wait_for(lambda: list(place.glob(f"{INTAKE}*")), 60)
    live_api.kill(worker)
    assert left.exists()
    live_api.start("worker", TMPDIR=str(place))
    live_api.wait_for(lambda: not left.exists())
    conn.rollback()
