"""The parsing process: a file on standard input, its table into a folder.

A process of its own, started anew for each file: the columnar reader has threads, and a file that brings it down
brings down nothing else.

    python -m worker.intake.parse_process FOLDER < FILE      (FOLDER/layout.json says how to read it)
"""

from __future__ import annotations

import sys
from pathlib import Path

import msgspec

from service.layouts import Layout
from worker.intake.reading import read_table
from worker.intake.table import Unreadable, save


def main(folder: Path) -> None:
    """Read the file on standard input."""
    layout = msgspec.json.decode((folder / "layout.json").read_bytes(), type=Layout)
    try:
        save(folder, read_table(sys.stdin.buffer, layout))
    except Unreadable as unreadable:
        save(folder, unreadable)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
