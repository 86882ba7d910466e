"""Processor time of a role with all its processes, those that have ended included."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

TICKS = os.sysconf("SC_CLK_TCK")


def tree(pid: int) -> Iterator[int]:
    """A process and all that it started."""
    yield pid
    for task in _tasks(pid):
        for child in read(pid, f"task/{task}/children").split():
            yield from tree(int(child))


def read(pid: int, name: str) -> str:
    """A file of a process, empty where it has ended."""
    try:
        return Path(f"/proc/{pid}/{name}").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def cpu_s(pid: int, ended_too: bool = False) -> float:
    """Processor time of one process so far, with `ended_too` that of its children that have ended, [s]."""
    fields = read(pid, "stat").rpartition(")")[2].split()
    return sum(map(int, fields[11 : 15 if ended_too else 13])) / TICKS if fields else 0.0


def tree_cpu_s(pid: int) -> float:
    """Processor time of a process and of all that it started, whether still there or not, [s]."""
    return sum(cpu_s(process, ended_too=True) for process in tree(pid))


def _tasks(pid: int) -> list[str]:
    try:
        return [path.name for path in Path(f"/proc/{pid}/task").iterdir()]
    except OSError:
        return []
