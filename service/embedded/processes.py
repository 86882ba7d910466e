"""Child processes that cannot outlive their parent, and an ordinary user for a server that refuses root."""

from __future__ import annotations

import ctypes
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

NOBODY = 65534
_PR_SET_PDEATHSIG = 1
_LIBC = ctypes.CDLL(None) if sys.platform == "linux" else None  # loaded before any fork


@dataclass(frozen=True, slots=True)
class Child:
    """A running child: what it is called, how it is asked to end, and where its output goes."""

    name: str
    process: subprocess.Popen[bytes]
    log: Path
    end_signal: signal.Signals = signal.SIGTERM

    def ask_to_end(self) -> None:
        """Send its end signal, if it still runs."""
        if self.process.poll() is None:
            self.process.send_signal(self.end_signal)

    def wait(self, seconds: float) -> None:
        """Wait for its end; after that long, kill it with all it started."""
        try:
            self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            self.kill()

    def kill(self) -> None:
        """End it with all it started, at once: it leads a session of its own."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def last_words(self, lines: int = 15) -> str:
        """The end of its log."""
        text = self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""
        return "\n".join(text.splitlines()[-lines:])


def start(
    name: str,
    command: Sequence[str],
    log: Path,
    environment: Mapping[str, str] | None = None,
    end_signal: signal.Signals = signal.SIGTERM,
) -> Child:
    """Start a child in a session of its own; the kernel asks it to end when this process dies (Linux)."""

    def die_with_parent() -> None:
        if _LIBC is not None:
            _LIBC.prctl(_PR_SET_PDEATHSIG, end_signal)

    with log.open("ab") as output:
        process = subprocess.Popen(
            list(command),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            env=None if environment is None else dict(environment),
            start_new_session=True,
            preexec_fn=die_with_parent,
        )
    return Child(name, process, log, end_signal)


@dataclass(frozen=True, slots=True)
class Unprivileged:
    """How to run a program that refuses to run as root, on folders that root owns.

    Attributes
    ----------
    prefix : tuple of str
        Put before the command.
    owner : int
        User id that the program's folders have to belong to.
    """

    prefix: tuple[str, ...]
    owner: int

    def own(self, folder: Path) -> None:
        """See that a folder, with what is in it, belongs to whom the program will run as."""
        if folder.stat().st_uid == self.owner:
            return
        for place, folders, files in os.walk(folder):
            for name in ("", *folders, *files):
                os.chown(Path(place) / name, self.owner, self.owner, follow_symlinks=False)


def unprivileged() -> Unprivileged:
    """Choose the way: nothing for an ordinary user; a user namespace for root; else the user nobody.

    In a namespace root's folders look like the mapped user's own, so nothing has to change hands and a folder in
    root's home can be reached. Containers often forbid namespaces: there the folders are given to nobody.
    """
    if os.geteuid() != 0:
        return Unprivileged((), os.geteuid())
    mapped = ("unshare", "-U", f"--map-user={NOBODY}", f"--map-group={NOBODY}")
    tied = ("setpriv", "--pdeathsig", "INT")  # set again: the kernel forgets it when the user changes
    if shutil.which("unshare") and _works([*mapped, *tied, "true"]):
        return Unprivileged((*mapped, *tied), os.geteuid())
    return Unprivileged((*tied, f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"), NOBODY)


def _works(command: Sequence[str]) -> bool:
    return subprocess.run(list(command), capture_output=True, check=False).returncode == 0


def wait_until(ready: Callable[[], bool], child: Child, seconds: float) -> None:
    """Wait until `ready()` is true.

    Raises
    ------
    RuntimeError
        If the child ended before, or the time is over; with the end of its log.
    """
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if ready():
            return
        if child.process.poll() is not None:
            raise RuntimeError(f"{child.name} ended at once:\n{child.last_words()}")
        time.sleep(0.02)
    raise RuntimeError(f"{child.name} was not ready within {seconds:.0f} s:\n{child.last_words()}")
