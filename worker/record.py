"""How a fleet's past forecasts turned out, and what that corrects (forecast method, section 7)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.store.columns import to_time
from worker.corrections import learn_corrections, learned_model
from worker.fleet import Fleet, sample
from worker.method.backtest import calibration, crps, line_score, pinball, skill, transform
from worker.method.outcomes import Outcomes
from worker.method.passage_quantile import quantiles
from worker.method.recalibration import Recalibration, learn_recalibration, trust_in
from worker.method.remaining_life import QUANTILES, USAGE_UNIT
from worker.origins import HORIZON_LIVES, Origins, follow, thinned
from worker.wear_model import WearModel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SEED = 7245304
MOST_TOOLS = 200
"""Tools whose history is gone through again: enough to know coverage to a hundredth or two."""
EPOCHS = 4
"""Parameters are learned anew at this many dates of the history, the first being the catalogue's."""


@dataclass(frozen=True, slots=True)
class Record:
    """A record as it is stored, and the recalibration that follows from it, by group."""

    document: dict[str, Any]
    recalibration: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Scored:
    """Everything scored of some forecasts, shape (n,)."""

    tool: Ints
    sums: NDArray[np.bool_]
    learned: NDArray[np.bool_]
    drawn: NDArray[np.bool_]
    pit: Floats
    pit_corrected: Floats
    scores: dict[str, Floats]


def score_history(fleet: Fleet) -> Record:
    """Go through a fleet's history again and score what would have been forecast.

    Parameters
    ----------
    fleet : Fleet

    Returns
    -------
    Record
        Of at most `MOST_TOOLS` tools, drawn with a fixed seed.
    """
    rng = np.random.default_rng(SEED)
    every = np.unique(fleet.group.rows.tool)
    chosen = np.sort(rng.permutation(every)[:MOST_TOOLS])
    part = fleet if len(chosen) == len(every) else sample(fleet, chosen)
    starts, models = _epochs(part)
    origins = follow(part, models, starts, rng)
    own = len(fleet.layout.limit_slots)
    kept = [thinned(one, len(origins), rng) for one in origins]
    pits = [transform(one.gap, one.outcomes, rng) for one in kept]
    begun = starts[0] if starts.size else np.inf
    corrections = learn_corrections(part, rng)
    scored = [
        _score(one, pit, n >= own, begun, rng, _crossed(kept, pits, own, n, begun))
        for n, (one, pit) in enumerate(zip(kept, pits, strict=True))
    ]
    document = _document(fleet, kept, scored, len(every)) | {"recalibration": corrections}
    return Record(document, corrections)


def _epochs(fleet: Fleet) -> tuple[Floats, list[WearModel | None]]:
    """When each epoch but the first begins, and the parameters of each: learned from what was read before."""
    moments = fleet.moments(np.arange(len(fleet.series.number)))
    if not len(moments):
        return np.zeros(0), [None]
    starts = np.unique(np.quantile(moments, np.arange(1, EPOCHS) / EPOCHS))
    models: list[WearModel | None] = [None]
    for start in starts.tolist():
        models.append(learned_model(fleet, int(start)))
    return starts, models


def _crossed(origins: list[Origins], pits: list[Floats], own: int, n: int, begun: float) -> tuple[Recalibration, ...]:
    """Corrections for one limit's tools of even and of odd number, each learned from the others."""
    mine = range(own) if n < own else range(own, len(origins))
    maps = []
    for parity in (0, 1):
        others = [(origins[m].tool % 2 != parity) & (origins[m].moment >= begun) for m in mine]
        pit = np.concatenate([pits[m][mask] for m, mask in zip(mine, others, strict=True)])
        tool = np.concatenate([origins[m].tool[mask] for m, mask in zip(mine, others, strict=True)])
        maps.append(learn_recalibration(pit, trust_in(pit, tool)))
    return tuple(maps)


