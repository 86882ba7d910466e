"""How several sources become one inspection, and how one goes out of it again.

What two sources say alike is kept once, with the first; the other one holds it back, so that taking the first out
loses nothing. Nothing here touches the database.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from typing import TypeVar

import msgspec

from service.store.errors import Conflict
from service.store.sources import Amounts, Content, Header, ReadingRow, Source, StoredSource

Item = TypeVar("Item")
SPREAD_S = 24 * 3600.0  # sources of one inspection are taken within a day


def join(content: Content, further: Content) -> tuple[Content, Content | None]:
    """Join what a further source says to what an inspection has.

    Parameters
    ----------
    content : Content
        Of the inspection.
    further : Content
        Everything the source says.

    Returns
    -------
    Content
        Of the inspection from now on: of readings equal in every field, only as many are added as the source has more
        than the inspection had.
    Content or None
        What was left out because it was there already.

    Raises
    ------
    Conflict
        Code ``header-differs``: a check has two results, a position two renewals, or a part is reversed that is
        renewed.
    """
    readings, again = _beyond(content.readings, further.readings, ReadingRow.key)
    checks, checks_again = _beyond(content.checks, further.checks, lambda c: (c.check, c.result, c.note))
    renewals, renewals_again = _beyond(
        content.renewals, further.renewals, lambda r: (r.part, r.position, r.component, r.removed_to, r.reason)
    )
    reversals, reversals_again = _beyond(content.reversals, further.reversals, lambda r: (r.part, r.position))
    _refuse_two(content.checks, checks, lambda c: c.check, "check")
    _refuse_two(content.renewals, renewals, lambda r: f"{r.part} {r.position}", "renewal of")
    joined = Content(
        content.readings + readings,
        content.checks + checks,
        content.renewals + renewals,
        content.setups + further.setups,
        content.reversals + reversals,
    )
    _refuse_new_reversed(joined)
    held = Content(again, checks_again, renewals_again, reversals=reversals_again)
    return joined, held if again or checks_again or renewals_again or reversals_again else None


def _beyond(
    present: Sequence[Item], further: Sequence[Item], key: Callable[[Item], Hashable]
) -> tuple[list[Item], list[Item]]:
    """Split items into those beyond what is present and those present already, counted as multisets."""
    left = Counter(key(item) for item in present)
    beyond: list[Item] = []
    again: list[Item] = []
    for item in further:
        name = key(item)
        if left[name] > 0:
            left[name] -= 1
            again.append(item)
        else:
            beyond.append(item)
    return beyond, again


def _refuse_two(present: Sequence[Item], further: Sequence[Item], name: Callable[[Item], str], what: str) -> None:
    taken = {name(item) for item in present}
    for item in further:
        if name(item) in taken:
            raise Conflict("header-differs", f"the {what} {name(item)} is already there, and differs")


def _refuse_new_reversed(content: Content) -> None:
    renewed = {(row.part, row.position) for row in content.renewals}
    for row in content.reversals:
        if (row.part, row.position) in renewed:
            raise Conflict("header-differs", f"{row.part} {row.position} is renewed by one source, reversed by another")


def without(content: Content, number: int, left: Sequence[StoredSource]) -> tuple[Content, dict[int, Content | None]]:
    """Take one source out of what an inspection has.

    Parameters
    ----------
    content : Content
    number : int
        The source that goes.
    left : sequence of StoredSource
        The others, in the order they came.

    Returns
    -------
    Content
        Without its rows, and with what others had held back on its account.
    dict
        What each of the others whose share changed still holds back.
    """
    content = _not_of(content, number)
    changed: dict[int, Content | None] = {}
    for source in left:
        if source.held_back is not None:
            others = _not_of(content, source.source)
            own = _own(content, source.source, msgspec.convert(source.held_back, Content))
            content, changed[source.source] = join(others, own)
    return content, changed


def _not_of(content: Content, number: int) -> Content:
    return Content(
        [row for row in content.readings if row.source != number],
        [row for row in content.checks if row.source != number],
        [row for row in content.renewals if row.source != number],
        [row for row in content.setups if row.source != number],
        [row for row in content.reversals if row.source != number],
    )


def _own(content: Content, number: int, held: Content) -> Content:
    """Return all that one source says: its rows, and what it held back."""
    return Content(
        [row for row in content.readings if row.source == number] + held.readings,
        [row for row in content.checks if row.source == number] + held.checks,
        [row for row in content.renewals if row.source == number] + held.renewals,
        [row for row in content.setups if row.source == number],
        [row for row in content.reversals if row.source == number] + held.reversals,
    )


def header_of(sources: Sequence[StoredSource | Source]) -> Header:
    """Return what the sources of an inspection say once: the latest time, and what any of them gives.

    Raises
    ------
    Conflict
        Codes ``group-spread`` (times more than 24 h apart) and ``header-differs`` (two give it differently).
    """
    times = [source.taken_at for source in sources]
    if (max(times) - min(times)).total_seconds() > SPREAD_S:
        raise Conflict(
            "group-spread",
            "its sources were taken more than 24 h apart",
            earliest=min(times),
            latest=max(times),
        )
    usages = [_plain(source.usage) for source in sources if source.usage is not None]
    remeasures = {source.remeasures for source in sources if source.remeasures is not None}
    if any(usage != usages[0] for usage in usages):
        raise Conflict("header-differs", "its sources give different usage", field="usage")
    if len(remeasures) > 1:
        raise Conflict("header-differs", "its sources name different inspections", field="remeasures")
    usage = next((source.usage for source in sources if source.usage is not None), None)
    return Header(max(times), usage, next(iter(remeasures), None), any(source.final for source in sources))


def _plain(usage: Amounts) -> list[str]:
    return sorted(repr((u.get("metres"), u.get("hours"), sorted((u.get("ground") or {}).items()))) for u in usage)
