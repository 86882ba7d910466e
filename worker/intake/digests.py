"""The digest of each inspection of a file: that of `service.canonical.digest`, built column by column.

The lines of readings are sorted as texts. Their fields hold nothing that sorts before the separator, so the order of
lines is the order of their fields one after the other: three groups of fields are numbered in the order of their
texts, rows sorted by those numbers, and each line put together from three pieces.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from service import canonical
from service.canonical import US
from service.store.columns import EPOCH, MICROSECOND
from worker.intake.groups import Groups, number_said, said
from worker.intake.ranks import by_text, combine, order_of
from worker.intake.references import index_of
from worker.intake.table import Table

Ints = NDArray[np.int64]
BEFORE = ("feature", "component", "position", "station", "orientation", "kind")
AFTER = ("gauge", "master", "setup", "temperature_c", "reference_temperature_c")
AT_ONCE = 4_000
"""Groups whose lines are texts at one time: memory, not speed."""


def digests(table: Table, groups: Groups) -> list[bytes]:
    """Return the digest of every group.

    Parameters
    ----------
    table : Table
        Whose lengths may be in any unit of a row.
    groups : Groups
        Of its good rows.
    """
    if not len(groups):
        return []
    if "check" in table.columns:
        return _of_checks(table, groups)
    lines = _Lines(table, groups)
    setups = setups_of(table, groups)
    found: list[bytes] = []
    for low in range(0, len(groups), AT_ONCE):
        high = min(low + AT_ONCE, len(groups))
        texts = lines.between(int(groups.start[low]), int(groups.start[high]))
        for group in range(low, high):
            begin = int(groups.start[group] - groups.start[low])
            end = int(groups.start[group + 1] - groups.start[low])
            named = [canonical.setup_line(*setup) for setup in setups.get(group, ())]
            found.append(_digest(table, groups, group, texts[begin:end], (), named))
    return found


def _of_checks(table: Table, groups: Groups) -> list[bytes]:
    lines = list(map(canonical.check_line, check_results(table, groups)))
    return [
        _digest(table, groups, group, (), lines[groups.start[group] : groups.start[group + 1]], ())
        for group in range(len(groups))
    ]


def check_results(table: Table, groups: Groups) -> list[canonical.CheckResult]:
    """Return the check result of each row, in the order of groups."""
    check, result, note = (index_of(table, name)[groups.row].tolist() for name in ("check", "result", "note"))
    checks, results, notes = (table.columns.get(name) for name in ("check", "result", "note"))
    return [
        canonical.CheckResult(said(checks, c) or "", said(results, r) or "", said(notes, n))  # type: ignore[arg-type]
        for c, r, n in zip(check, result, note, strict=True)
    ]


def _digest(
    table: Table, groups: Groups, group: int, readings: Sequence[str], checks: Sequence[str], setups: Sequence[str]
) -> bytes:
    usage = usage_of(table, groups, group)
    run = [] if usage is None else [canonical.usage_line(usage)]
    return canonical.digest_of_lines(header_of(table, groups, group), run, readings, checks, (), setups)


def header_of(table: Table, groups: Groups, group: int) -> str:
    """Return the canonical line of what a group says once."""

    def text(name: str) -> str | None:
        return said(table.columns.get(name), int(groups.once[name][group])) if name in groups.once else None

    u_c = groups.once.get("thermometer_u_c")
    return canonical.header_line(
        tool=table.columns["tool"].words[groups.tool[group]],
        reference=table.columns["reference"].words[groups.reference[group]],
        stage=canonical.STAGES[groups.stage[group]],
        taken_at=EPOCH + int(groups.taken_at[group]) * MICROSECOND,
        inspector=text("inspector"),
        thermometer=text("thermometer"),
        thermometer_u_c=None if u_c is None else number_said(table.columns["thermometer_u_c"], int(u_c[group])),
        remeasures=text("remeasures"),
        final=False,
    )


def usage_of(table: Table, groups: Groups, group: int) -> canonical.Usage | None:
    """Return what a group says was run."""
    amounts = [
        number_said(table.columns.get(name), int(groups.once[name][group])) if name in groups.once else None
        for name in ("metres", "hours")
    ]
    if amounts == [None, None]:
        return None
    ground = said(table.columns.get("ground"), int(groups.once["ground"][group])) if "ground" in groups.once else None
    return canonical.Usage(amounts[0], amounts[1], ground)


def setups_of(table: Table, groups: Groups) -> dict[int, set[tuple[str, str, str, int]]]:
    """Return the (setup, gauge, master, readings at zero) that the rows of each group name."""
    if "setup" not in table.columns:
        return {}
    group = groups.of_row()
    index = [index_of(table, name)[groups.row] for name in ("setup", "gauge", "master", "readings_at_zero")]
    setup, gauge, master, zero = (table.columns.get(name) for name in ("setup", "gauge", "master", "readings_at_zero"))
    given: dict[tuple[int, int, int, int], int] = {}
    for place in np.flatnonzero(index[0] >= 0).tolist():
        key = (int(group[place]), int(index[0][place]), int(index[1][place]), int(index[2][place]))
        number = number_said(zero, int(index[3][place]))
        given[key] = int(number) if number is not None else given.get(key, 0)
    found: dict[int, set[tuple[str, str, str, int]]] = {}
    for (of_group, s, g, m), number in given.items():
        entry = (said(setup, s) or "", said(gauge, g) or "", said(master, m) or "", number or 1)
        found.setdefault(of_group, set()).add(entry)
    return found


# ---------------------------------------------------------------- lines of readings


class _Lines:
    """The lines of readings as three pieces each, sorted within their groups."""

    def __init__(self, table: Table, groups: Groups) -> None:
        rows = groups.row
        before, self.before = by_text(*_pieces(table, rows, BEFORE))
        value, self.value = by_text(*_values(table, rows))
        after, self.after = by_text(*_pieces(table, rows, AFTER))
        columns = [groups.of_row(), before, value, after]
        sizes = [len(groups), len(self.before), len(self.value), len(self.after)]
        order = order_of(columns, sizes)
        self.index = (before[order], value[order], after[order])

    def between(self, low: int, high: int) -> list[str]:
        """Return the lines of these rows."""
        before, value, after = self.before, self.value, self.after
        pieces = zip(*(index[low:high].tolist() for index in self.index), strict=True)
        return [before[b] + value[v] + after[a] for b, v, a in pieces]


def _pieces(table: Table, rows: Ints, names: tuple[str, ...]) -> tuple[Ints, list[str]]:
    """Return each row's piece of its line, and the different pieces there are."""
    columns = [(index_of(table, name)[rows] + 1).astype(np.int64) for name in names]
    texts = [_texts(table, name) for name in names]
    number, values = combine(columns, [len(text) for text in texts])
    joined = [
        US.join(text[place] for text, place in zip(texts, places, strict=True))
        for places in zip(*(value.tolist() for value in values), strict=True)
    ]
    if names is BEFORE:
        joined = [_with_default_position(line) + US for line in joined]
    return number, joined