def _score(
    one: Origins, pit: Floats, sums: bool, begun: float, rng: np.random.Generator, maps: tuple[Recalibration, ...]
) -> _Scored:
    """Score one limit's forecasts, raw and corrected."""
    n = len(one.tool)
    odd = one.tool % 2 == 1
    corrected = np.where(odd, maps[1].probability(pit), maps[0].probability(pit))
    truth = np.minimum(one.outcomes.point, one.horizon)
    scores = {
        "line": line_score(one.line, one.outcomes, one.horizon),
        "weighted_line": line_score(one.weighted_line, one.outcomes, one.horizon),
    }
    known = Outcomes(one.outcomes.point, one.outcomes.point, one.outcomes.point)
    for name, pair in (("raw", None), ("corrected", maps)):
        scores[f"crps {name}"] = np.empty(n)
        levels = np.tile(QUANTILES, (n, 1))
        for parity in (0, 1):
            here = np.flatnonzero(odd == bool(parity))
            recalibration = None if pair is None else pair[parity]
            gap = type(one.gap)(*(column[here] for column in one.gap.columns()))
            scores[f"crps {name}"][here] = crps(gap, known.at(here), one.horizon, recalibration)
            asked = QUANTILES if recalibration is None else recalibration.levels(QUANTILES)
            levels[here] = np.minimum(quantiles(gap, asked) * USAGE_UNIT, one.horizon)
        for column, p in enumerate(QUANTILES):
            scores[f"p{p * 100:.0f} {name}"] = pinball(truth, levels[:, column], p)
        scores[f"median {name}"] = np.abs(levels[:, 1] - truth)
    return _Scored(one.tool, np.full(n, sums), one.moment >= begun, one.drawn, pit, corrected, scores)


def _document(fleet: Fleet, origins: list[Origins], scored: list[_Scored], in_fleet: int) -> dict[str, Any]:
    whole = _join(scored)
    times = np.concatenate([one.moment for one in origins] or [np.zeros(0, np.int64)])
    limits = fleet.layout.limit_names
    ends = [to_time(int(t)) for t in (times.min(), times.max())] if times.size else [None, None]
    masks = {
        "all": np.ones(len(whole.tool), np.bool_),
        "own": ~whole.sums,
        "sums": whole.sums,
        "before_learning": ~whole.learned,
        "after_learning": whole.learned,
    }
    return {
        "basis": fleet.layout.type.life_basis,
        "horizon_lives": HORIZON_LIVES,
        "tools": len(np.unique(whole.tool)),
        "tools_in_fleet": in_fleet,
        "limits": list(limits),
        "forecasts": len(whole.tool),
        "outcomes_seen": int((~whole.drawn).sum()),
        "from": ends[0] and ends[0].isoformat(),
        "until": ends[1] and ends[1].isoformat(),
        "groups": [_group(name, whole, mask) for name, mask in masks.items()],
    }


def _join(scored: list[_Scored]) -> _Scored:
    names = scored[0].scores.keys() if scored else ()
    columns = [
        np.concatenate([getattr(one, name) for one in scored] or [np.zeros(0)])
        for name in ("tool", "sums", "learned", "drawn", "pit", "pit_corrected")
    ]
    scores = {name: np.concatenate([one.scores[name] for one in scored]) for name in names}
    tool, sums, learned, drawn, pit, corrected = columns
    return _Scored(
        tool.astype(np.int64), sums.astype(bool), learned.astype(bool), drawn.astype(bool), pit, corrected, scores
    )


def _group(name: str, whole: _Scored, mask: NDArray[np.bool_]) -> dict[str, Any]:
    return {
        "group": name,
        "forecasts": int(mask.sum()),
        "raw": _kept(whole, mask, "raw", whole.pit),
        "recalibrated": _kept(whole, mask, "corrected", whole.pit_corrected),
    }


def _kept(whole: _Scored, mask: NDArray[np.bool_], name: str, pit: Floats) -> dict[str, Any] | None:
    """How one kind of forecast kept its promise; None without any."""
    if not mask.any():
        return None
    found = calibration(pit[mask], whole.tool[mask], np.random.default_rng(SEED))
    scores = {key: score[mask] for key, score in whole.scores.items()}
    return {
        "coverage": found.coverage,
        "coverage_band": list(found.band),
        "below_p10": found.below,
        "above_p90": found.above,
        "pit_histogram": found.histogram.tolist(),
        "pinball": {f"p{p * 100:.0f}": float(scores[f"p{p * 100:.0f} {name}"].mean()) for p in QUANTILES},
        "crps": float(scores[f"crps {name}"].mean()),
        "median_error": float(scores[f"median {name}"].mean()),
        "skill": {
            f"{kind}_against_{line}": _number(skill(scores[f"{kind} {name}"], scores[line]))
            for kind in ("crps", "median")
            for line in ("line", "weighted_line")
        },
    }


def _number(value: float) -> float | None:
    return value if np.isfinite(value) else None
