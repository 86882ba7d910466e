"""The beginning of a file, read by a layout in a process of its own: the reader of files has threads, and may die."""

from __future__ import annotations

import logging
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import msgspec
import orjson

import service
from service.api.export_upload import sent_file
from service.config import role_environment
from service.faults import fault
from service.layouts import Layout
from service.packing import BadPacking, Unpacker
from service.problems import Declined, Refused
from service.scratch import TRIAL, scratch_folder

BEGINNING = 512 * 1024
PATIENCE_S = 20.0
logger = logging.getLogger(__name__)
_room = threading.BoundedSemaphore(2)


def read_beginning() -> tuple[bytes, bool]:
    """Return the first bytes of the file that the request brings, unpacked, and whether it goes on.

    Raises
    ------
    Refused
        If it is empty, or begins as packed and is not.
    """
    stream, unpacker, text = sent_file().stream, Unpacker(), b""
    try:
        while len(text) <= BEGINNING:
            piece = stream.read(64 * 1024)
            if not piece:
                text += unpacker.end()
                break
            text += b"".join(unpacker.feed(piece))
    except BadPacking:
        raise Refused([fault("", "bad-gzip")]) from None
    if not text:
        raise Refused([fault("", "empty-file")])
    return text[:BEGINNING], len(text) > BEGINNING


def run_trial(layout: Layout, text: bytes, is_cut: bool) -> dict[str, Any]:
    """Return what a layout makes of a file's beginning.

    Raises
    ------
    Declined
        Code ``busy``, where others are tried already.
    """
    if not _room.acquire(blocking=False):
        raise Declined("busy", "other files are being tried", headers={"Retry-After": "2"})
    try:
        with scratch_folder(TRIAL) as folder:
            return _run(folder, layout, text, is_cut)
    finally:
        _room.release()


def _run(folder: Path, layout: Layout, text: bytes, is_cut: bool) -> dict[str, Any]:
    (folder / "layout.json").write_bytes(msgspec.json.encode(layout))
    if is_cut:
        (folder / "cut").touch()
    command = [sys.executable, "-m", "worker.intake.trial", str(folder)]
    root = Path(service.__file__ or "").parents[1]
    try:
        done = subprocess.run(
            command, input=text, capture_output=True, timeout=PATIENCE_S, cwd=root, env=role_environment(), check=True
        )
    except (subprocess.TimeoutExpired, subprocess.CalledProcessError) as died:
        logger.error("a trial of %s: %s: %s", layout.code, died, (died.stderr or b"").decode(errors="replace")[-2000:])
        raise Refused([fault("", "invalid", "the process that reads files did not survive this one")]) from None
    document: dict[str, Any] = orjson.loads(done.stdout)
    return document
