"""How the parts of a fleet break: a competing risk beside wear, learned part by part (forecast method, section 3).

Usage here is what was run, not weighted by ground: what breaks a part is not what wears it. A part that left for
another reason, or still runs, counts as not broken until then.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from service.store.columns import ALWAYS, NEVER, to_micros
from worker.fleet import Fleet
from worker.method.breakage import fit_weibull
from worker.mileage import Mileage, ToolRun
from worker.timeline import Stint

LEAST_BROKEN = 5
"""Fewer breakages of a part say too little of how they come with usage. Judgement."""


@dataclass(frozen=True, slots=True)
class Life:
    """What one component ran, [thousands of the basis], and whether it then broke."""

    part: str
    usage: float
    broke: bool


def learn_breakage(fleet: Fleet, broken: Iterable[tuple[int, str, int, datetime]]) -> list[dict[str, Any]]:
    """Weibull life of each part that broke often enough, as it is stored.

    Parameters
    ----------
    fleet : Fleet
    broken : iterable
        (tool, part, position, time) of the renewals of parts that broke.
    """
    ended = {(tool, part, position, to_micros(at)) for tool, part, position, at in broken}
    lives = _lives(fleet, ended) if len(ended) >= LEAST_BROKEN else []
    found = []
    for part in sorted({life.part for life in lives if life.broke}):
        usage = np.array([life.usage for life in lives if life.part == part])
        broke = np.array([life.broke for life in lives if life.part == part])
        if broke.sum() < LEAST_BROKEN or np.unique(usage[broke]).size < 2:
            continue
        life = fit_weibull(usage, broke)
        figures = {"shape": life.shape, "scale": life.scale, "log_likelihood": life.log_likelihood}
        found.append({"part": part, **figures, "components": len(usage), "broken": int(broke.sum())})
    return found


def _lives(fleet: Fleet, broken: set[tuple[int, str, int, int]]) -> list[Life]:
    """The lives of the components of a fleet's tools that have run; those of unknown usage are left out."""
    batch, tools = fleet.group.batch, set(fleet.group.tools)
    mileage = Mileage(batch, replace(fleet.layout.type, ground_factors={}))
    now = to_micros(batch.now)
    last: dict[int, Stint] = {}
    for stint in batch.timeline.stints:
        if stint.instance not in last or last[stint.instance].since < stint.since:
            last[stint.instance] = stint
    lives = []
    for stint in last.values():
        used = stint.with_tool and batch.tools[stint.tool_id].history == "unknown"
        if stint.tool_id not in tools or used or stint.since_us > now:
            continue
        ended = stint.until_us
        before, sure = mileage.before(stint)
        during, known = mileage.during(stint, min(ended, now, _last_known(mileage.of_tool(stint.tool_id))))
        if sure and known and before + during > 0.0:
            key = (stint.tool_id, *stint.place, ended)
            lives.append(Life(stint.place[0], before + during, ended != NEVER and key in broken))
    return lives


def _last_known(run: ToolRun) -> int:
    """Until when it is known what a tool ran: its last inspection, or its last usage on record."""
    return max(int(moments[-1]) if len(moments) else ALWAYS for moments in (run.record.marks, run.record.until))
