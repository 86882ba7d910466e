"""The status as clients see it: what an ERP pulls.

Rendered as plain dictionaries: it is read far more often than written.
"""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from orjson import Fragment

from service.api import fields
from service.api.assessment_document import QUANTILES, TOOL_STATES, DueOn, PartVerdict
from service.api.campaign import Campaign
from service.api.ground_mix import Rescale, show_amount
from service.api.schema import Document
from service.store.status_read import Status

#: Says why a tool without any inspection is `remeasure`.
NOT_INSPECTED = "not-inspected"


class StatusPerformance(Document):
    """As of the newest inspection with the components now fitted."""

    retained = fields.Number()
    service_loss = fields.Number()


class StatusRemaining(Document):
    """What is left to the governing limit: the quantiles at `as_of` less the usage since, not below 0."""

    basis = fields.Choice(("metres", "hours"), required=True)
    ground = fields.Table(fields.Number(low=0, high=1), metadata={"description": "Planned mix; null: not known"})
    governing = fields.Text()
    p10 = fields.Number()
    p50 = fields.Number()
    p90 = fields.Number()
    used_since = fields.Number()
    as_of = fields.Moment()
    campaign = fields.Inner(Campaign, metadata={"description": "null: not asked for"})


class Renewal(Document):
    """A fitted component whose verdict is `discard`."""

    part = fields.Name(required=True)
    component = fields.Name()
    position = fields.Count(low=1)
    reasons = fields.ListOf(fields.Text())


class ToolStatus(Document):
    """One tool, for the components now fitted."""

    tool = fields.Name(required=True)
    tool_type = fields.Name(required=True)
    site = fields.Name(required=True)
    wear_model = fields.Count(metadata={"description": "Version of the learned parameters; null: the catalogue's"})
    state = fields.Choice(TOOL_STATES, required=True)
    unit = fields.Unit(required=True)
    inspection = ma.fields.UUID(required=True, allow_none=True, metadata={"description": "The newest; null: none yet"})
    inspected_at = fields.Moment()
    updated_at = fields.Moment(required=True)
    sequence = fields.Count(required=True, metadata={"description": "+1 with each visible change; 0: not computed yet"})
    performance = fields.Inner(StatusPerformance, required=True)
    remaining = fields.Inner(StatusRemaining, required=True)
    due_on = fields.Inner(DueOn, required=True)
    renew = fields.ListOf(fields.Inner(Renewal), required=True)
    parts = fields.ListOf(fields.Inner(PartVerdict), required=True)
    remarks = fields.ListOf(fields.Text(), required=True)


def status_document(
    row: Status, unit: str, planned: Rescale | None = None, campaign: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Return the document of a status; of a tool no worker has seen yet, one that says so."""
    if row.sequence is None:
        return _without_status(row, unit)
    quantiles = {"p10": row.p10, "p50": row.p50, "p90": row.p90}
    due = {"p10": row.due_p10, "p50": row.due_p50, "p90": row.due_p90}
    used_since = row.used_since
    ground: Any = None if row.ground is None else Fragment(row.ground)
    if planned is not None:
        quantiles = {name: planned.usage(amount) for name, amount in quantiles.items()}
        due = {name: planned.day(day, row.dates_on) for name, day in due.items()}
        used_since, ground = planned.usage(used_since), dict(planned.ground)
    return {
        "tool": row.tool,
        "tool_type": row.tool_type,
        "site": row.site,
        "wear_model": row.wear_model,
        "state": row.state,
        "unit": unit,
        "inspection": row.inspection_id,
        "inspected_at": row.inspected_at,
        "updated_at": row.updated_at,
        "sequence": row.sequence,
        "performance": {"retained": row.retained, "service_loss": row.service_loss},
        "remaining": {
            "basis": row.basis,
            "ground": ground,
            "governing": row.governing,
            **quantiles,
            "used_since": show_amount(used_since),
            "as_of": row.as_of,
            "campaign": campaign,
        },
        "due_on": due,
        "renew": Fragment(row.renew),
        "parts": Fragment(row.parts),
        "remarks": row.remarks,
    }


_NOTHING_KNOWN: dict[str, None] = dict.fromkeys(QUANTILES)


def _without_status(row: Status, unit: str) -> dict[str, Any]:
    basis, service_loss = row.type_facts or ("metres", None)
    return {
        "tool": row.tool,
        "tool_type": row.tool_type,
        "site": row.site,
        "wear_model": None,
        "state": "remeasure",
        "unit": unit,
        "inspection": None,
        "inspected_at": None,
        "updated_at": row.created_at,
        "sequence": 0,
        "performance": {"retained": None, "service_loss": service_loss},
        "remaining": {
            "basis": basis,
            "ground": None,
            "governing": None,
            **_NOTHING_KNOWN,
            "used_since": None,
            "as_of": None,
            "campaign": None,
        },
        "due_on": _NOTHING_KNOWN,
        "renew": [],
        "parts": [],
        "remarks": [NOT_INSPECTED],
    }