def _with_default_position(line: str) -> str:
    feature, component, position, rest = line.split(US, 3)
    position = canonical.position_text(int(position) if position else None, component or None)
    return f"{feature}{US}{component}{US}{position}{US}{rest}"


def _texts(table: Table, name: str) -> list[str]:
    """Return the canonical text of each word of a column, after that of a cell without one."""
    column = table.columns.get(name)
    nothing = "size" if name == "kind" else ""
    if column is None:
        return [nothing]
    if column.numbers is None:
        return [nothing, *column.words]
    return [nothing, *map(canonical.number_text, column.numbers.tolist())]


def lengths(table: Table, rows: Ints) -> tuple[Ints, list[float], list[str]]:
    """Return the combination of value and unit of each row, and of each combination the value and the unit."""
    value = (index_of(table, "value")[rows] + 1).astype(np.int64)
    unit = (index_of(table, "unit")[rows] + 1).astype(np.int64)
    column, of_unit = table.columns.get("value"), table.columns.get("unit")
    numbers = [] if column is None or column.numbers is None else column.numbers.tolist()
    words = [] if of_unit is None else of_unit.words
    number, (values, which) = combine([value, unit], [len(numbers) + 1, len(words) + 1])
    figures = [0.0, *numbers]
    named = ["mm", *words]
    return number, [figures[place] for place in values.tolist()], [named[place] for place in which.tolist()]


def per_length(table: Table, rows: Ints, convert: Callable[[float, str], object]) -> tuple[Ints, list[object]]:
    """Return what `convert` makes of each different (value, unit), and which of them each row has."""
    number, values, named = lengths(table, rows)
    return number, [convert(value, unit) for value, unit in zip(values, named, strict=True)]


def _values(table: Table, rows: Ints) -> tuple[Ints, list[str]]:
    traces = table.columns.get("trace")
    if traces is None or not traces.words:
        number, texts = per_length(table, rows, canonical.length_text)
        return number, [f"{text}{US}{US}" for text in texts]
    value = (index_of(table, "value")[rows] + 1).astype(np.int64)
    trace = (index_of(table, "trace")[rows] + 1).astype(np.int64)
    unit, _, named = lengths(table, rows)
    number, (values, of_unit, which) = combine(
        [value, unit, trace], [int(value.max(initial=0)) + 1, len(named), len(traces.words) + 1]
    )
    figures = _texts(table, "value")
    return number, [
        f"{canonical.length_text(float(figures[v]), named[u]) if v else ''}{US}"
        f"{trace_text(traces.words[t - 1], named[u]) if t else ''}{US}"
        for v, u, t in zip(values.tolist(), of_unit.tolist(), which.tolist(), strict=True)
    ]


def trace_text(samples: str, unit: str) -> str:
    """Return the canonical text of a trace as it stands in its cell."""
    return " ".join([canonical.length_text(float(sample), unit) for sample in samples.split()])
