"""The parsing process as its parent sees it: fed with a file, asked for its table, and later for its digests."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

import msgspec

import worker
from service.config import role_environment
from service.layouts import Layout
from worker.intake import group_digests, table
from worker.intake.group_digests import GroupDigests
from worker.intake.table import DIGESTS, TABLE, Table

PIPE_BYTES = 1 << 20
READER = {"POLARS_MAX_THREADS": "1"}
"""Pieces of a file go through stages, each a thread of its own; more threads in one of them are in the others' way."""


class ParserDied(Exception):
    """The parsing process ended without an answer."""


class Parser:
    """A parsing process, killed when the block ends if it still runs then.

    Parameters
    ----------
    folder : Path
        An empty one of its own.
    layout : Layout
    """

    def __init__(self, folder: Path, layout: Layout) -> None:
        self._folder = folder
        self._digests: GroupDigests | None = None
        (folder / "layout.json").write_bytes(msgspec.json.encode(layout))
        command = [sys.executable, "-m", "worker.intake.parse_process", str(folder)]
        with (folder / "stderr").open("wb") as words:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=words,
                pipesize=PIPE_BYTES,
                cwd=Path(worker.__file__).parents[1],
                env=role_environment() | READER,
            )

    def __enter__(self) -> Parser:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.kill()
        with suppress(BrokenPipeError):
            self._process.__exit__(kind, error, at)

    def feed(self, pieces: Iterable[bytes]) -> None:
        """Give it the whole file."""
        stdin = self._process.stdin
        assert stdin is not None  # noqa: S101 - a pipe was asked for
        try:
            for piece in pieces:
                stdin.write(piece)
            stdin.close()
        except BrokenPipeError:
            pass  # it ended early: what it says next, or does not say, tells how

    def table(self) -> Table:
        """Wait for the table of the file, and return it.

        Raises
        ------
        Unreadable
        ParserDied
        """
        self._wait_for(TABLE)
        return table.load(self._folder)

    def digests(self) -> GroupDigests:
        """Wait for the digests of the groups that the table makes by itself; asked for after the table.

        Raises
        ------
        ParserDied
        """
        if self._digests is None:
            self._wait_for(DIGESTS)
            self._digests = group_digests.load(self._folder)
        return self._digests

    def _wait_for(self, word: bytes) -> None:
        stdout = self._process.stdout
        assert stdout is not None  # noqa: S101 - a pipe was asked for
        if stdout.readline() == word:
            return
        self._process.kill()
        status = self._process.wait()
        said = (self._folder / "stderr").read_text(errors="replace")[-2000:]
        raise ParserDied(f"the parsing process ended with {status}: {said}")
