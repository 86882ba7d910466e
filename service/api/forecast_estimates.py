"""Forecast estimates: from measured wear to the usage left, without a tool. Nothing is stored."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.access import requires
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, gives, keyed, takes
from service.api.forecast_document import Case, CasesBody, Feature, ForecastsAnswer, last_usage, read_cases
from worker.method.first_passage import Gap, already_beyond, reached
from worker.method.passage_never import never_reached
from worker.method.passage_quantile import quantiles_between
from worker.method.wear_filter import filter_wear
from worker.method.wear_limits import combine
from worker.method.wear_state import WearStates, prior_states, propagate

blueprint = Blueprint("forecast-estimates", url_prefix="/v1/forecast-estimates", description="Usage left to a limit")

Floats = NDArray[np.float64]
QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
STATE = ("level", "rate", "level_variance", "covariance", "rate_variance")


@blueprint.post("")
@requires("read")
@takes(CasesBody, examples="forecast-estimates", checked=False)
@keyed()
@gives(200, ForecastsAnswer)
def estimate_forecasts(body: Any) -> Answer:
    """Estimate how much usage is left until weighted sums of wear reach their limits.

    Wear grows at a rate of its own and wanders; both are learned from the observations. Any consistent units.
    """
    cases = read_cases(body)
    return answer({"cases": _forecasts(cases) if cases else []})


def _forecasts(cases: Sequence[Case]) -> list[dict[str, Any]]:
    features = [feature for case in cases for feature in case.features]
    states = _states(features)
    gap = _gaps(cases, features, states)
    beyond, never = already_beyond(gap), never_reached(gap)
    quantiles = quantiles_between(gap, list(QUANTILES.values()), beyond, never)
    rows = [dict(zip(STATE, row, strict=True)) for row in np.stack(states.columns(), axis=-1).tolist()]
    parts = (
        _split(rows, (len(case.features) for case in cases)),
        quantiles.tolist(),  # not reached: infinite, null in JSON
        beyond.tolist(),
        (1.0 - never).tolist(),
        _split(_reached(cases, gap).tolist(), (len(case.horizons or ()) for case in cases)),
    )
    return [
        {
            "features": wear,
            **dict(zip(QUANTILES, points, strict=True)),
            "probability_beyond_now": now,
            "probability_ever": ever,
            "reached": within,
        }
        for wear, points, now, ever, within in zip(*parts, strict=True)
    ]


def _states(features: Sequence[Feature]) -> WearStates:
    """Return the wear of features at their `usage_now`, shape (features,)."""
    counts = np.array([len(row.observations or ()) for row in features])
    observed = np.array(
        [(seen.usage, seen.wear, seen.standard_uncertainty) for row in features for seen in row.observations or ()]
    ).reshape(-1, 3)
    order = np.lexsort((observed[:, 0], np.repeat(np.arange(counts.size), counts)))
    start = prior_states(
        _column(row.start.mean for row in features),
        _column(row.start.sd for row in features) ** 2,
        _column(row.rate.mean for row in features),
        _column(row.rate.sd for row in features) ** 2,
    )
    diffusion = _column(row.process_sd for row in features) ** 2
    after = filter_wear(start, 0.0, diffusion, counts, *observed[order].T).states
    measured = counts > 0
    columns = np.stack(start.columns())
    columns[:, measured] = np.stack(after.columns())[:, (np.cumsum(counts) - 1)[measured]]
    columns[[2, 4]] = np.maximum(columns[[2, 4]], 0.0)  # what is left of a variance may be less than nothing by a digit
    since = _column(0.0 if row.usage_now is None else row.usage_now - last_usage(row) for row in features)
    return propagate(WearStates(*columns), since, diffusion)


def _gaps(cases: Sequence[Case], features: Sequence[Feature], states: WearStates) -> Gap:
    """Return the gap of each case, shape (cases,); cases with fewer features get slots that weigh nothing."""
    counts = np.array([len(case.features) for case in cases])
    slots = np.arange(counts.max()) < counts[:, None]

    def table(column: Floats) -> Floats:
        filled = np.zeros(slots.shape)
        filled[slots] = column
        return filled

    gap = combine(
        table(_column(row.coefficient for row in features))[:, None, :],
        _column(case.limit for case in cases)[:, None],
        WearStates(*(table(column) for column in states.columns())),
        table(_column(row.process_sd for row in features) ** 2),
        table(_column(1.0 if row.drift_scale is None else row.drift_scale for row in features)),
        _column(case.slope_correlation or 0.0 for case in cases)[:, None],
    )
    return Gap(*(column[:, 0] for column in gap.columns()))


def _reached(cases: Sequence[Case], gap: Gap) -> Floats:
    """Return the probabilities of all horizons of all cases, one after the other."""
    case = np.repeat(np.arange(len(cases)), [len(case.horizons or ()) for case in cases])
    horizons = _column(usage for case in cases for usage in case.horizons or ())
    return reached(Gap(*(column[case] for column in gap.columns())), horizons)


def _column(values: Iterable[float]) -> Floats:
    return np.fromiter(values, np.float64)


def _split(rows: Sequence[Any], counts: Iterable[int]) -> list[Sequence[Any]]:
    """Return consecutive rows in groups of the given sizes."""
    sizes = list(counts)
    return [rows[end - size : end] for size, end in zip(sizes, accumulate(sizes), strict=True)]
