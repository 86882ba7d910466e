"""The status of a tool from its last row, and whether anything visible changed since it was last written."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.store.assessment_inputs import StatusRow
from service.store.columns import Column, to_time
from worker.days import day_of
from worker.group import Group
from worker.judge import Judged
from worker.method.tool_state import run_down
from worker.reasons import Judgement, part_documents, renewals
from worker.results import STATES, limit_columns

NOT_INSPECTED = "not-inspected"
OF_FITTED = frozenset(
    {
        "no-usage", "history-unknown", "not-measured", "assumed-wear-rate", "unknown-ground", "mixed-set",
        "loss-by-rule-only", "loss-extrapolated", "loss-capped", "leak-transitional", "leak-choked", "recalibrated",
        "stop-open",
        "compressor-too-small",
    }
)  # fmt: skip
"""Remarks that a status makes of the components fitted now; of the others it repeats the newest inspection's."""


@dataclass(frozen=True, slots=True)
class Statuses:
    """The statuses of a group that are written, and those that were only looked at.

    Attributes
    ----------
    rows : list of dict
        Columns of `tool_status`.
    limits : sequence of Column
        Columns of `tool_status_limits`.
    changes : list of tuple
        Tool, its sequence and the status as a document, lengths in mm.
    looked_at : list of tuple
        Tool and day of the unchanged ones.
    """

    rows: list[dict[str, Any]]
    limits: list[Column]
    changes: list[tuple[int, int, dict[str, Any]]]
    looked_at: list[tuple[int, date]]


def statuses_of(judged: Judged) -> Statuses:
    """The statuses of a group's tools."""
    group = judged.group
    rows: list[dict[str, Any]] = []
    kept, changes, looked_at = [], [], []
    for at in np.flatnonzero(group.rows.is_status[judged.forecast.rows]).tolist():
        row = int(judged.forecast.rows[at])
        tool_id = int(group.rows.tool[row])
        found = _status(judged, at, row, _governing(judged, at))
        before = group.batch.statuses.get(tool_id)
        if before is not None and _same(_visible(before), found):
            looked_at.append((tool_id, _today(group, tool_id)))
            continue
        sequence = 1 if before is None else before.sequence + 1
        rows.append(_columns(group, found, tool_id, sequence))
        changes.append((tool_id, sequence, document_of(group, found, tool_id, sequence)))
        kept.append(at)
    return Statuses(rows, _limits(judged, np.array(kept, np.int64)), changes, looked_at)


def _governing(judged: Judged, at: int) -> dict[str, Any]:
    """Governing limit of a status, its quantiles less the usage since, and the state that follows."""
    ahead, number = judged.forecast, int(judged.forecast.governing[at])
    if number < 0:
        return {"governing": None, "left": [None] * 3, "state": int(judged.verdicts.state[at])}
    left = ahead.left[at, number]
    state = run_down([judged.verdicts.state[at]], [ahead.remaining.quantiles[at, number]], [left])[0]
    name = judged.group.layout.limit_names[number]
    return {"governing": name, "left": [_finite(x) for x in left], "state": int(state)}


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _status(judged: Judged, at: int, row: int, governing: dict[str, Any]) -> dict[str, Any]:
    """The visible part of a status: what a change of it makes a new sequence for."""
    group, ahead = judged.group, judged.forecast
    batch, kind = group.batch, group.layout.type
    tool_id = int(group.rows.tool[row])
    newest = [n for n in batch.of_tool.get(tool_id, ()) if batch.inspections[n].state != "failed"][-1:]
    parts = part_documents(group, Judgement(ahead.rows, judged.carried, judged.verdicts, judged.loss.loss), at)
    loss = _finite(judged.loss.loss[at])
    return {
        "tool_type": batch.tools[tool_id].tool_type,
        "site": batch.tools[tool_id].site,
        "state": STATES[governing["state"]],
        "inspection_id": batch.inspections[newest[0]].inspection_id if newest else None,
        "inspected_at": batch.inspections[newest[0]].taken_at if newest else None,
        "retained": None if loss is None else 1.0 - loss,
        "service_loss": kind.service_loss,
        "basis": kind.life_basis,
        "wear_model": group.version or None,
        "ground": ahead.plan.mix[at] or None,
        "ground_factor": float(ahead.plan.factor[at]),
        "governing": governing["governing"],
        "left": governing["left"],
        "used_since": float(ahead.used_since[at]),
        "as_of": to_time(int(group.rows.moment[row])),
        "due": list(ahead.due[at]),
        "renew": renewals(parts),
        "parts": parts,
        "remarks": _remarks(judged, at, tool_id, newest),
    }


