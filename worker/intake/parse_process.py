"""The parsing process: a file on standard input, its table into a folder, then the digests of its groups.

A process of its own, started anew for each file: the columnar reader has threads, and a file that brings it down
brings down nothing else. What lies in the folder is said on standard output, a line for each.

    python -m worker.intake.parse_process FOLDER < FILE      (FOLDER/layout.json says how to read it)
"""

from __future__ import annotations

import os
import resource
import sys
from pathlib import Path

import msgspec

from service.layouts import Layout
from worker.intake import table
from worker.intake.reading import read_table
from worker.intake.table import DIGESTS, TABLE, Unreadable

MOST_CPU_S = 600
"""Of processor time: a hundred times what the largest file takes. What takes longer would never end."""
YIELDING = 10
"""From the table on, what this process does is needed last: the database and what feeds it go first."""


def main(folder: Path) -> None:
    """Read the file on standard input."""
    limit_cpu(MOST_CPU_S)
    layout = msgspec.json.decode((folder / "layout.json").read_bytes(), type=Layout)
    try:
        read = read_table(sys.stdin.buffer, layout)
    except Unreadable as unreadable:
        table.save(folder, unreadable)
        _say(TABLE)
        return
    table.save(folder, read)
    _say(TABLE)
    os.nice(YIELDING)
    from worker.intake import group_digests  # not before: whoever asked for the table waits for every import

    group_digests.save(folder, read)
    _say(DIGESTS)


def limit_cpu(seconds: int) -> None:
    """Have the kernel end this process once it has used so much processor time, whoever still waits for it."""
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))


def _say(word: bytes) -> None:
    sys.stdout.buffer.write(word)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
