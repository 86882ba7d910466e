"""Gauge studies: how much of a gauge's scatter is the gauge, how much the people; what is found becomes the gauge's."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any
from uuid import UUID

import numpy as np
from flask import Response

from service import units
from service.access import requires
from service.api import etag
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, asks, gives, keyed, takes
from service.api.gauge_study_document import StudyAnswer, StudyBody, StudyLine, StudyPage, read_study
from service.api.gauges import PageUnitQuery
from service.api.paging import page, read_cursor
from service.api.query import UnitQuery
from service.api.schema import in_unit
from service.store import gauge_studies as store
from service.store.errors import NotFound
from service.store.gauge_studies import NewSpreads, Study
from service.store.gauges import Gauge, get_gauge, lock_gauge
from service.store.pool import Connection, transaction
from worker.method.gauge_study import AnovaStudy, RangeStudy, analyse_ranges, analyse_variance

blueprint = Blueprint("gauge-studies", url_prefix="/v1/gauges", description="How much of a scatter is the gauge's")

_LINE, _ANSWER = StudyLine(), StudyAnswer()


@blueprint.post("/<serial>/studies")
@requires("catalogue")
@asks(UnitQuery)
@takes(StudyBody, examples="gauge-study", checked=False)
@keyed()
@gives(201, StudyAnswer, tagged=True, located=True)
def post_study(conn: Connection, serial: str, body: Any, query: dict[str, Any]) -> Answer:
    """Analyse a study of a gauge; its repeatability and reproducibility are the gauge's from now on.

    Inspections accepted before keep what they were assessed with.
    """
    said = read_study(body)
    gauge = lock_gauge(conn, serial)
    if gauge is None:
        raise NotFound("gauge", serial)
    return _answer(gauge, _add(conn, gauge, said), query["unit"], 201)


@blueprint.get("/<serial>/studies")
@requires("read", "catalogue")
@asks(PageUnitQuery)
@gives(200, StudyPage, paged=True)
def list_gauge_studies(serial: str, query: dict[str, Any]) -> Answer:
    """List the studies of a gauge in the order they were recorded."""
    after = read_cursor(query, UUID)
    with transaction() as conn:
        gauge = get_gauge(conn, serial)
        rows = store.list_studies(conn, gauge, after and after[0], query["limit"] + 1)
    unit = query["unit"]
    return page(
        rows, query, key=lambda row: [row.study_id], show=lambda row: in_unit(_LINE, _head(gauge, row, unit), unit)
    )


@blueprint.get("/<serial>/studies/<uuid:study_id>")
@requires("read", "catalogue")
@asks(UnitQuery)
@gives(200, StudyAnswer, tagged=True)
def get_gauge_study(serial: str, study_id: UUID, query: dict[str, Any]) -> Response:
    """Return a study with what was measured."""
    with transaction() as conn:
        gauge = get_gauge(conn, serial)
        study = store.get_study(conn, gauge, study_id)
    return etag.not_modified(etag.tag(1, query["unit"])) or _answer(gauge, study, query["unit"])


def _add(conn: Connection, gauge: Gauge, said: dict[str, Any]) -> Study:
    unit, tolerance = said["unit"], said["tolerance"]
    tolerance = None if tolerance is None else units.to_mm(tolerance, unit)
    measured = units.to_mm(np.array(said["measurements"], np.float64), unit)
    variance = analyse_variance(measured, said["pool_above"])
    results = _results(variance, analyse_ranges(measured), tolerance)
    spreads = NewSpreads(
        repeatability_sd=results["repeatability"]["sd"],
        repeatability_dof=results["repeatability"]["degrees_of_freedom"],
        reproducibility_sd=results["reproducibility"]["sd"],
        reproducibility_dof=results["reproducibility"]["degrees_of_freedom"],
    )
    return store.add_study(conn, gauge, said | {"tolerance": tolerance, "results": results}, spreads)


def _results(variance: AnovaStudy, ranges: RangeStudy, tolerance: float | None) -> dict[str, Any]:
    """Return the results as they are kept: in mm, null for what is not a number."""
    spreads = variance.spreads
    anova = {
        "sums_of_squares": variance.sums_of_squares,
        "degrees_of_freedom": variance.degrees_of_freedom,
        "mean_squares": variance.mean_squares,
        "variances": variance.variances,
        "f": {"part": variance.part_f, "appraiser": variance.appraiser_f},
        "interaction": {
            "f": variance.interaction_f,
            "p_value": variance.interaction_p,
            "pooled": variance.pooled,
            "standard_deviation": variance.interaction,
        },
        "standard_deviations": asdict(spreads),
        "distinct_categories": spreads.distinct_categories,
    }
    by_range = asdict(ranges.spreads) | {
        "mean_range": ranges.mean_range,
        "appraiser_range": ranges.appraiser_range,
        "part_range": ranges.part_range,
        "upper_range": ranges.upper_range,
        "percent_of_study": ranges.spreads.percent_of_study(),
    }
    found = {
        "repeatability": {"sd": spreads.repeatability, "degrees_of_freedom": variance.repeatability_dof},
        "reproducibility": {"sd": spreads.reproducibility, "degrees_of_freedom": variance.reproducibility_dof},
        "anova": anova,
        "average_and_range": by_range,
        "percent_of_study": spreads.percent_of_study(),
        "percent_contribution": spreads.percent_contribution(),
        "percent_of_tolerance": None if tolerance is None else spreads.percent_of_tolerance(tolerance),
    }
    return _finite(found)


def _finite(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _finite(item) for name, item in value.items()}
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _head(gauge: Gauge, study: Study, unit: str) -> dict[str, Any]:
    rows = study.measurements
    return study.results | {
        "id": study.study_id,
        "gauge": gauge.serial,
        "gauge_revision": study.gauge_revision,
        "recorded_at": study.recorded_at,
        "unit": unit,
        "tolerance": study.tolerance,
        "pool_above": study.pool_above,
        "parts": len(rows),
        "appraisers": len(rows[0]),
        "trials": len(rows[0][0]),
    }


def _answer(gauge: Gauge, study: Study, unit: str, status: int = 200) -> Answer:
    document = in_unit(_ANSWER, _head(gauge, study, unit), unit) | {"measurements": _measured(study, unit)}
    location = f"/v1/gauges/{gauge.serial}/studies/{study.study_id}" if status == 201 else None
    return answer(document, status, etag=etag.tag(1, unit), location=location)


def _measured(study: Study, unit: str) -> list[Any]:
    """Return the measurements in a unit, as sent where that is theirs."""
    if unit == study.unit:
        return study.measurements
    measured = units.to_mm(np.array(study.measurements, np.float64), study.unit)
    shown: list[Any] = units.from_mm(measured, unit).tolist()
    return shown
