"""What the rows of a file name, looked up once for each name and checked as columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service import canonical, faults, units
from service.catalogue import ToolType
from service.store import bulk
from service.store.bulk import NamedTool
from service.store.columns import to_time
from service.store.pool import Connection
from worker.intake.table import BLANK, Column, RowFault, Table
from worker.intake.values import ORDER

Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]
#: Where an index is `BLANK` or `BAD` (-1 or -2), look-up tables are read from their end: two entries for those.
SENTINELS = 2


@dataclass(frozen=True, slots=True)
class References:
    """What the names of a file stand for.

    Attributes
    ----------
    tools : dict
        Serial -> tool, of those that exist and may be written.
    types : dict
        Id -> newest revision of the types of those tools.
    tool_id, gauge_id, master_id : ndarray of int32
        By word of the column, 0 for what does not exist; two more entries for cells without a word.
    quantity : ndarray of int32, shape (tools, features)
        How often the part of a feature stands in a tool; 0 unknown, -1 not to be judged.
    """

    tools: dict[str, NamedTool]
    types: dict[int, ToolType]
    tool_id: Ints
    gauge_id: Ints
    master_id: Ints
    quantity: Ints
    type_of_tool: Ints


def index_of(table: Table, name: str) -> Ints:
    """Return the index of each row's word in a column, `BLANK` throughout where there is none."""
    column = table.columns.get(name)
    return np.full(len(table.line), BLANK, np.int32) if column is None else column.index


def words_of(table: Table, name: str) -> list[str]:
    column = table.columns.get(name)
    return [] if column is None else column.words


def look_up(conn: Connection, table: Table, site_id: int | None) -> tuple[References, list[RowFault]]:
    """Look up every name of a file and check the rows by what was found; `table.bad` is marked.

    Parameters
    ----------
    conn : Connection
    table : Table
    site_id : int or None
        The site the token was bound to.
    """
    known = bulk.find_tools(conn, words_of(table, "tool"))
    tools = {serial: tool for serial, tool in known.items() if site_id is None or tool.site_id == site_id}
    types = bulk.find_types(conn, {tool.tool_type_id for tool in tools.values()})
    gauges = bulk.find_gauges(conn, words_of(table, "gauge"))
    masters = bulk.find_masters(conn, words_of(table, "master"))
    type_of_tool = _types_of(words_of(table, "tool"), tools, list(types))
    found = References(
        tools,
        types,
        _ids(words_of(table, "tool"), {serial: tool.tool_id for serial, tool in tools.items()}),
        _ids(words_of(table, "gauge"), gauges),
        _ids(words_of(table, "master"), masters),
        _quantities(words_of(table, "feature"), list(types.values())),
        type_of_tool,
    )
    wrong = _unknown(table, "tool", lambda word: _tool_fault(word, known, tools))
    wrong += _unknown(table, "gauge", lambda word: None if word in gauges else "unknown-gauge")
    wrong += _unknown(table, "master", lambda word: None if word in masters else "unknown-master")
    wrong += _check_positions(table, found)
    wrong += _check_checks(table, found)
    return found, wrong


def _tool_fault(word: str, known: Mapping[str, NamedTool], tools: Mapping[str, NamedTool]) -> str | None:
    if word in tools:
        return None
    return "outside-site" if word in known else "unknown-tool"


def _ids(words: Sequence[str], ids: Mapping[str, int]) -> Ints:
    return np.array([*(ids.get(word, 0) for word in words), *[0] * SENTINELS], np.int32)


def _types_of(words: Sequence[str], tools: Mapping[str, NamedTool], types: Sequence[int]) -> Ints:
    """Return the place of each tool's type in `types`; one beyond the last where it is not known."""
    place = {type_id: place for place, type_id in enumerate(types)}
    known = [place[tools[word].tool_type_id] if word in tools else len(types) for word in words]
    return np.array([*known, *[len(types)] * SENTINELS], np.int32)