def _remarks(judged: Judged, at: int, tool_id: int, newest: list[int]) -> list[str]:
    """Codes: of the components fitted now, and of how the newest inspection was made."""
    batch = judged.group.batch
    codes = set(judged.remarks[at].codes())
    if not newest:
        return sorted(codes | {NOT_INSPECTED})
    said = batch.remarked.get(tool_id, [])
    # the newest inspection, where it is computed here, is the wanted row before the status's own
    if at > 0 and int(judged.group.rows.inspection[judged.forecast.rows[at - 1]]) == newest[0]:
        said = judged.remarks[at - 1].codes()
    return sorted(codes | (set(said) - OF_FITTED))


def _visible(before: StatusRow) -> dict[str, Any]:
    """The visible part of a status as it was written."""
    return {
        "tool_type": before.told_tool_type,
        "site": before.told_site,
        "state": before.state,
        "inspection_id": before.inspection_id,
        "inspected_at": before.inspected_at,
        "retained": before.retained,
        "service_loss": before.service_loss,
        "basis": before.basis,
        "wear_model": before.wear_model,
        "ground": before.ground,
        "ground_factor": before.ground_factor,
        "governing": before.governing,
        "left": [before.p10, before.p50, before.p90],
        "used_since": before.used_since,
        "as_of": before.as_of,
        "due": [before.due_p10, before.due_p50, before.due_p90],
        "renew": before.renew,
        "parts": before.parts,
        "remarks": before.remarks,
    }


def _same(one: Any, other: Any) -> bool:
    """Equal, but for roundings: a batch of another size may add up in another order."""
    if isinstance(one, float) and isinstance(other, (int, float)):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other)


def _today(group: Group, tool_id: int) -> date:
    return day_of(group.batch.now, ZoneInfo(group.batch.tools[tool_id].time_zone))


def _columns(group: Group, found: dict[str, Any], tool_id: int, sequence: int) -> dict[str, Any]:
    """A status as columns of its table."""
    name = found["governing"]
    columns = {key: value for key, value in found.items() if key not in ("left", "due", "tool_type", "site")}
    columns |= dict(zip(("p10", "p50", "p90"), found["left"], strict=True))
    columns |= dict(zip(("due_p10", "due_p50", "due_p90"), found["due"], strict=True))
    columns |= {
        "tool_id": tool_id,
        "sequence": sequence,
        "governing": None if name is None else group.batch.codes[name],
        "dates_on": _today(group, tool_id),
    }
    return columns


def _limits(judged: Judged, kept: Any) -> list[Column]:
    group = judged.group
    names = group.layout.limit_names
    ids = np.array([group.batch.codes[name] for name in names], np.int64)
    tools = group.rows.tool[judged.forecast.rows[kept]]
    return [
        Column("tool_id", "i4", np.repeat(tools, len(names))),
        Column("ordinal", "i2", np.tile(np.arange(len(names)), len(kept))),
        *limit_columns(judged, kept, ids),
    ]


def document_of(group: Group, found: dict[str, Any], tool_id: int, sequence: int) -> dict[str, Any]:
    """A status as clients read it in the feed of changes, but for `updated_at`, which is when it is saved."""
    tool = group.batch.tools[tool_id]
    return {
        "tool": tool.serial,
        "tool_type": found["tool_type"],
        "site": found["site"],
        "wear_model": found["wear_model"],
        "state": found["state"],
        "unit": "mm",
        "inspection": found["inspection_id"],
        "inspected_at": utc_text(found["inspected_at"]),
        "updated_at": None,
        "sequence": sequence,
        "performance": {"retained": found["retained"], "service_loss": found["service_loss"]},
        "remaining": {
            "basis": found["basis"],
            "ground": found["ground"],
            "governing": found["governing"],
            **dict(zip(("p10", "p50", "p90"), found["left"], strict=True)),
            "used_since": found["used_since"],
            "as_of": utc_text(found["as_of"]),
            "campaign": None,
        },
        "due_on": dict(zip(("p10", "p50", "p90"), found["due"], strict=True)),
        "renew": found["renew"],
        "parts": found["parts"],
        "remarks": found["remarks"],
    }


def utc_text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat().replace("+00:00", "Z")
