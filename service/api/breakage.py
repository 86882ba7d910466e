"""The chance that no part breaks during a campaign: a risk beside wear, and told beside it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np

from service.api.build import build_at
from service.store.pool import Connection
from service.store.tools import Tool
from service.store.wear_models import get_wear_model
from worker.method.breakage import Weibull
from worker.method.remaining_life import USAGE_UNIT


def breakage_chances(
    conn: Connection, tool: Tool, version: int | None, at: datetime, campaign: float, until: datetime | None = None
) -> list[dict[str, Any]]:
    """Return the chances of a tool's components of getting through a campaign without breaking.

    Parameters
    ----------
    conn : Connection
    tool : Tool
    version : int or None
        Of the learned wear, which the breakages were learned with.
    at : datetime
        When the campaign begins: with the components of then.
    campaign : float
        Usage ahead, in the life basis.
    until : datetime, optional
        Of the usage, where it is later: of the inspection whose renewals the components are taken before.
    """
    found = get_wear_model(conn, tool.tool_type, version) if version else None
    lives = {row["part"]: row for row in found.document.get("breakage", ())} if found else {}
    if not lives:
        return []
    build = build_at(conn, tool, at, until)
    return [
        _chance(row, lives[row["part"]], build["basis"], campaign)
        for row in build["components"]
        if row["part"] in lives
    ]


def _chance(row: dict[str, Any], life: dict[str, Any], basis: str, campaign: float) -> dict[str, Any]:
    usage = row[basis] if row["usage_known"] else None
    probability = None
    if usage is not None:
        weibull = Weibull(life["shape"], life["scale"], life["log_likelihood"])
        probability = float(np.clip(weibull.survival_beyond(usage / USAGE_UNIT, campaign / USAGE_UNIT), 0.0, 1.0))
    names = ("part", "position", "component")
    return {name: row[name] for name in names} | {"usage": usage, "probability": probability}