def _quantities(words: Sequence[str], types: Sequence[ToolType]) -> Ints:
    quantity = np.full((len(types) + 1, len(words) + SENTINELS), -1, np.int32)
    for row, tool_type in enumerate(types):
        features = tool_type.feature_by_code
        for place, word in enumerate(words):
            feature = features.get(word)
            quantity[row, place] = 0 if feature is None else tool_type.quantity_of(feature.part)
    return quantity


# ---------------------------------------------------------------- faults


def _unknown(table: Table, name: str, judge: Callable[[str], str | None]) -> list[RowFault]:
    """Return a fault for each row whose word does not stand for anything."""
    column = table.columns.get(name)
    if column is None:
        return []
    codes = {place: code for place, word in enumerate(column.words) if (code := judge(word)) is not None}
    if not codes:
        return []
    wrong = np.zeros(len(column.words) + SENTINELS, np.bool_)
    wrong[list(codes)] = True
    return refuse(table, wrong[column.index], name, lambda word: codes[word])


def _check_positions(table: Table, found: References) -> list[RowFault]:
    if "feature" not in table.columns:
        return []
    feature, tool = index_of(table, "feature"), index_of(table, "tool")
    quantity = found.quantity[found.type_of_tool[tool], feature]
    wrong = refuse(table, quantity == 0, "feature", lambda _: "unknown-feature")
    position = positions_of(table)
    named = (index_of(table, "component") != BLANK) | (index_of(table, "position") != BLANK)
    wrong += refuse(table, (quantity > 1) & ~named, "position", lambda _: "position-required")
    beyond = (quantity >= 1) & (position > quantity)
    words = "the part stands fewer times in the tool"
    return wrong + refuse(table, beyond, "position", lambda _: "out-of-range", words)


def positions_of(table: Table) -> Ints:
    """Return the position of each row, 0 where none is given."""
    column = table.columns.get("position")
    if column is None or column.numbers is None:
        return np.zeros(len(table.line), np.int32)
    return np.concatenate([column.numbers, [0, 0]]).astype(np.int32)[column.index]


def _check_checks(table: Table, found: References) -> list[RowFault]:
    column = table.columns.get("check")
    if column is None:
        return []
    known = np.ones((len(found.types) + 1, len(column.words) + SENTINELS), np.bool_)
    for row, tool_type in enumerate(found.types.values()):
        known[row, : len(column.words)] = [word in tool_type.check_by_code for word in column.words]
    wrong = ~known[found.type_of_tool[index_of(table, "tool")], column.index]
    return refuse(table, wrong, "check", lambda _: "unknown-check")


def refuse(
    table: Table, where: Mask, name: str, code: Callable[[int], str], words: str | None = None
) -> list[RowFault]:
    """Mark rows as bad; return the faults of the first of them.

    Parameters
    ----------
    table : Table
    where : ndarray of bool, shape (rows,)
    name : str
        The column that the fault stands in.
    code : callable
        From the index of the row's word to the code.
    words : str, optional
        In place of the table's message.
    """
    if not where.any():
        return []
    table.bad |= where
    column = table.columns.get(name)
    rows = np.flatnonzero(where)[: faults.MAX_EXPORT_FAULTS].tolist()
    made = []
    for row in rows:
        word = BLANK if column is None else int(column.index[row])
        found = code(word)
        message = faults.CODES[found] if words is None else words
        made.append(RowFault(int(table.line[row]), ORDER[name], name, found, message, shown(column, word)))
    return made


def shown(column: Column | None, word: int) -> str | None:
    """Return the text of a cell for a fault; of a time its moment in UTC, since only that was kept."""
    if column is None or word < 0:
        return None
    if column.words:
        return column.words[word]
    if column.numbers is None:
        return None
    if column.numbers.dtype == np.float64:
        return canonical.number_text(float(column.numbers[word]))
    moment = to_time(int(column.numbers[word]))
    return None if moment is None else units.show_moment(moment)
