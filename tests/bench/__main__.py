"""`python -m tests.bench [http] [latency]`: measure, and print one table."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

from tests.bench import http, latency

SUBJECTS: dict[str, Callable[[], Iterator[str]]] = {"http": http.measure, "latency": latency.measure}


def main(wanted: list[str]) -> None:
    """Measure what is named, or everything."""
    print("| what | ours | other side | ratio | wanted |", "|---|---|---|---|---|", sep="\n")
    for name in wanted or SUBJECTS:
        for line in SUBJECTS[name]():
            print(line, flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
