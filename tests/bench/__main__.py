"""`python -m tests.bench [SUBJECT…]`: measure, and print one table; both sides of a ratio in the same run.

Without a subject all of them, the longest ones cut short, in less than 15 minutes. What fails, or takes too long, is
said in its row, ends what it started, and keeps the others from nothing.
"""

from __future__ import annotations

import signal
import sys
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import FrameType
from typing import NoReturn

from tests.bench import batch, http, latency, million, relearning, scale, speeds

Measure = Callable[[], Iterator[str]]


@dataclass(frozen=True, slots=True)
class Subject:
    """What can be measured: in full, in a run of everything, and for how long at most."""

    measure: Measure
    brief: Measure
    limit_s: int


def _subject(measure: Measure, limit_s: int, brief: Measure | None = None) -> Subject:
    return Subject(measure, brief or measure, limit_s)


SUBJECTS = {
    "http": _subject(http.measure, 400, lambda: http.measure(seconds=4.0)),
    "latency": _subject(latency.measure, 180, lambda: latency.measure(20.0)),
    "million": _subject(million.measure, 600),
    "batch": _subject(batch.measure, 300),
    "scale": _subject(scale.measure, 900),
    "relearning": _subject(relearning.measure, 300),
    "speeds": _subject(speeds.measure, 120),
}


def main(wanted: list[str]) -> int:
    """Measure what is named, or everything; answer how many subjects failed."""
    if unknown := [name for name in wanted if name not in SUBJECTS]:
        print(f"no such subject: {', '.join(unknown)}; there are {', '.join(SUBJECTS)}", file=sys.stderr)
        return len(unknown)
    signal.signal(signal.SIGALRM, _too_long)
    signal.signal(signal.SIGTERM, _asked_to_end)
    print("| what | ours | other side | ratio | wanted |", "|---|---|---|---|---|", sep="\n", flush=True)
    return sum(_fails(name, SUBJECTS[name].measure if wanted else SUBJECTS[name].brief) for name in wanted or SUBJECTS)


def _fails(name: str, measure: Measure) -> bool:
    signal.alarm(SUBJECTS[name].limit_s)
    try:
        for line in measure():
            print(line, flush=True)
    except Exception as problem:
        traceback.print_exc()
        print(f"| {name} | FAILED: {type(problem).__name__}: {str(problem)[:200]!r} | | | |", flush=True)
        return True
    finally:
        signal.alarm(0)
    return False


def _too_long(number: int, frame: FrameType | None) -> NoReturn:
    raise TimeoutError("took too long")


def _asked_to_end(number: int, frame: FrameType | None) -> NoReturn:
    raise SystemExit(1)  # the servers and roles of the subject end with its blocks


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
