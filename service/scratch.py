"""Folders for what is read and forgotten, in the system's folder for such; they go even where their process is killed.

Whoever uses one holds a lock on it, and the kernel lets go of a lock when its process dies. So a folder of ours that
nobody holds is left over, and whoever comes next takes it away. Several processes may do so at once.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

INTAKE, TRIAL = "stripdown-reading-", "stripdown-trying-"
"""Names that no folder without a lock ever had: what an older release beside this one still uses is left alone."""
NO_LINK = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW


@contextmanager
def scratch_folder(kind: str) -> Iterator[Path]:
    """Lend an empty folder of this user until the block ends; take away what others left first.

    Parameters
    ----------
    kind : str
        `INTAKE` or `TRIAL`: how its name begins.
    """
    sweep_scratch()
    folder, held = _make(kind)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(held)


def sweep_scratch() -> None:
    """Take away the folders that processes of this user left when they were killed."""
    with os.scandir(tempfile.gettempdir()) as entries:
        named = [Path(entry.path) for entry in entries if entry.name.startswith((INTAKE, TRIAL))]
    for folder in named:
        with suppress(OSError):  # in use, gone, a link, or not for us to open
            held = _hold(folder, fcntl.LOCK_EX)
            try:
                if os.fstat(held).st_uid == os.geteuid():
                    shutil.rmtree(folder, ignore_errors=True)
            finally:
                os.close(held)


def _make(kind: str) -> tuple[Path, int]:
    while True:
        folder = Path(tempfile.mkdtemp(prefix=kind))
        with suppress(BlockingIOError, FileNotFoundError):  # taken for a left one before it was held
            return folder, _hold(folder, fcntl.LOCK_SH)  # shared: all that is given to whoever may only read, over NFS


def _hold(folder: Path, lock: int) -> int:
    """Return a descriptor that holds a folder, by its lock.

    Raises
    ------
    OSError
        `BlockingIOError` where it is held otherwise, `FileNotFoundError` where it has just gone.
    """
    held = os.open(folder, NO_LINK)
    try:
        fcntl.flock(held, lock | fcntl.LOCK_NB)
        os.stat(folder)
    except OSError:
        os.close(held)
        raise
    return held
