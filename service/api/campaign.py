"""``?campaign=H``: the probability of getting through that much more usage, for each limit and bounds for all.

Limits share parts, so their probabilities must not be multiplied; what can be said of all of them are bounds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from service.api import fields
from service.api.schema import Document
from service.store.pool import Connection
from service.store.wear_models import get_wear_model
from worker.method.first_passage import Gap
from worker.method.recalibration import Recalibration
from worker.method.remaining_life import survival, survival_bounds

GAP = ("gap", "gap_var", "drift", "drift_var", "gap_drift_cov", "diffusion")
LONGEST = 1e9


class CampaignLimit(Document):
    """One limit; null where nothing is known of it."""

    limit = fields.Text(required=True)
    probability = fields.Number(low=0, high=1, metadata={"description": "Of not reaching it"})


class CampaignBounds(Document):
    """Bounds of the probability that no limit is reached; no lower one where nothing is known of some limit."""

    at_least = fields.Number(low=0, high=1)
    at_most = fields.Number(low=0, high=1)


class BreakageChance(Document):
    """One component of a part whose breakages the fleet has told."""

    part = fields.Name(required=True)
    position = fields.Count(low=1, required=True)
    component = fields.Name()
    usage = fields.Number(metadata={"description": "It has run, in the life basis; null: not known"})
    probability = fields.Number(low=0, high=1, metadata={"description": "Of not breaking, whatever it wears"})


class Campaign(Document):
    """The chances of getting through more usage, asked with `campaign`."""

    usage = fields.Number(required=True, metadata={"description": "In the life basis"})
    limits = fields.ListOf(fields.Inner(CampaignLimit), required=True)
    all = fields.Inner(CampaignBounds, required=True)
    breakage = fields.ListOf(
        fields.Inner(BreakageChance),
        required=True,
        metadata={"description": "Of parts that are known to break; wear and breaking are told apart"},
    )


def campaign_field() -> fields.Number:
    """The query parameter."""
    words = "Usage to get through, in the life basis: adds the probabilities to `remaining.campaign`"
    return fields.Number(above=0, high=LONGEST, metadata={"description": words})


def recalibrations(conn: Connection, tool_type: str, version: int | None) -> dict[str, Recalibration]:
    """Return the corrections that a learned version makes, of limits on one feature (`own`) and on several (`sums`)."""
    found = get_wear_model(conn, tool_type, version) if version else None
    groups = found.document["recalibration"] if found else {}
    return {
        name: Recalibration(np.array(row["nominal"]), np.array(row["level"]), row["forecasts"])
        for name, row in groups.items()
        if row["applied"]
    }


def campaign_document(
    limits: Sequence[Mapping[str, Any]],
    campaign: float,
    corrections: Mapping[str, Recalibration],
    used_since: float = 0.0,
    ratio: float = 1.0,
    breakage: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Return the chances of getting through a campaign.

    Parameters
    ----------
    limits : sequence of mapping
        Rows with the first-passage model of each limit, per 1000 of the life basis in the stored ground.
    campaign : float
        Usage ahead, in the life basis in the ground asked for.
    corrections : mapping
        As `recalibrations` returns them.
    used_since : float
        Usage since the model's moment, in the stored ground.
    ratio : float
        Remaining usage in the ground asked for over that in the stored one.
    breakage : sequence of mapping
        As `breakage_chances` returns them.
    """
    columns = (np.array([np.nan if row[name] is None else row[name] for row in limits], np.float64) for name in GAP)
    through = survival(Gap(*columns), used_since + campaign / ratio)
    for n, row in enumerate(limits):
        correction = corrections.get("own" if row["limit"].startswith("feature:") else "sums")
        if correction is not None:
            through[n] = 1.0 - float(correction.probability(1.0 - through[n]))
    through = np.clip(through, 0.0, 1.0)
    at_least, at_most = survival_bounds(through)
    return {
        "usage": campaign,
        "limits": [
            {"limit": row["limit"], "probability": float(p)} for row, p in zip(limits, through.tolist(), strict=True)
        ],
        "all": {"at_least": float(at_least), "at_most": float(at_most)},
        "breakage": list(breakage),
    }
