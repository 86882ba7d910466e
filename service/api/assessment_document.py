"""The assessment as clients see it: every field from the start, null where nothing is computed (yet).

Rendered from stored columns when read: lengths in the unit asked for, `remaining` at the ground asked for.
"""

from __future__ import annotations

from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import marshmallow as ma

from service import canonical
from service.api import fields
from service.api.before_closing import BEFORE_CLOSING, Confirmation, confirmations
from service.api.campaign import Campaign
from service.api.drawn_document import MonteCarlo
from service.api.ground_mix import Rescale
from service.api.remark_codes import REMARK_CODES
from service.api.schema import Document, in_unit
from service.api.size_document import VERDICTS, Size, size_document
from service.cautions import CAUTIONS
from service.store.assessments_read import AssessmentHead

TOOL_STATES = ("serviceable", "monitor", "service-due", "remeasure")
QUANTILES = ("p10", "p50", "p90")


class Leak(Document):
    """What the clearance leaks at the supply pressure."""

    mass_flow_kg_s = fields.Number()
    free_air_m3_min = fields.Number()
    share_of_delivery = fields.Number()
    standard_uncertainty_m3_min = fields.Number()
    regime = fields.Choice(("none", "laminar", "transitional", "turbulent", "nozzle"))
    choked = fields.Flag()


class Clearance(Document):
    """One fit: bore size less shaft size."""

    fit = fields.Name(required=True)
    position = fields.Count(low=1)
    mean = fields.Length()
    worst = fields.Length()
    smallest = fields.Length()
    clearance_for_leakage = fields.Length()
    standard_uncertainty = fields.Length()
    degrees_of_freedom = fields.Number(metadata={"description": "null: infinite"})
    expanded_uncertainty = fields.Length()
    coverage_factor = fields.Number()
    new = fields.Length()
    discard = fields.Length()
    consumed = fields.Number()
    probability_beyond = fields.Number(low=0, high=1)
    verdict = fields.Choice(VERDICTS, required=True)
    leak = fields.Inner(Leak)
    monte_carlo = fields.Inner(MonteCarlo, metadata={"description": "null: not asked for by ?check="})


class OffsetResult(Document):
    """A difference of two mean sizes, against the values it has to stay between."""

    offset = fields.Name(required=True)
    position = fields.Count(low=1)
    value = fields.Length()
    standard_uncertainty = fields.Length()
    probability_outside = fields.Number(low=0, high=1)
    verdict = fields.Choice(VERDICTS)


class CheckResult(Document):
    """What was answered to one question; checks come in their sequence."""

    check = fields.Name(required=True)
    part = fields.Name()
    stage = fields.Choice(canonical.STAGES)
    sequence = fields.Count(low=0)
    question = fields.Text()
    on_fail = fields.Choice(("monitor", "discard", "stop"))
    result = fields.Choice(("pass", "fail", "not-done"), required=True)
    verdict = fields.Choice(VERDICTS)
    note = fields.Text(longest=2000)


class FitLoss(Document):
    """What one fit contributes to the loss."""

    fit = fields.Name(required=True)
    loss = fields.Number()


class Observed(Document):
    """What the rates in the usage ledger say: those before this inspection against those of the tool as new.

    In like ground; the uncertainty is that of the scatter. The pressures are shown as they were observed: a fall
    that worn fits cause is part of what was lost.
    """

    retained = fields.Number(metadata={"description": "Rate over the rate as new"})
    standard_uncertainty = fields.Number()
    entries = fields.Count(low=1)
    baseline_entries = fields.Count(low=1)
    pressure_bar = fields.Number()
    baseline_pressure_bar = fields.Number()


class Performance(Document):
    """Lost performance by air starvation, as a share of new: an estimate from clearances, not a test."""

    loss = fields.Number(metadata={"description": "By the tier that `loss_model` says"})
    standard_uncertainty = fields.Number(metadata={"description": "From the clearances' alone"})
    loss_model = fields.Choice(("rule", "flow"))
    loss_by_rule = fields.Number()
    loss_by_flow = fields.Number()
    retained = fields.Number()
    service_loss = fields.Number()
    hammer_pressure_bar = fields.Number(metadata={"description": "To which the leaks let it fall"})
    consumption_m3_min = fields.Number(metadata={"description": "Of the tool as it is set, at the supply pressure"})
    by_fit = fields.ListOf(fields.Inner(FitLoss))
    observed = fields.Inner(Observed, metadata={"description": "null: no rates to compare"})


class Limit(Document):
    """Remaining usage to one limit, in the life basis; null beyond 10 times the catalogue life."""

    limit = fields.Text(required=True)
    p10 = fields.Number()
    p50 = fields.Number()
    p90 = fields.Number()
    probability_never = fields.Number(low=0, high=1)
    probability_beyond_now = fields.Number(low=0, high=1)


class Governing(Document):
    """The limit that is reached first, and the usage left to it."""

    limit = fields.Text(required=True)
    p10 = fields.Number()
    p50 = fields.Number()
    p90 = fields.Number()


class DueOn(Document):
    """Dates on which the governing limit is reached, by the usage of late; null: none in sight."""

    p10 = fields.Day()
    p50 = fields.Day()
    p90 = fields.Day()


class Remaining(Document):
    """Usage left to every limit, for the components as found."""

    basis = fields.Choice(("metres", "hours"), required=True)
    ground = fields.Table(fields.Number(low=0, high=1), metadata={"description": "Planned mix; null: not known"})
    limits = fields.ListOf(fields.Inner(Limit), required=True)
    governing = fields.Inner(Governing)
    campaign = fields.Inner(Campaign, metadata={"description": "null: not asked for"})
    due_on = fields.Inner(DueOn, required=True)


class PartVerdict(Document):
    """What is to be done with one component, and why."""

    part = fields.Name(required=True)
    component = fields.Name()
    position = fields.Count(low=1)
    verdict = fields.Choice(VERDICTS, required=True)
    reasons = fields.ListOf(fields.Text())


class Remark(Document):
    """What was assumed, missing or odd: what was seen, and what is proposed. Entries are never changed."""

    code = fields.Text(required=True, metadata={"description": "One of " + ", ".join(REMARK_CODES)})
    about = fields.Text()
    message = fields.Text(longest=2000)


class TypeRevision(Document):
    """The revision of the catalogue entry that was used."""

    code = fields.Name(required=True)
    revision = fields.Count(low=1, required=True)


class Assessment(Document):
    """What the readings of one inspection say."""

    inspection = ma.fields.UUID(required=True)
    inspection_version = fields.Count(low=1, required=True)
    version = fields.Count(low=1, required=True)
    inputs_as_of = fields.Moment(required=True)
    tool = fields.Name(required=True)
    reference = fields.Name(required=True)
    stage = fields.Choice(("as_found", "as_left"), required=True)
    taken_at = fields.Moment(required=True)
    computed_at = fields.Moment(required=True)
    method = fields.Text(required=True)
    tool_type = fields.Inner(TypeRevision, required=True)
    wear_model = fields.Count(metadata={"description": "Version of the learned parameters; null: the catalogue's"})
    unit = fields.Unit(required=True)
    state = fields.Choice(TOOL_STATES, required=True)
    sizes = fields.ListOf(fields.Inner(Size), required=True)
    clearances = fields.ListOf(fields.Inner(Clearance), required=True)
    offsets = fields.ListOf(fields.Inner(OffsetResult), required=True)
    checks = fields.ListOf(fields.Inner(CheckResult), required=True)
    before_closing = fields.ListOf(fields.Inner(Confirmation), required=True, metadata=BEFORE_CLOSING)
    performance = fields.Inner(Performance, metadata={"description": "null: a fit with a share has no clearance"})
    remaining = fields.Inner(Remaining, required=True)
    parts = fields.ListOf(fields.Inner(PartVerdict), required=True)
    remarks = fields.ListOf(fields.Inner(Remark), required=True)
    cautions = fields.ListOf(fields.Text(), required=True)


ASSESSMENT = Assessment()


def assessment_document(
    head: AssessmentHead,
    sizes: list[dict[str, Any]],
    clearances: list[dict[str, Any]],
    limits: list[dict[str, Any]],
    *,
    unit: str,
    planned: Rescale | None = None,
    campaign: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the document of a stored assessment.

    Parameters
    ----------
    head, sizes, clearances, limits
        As stored, [mm].
    unit : str
        Of the lengths in the document.
    planned : Rescale, optional
        To another ground mix than the tool's own.
    campaign : dict, optional
        The chances of getting through one, as `campaign_document` returns them.
    """
    document = {
        "inspection": head.inspection_id,
        "inspection_version": head.inspection_version,
        "version": head.version,
        "inputs_as_of": head.inputs_as_of,
        "tool": head.tool,
        "reference": head.reference,
        "stage": head.stage,
        "taken_at": head.taken_at,
        "computed_at": head.computed_at,
        "method": head.method,
        "tool_type": {"code": head.tool_type, "revision": head.revision},
        "wear_model": head.wear_model,
        "unit": unit,
        "state": head.state,
        "sizes": [size_document(row) for row in sizes],
        "clearances": [_clearance(row) for row in clearances],
        "offsets": [_OFFSET | row for row in head.offsets or []],
        "checks": [_CHECK | row for row in head.checks or []],
        "before_closing": confirmations(head.checks or []) if head.stage == "as_left" else [],
        "performance": _performance(head),
        "remaining": _remaining(head, limits, planned) | {"campaign": campaign},
        "parts": head.parts,
        "remarks": head.remarks or [],
        "cautions": CAUTIONS,
    }
    return in_unit(ASSESSMENT, document, unit)


_OFFSET = {
    "offset": None,
    "position": None,
    "value": None,
    "standard_uncertainty": None,
    "probability_outside": None,
}
_CHECK = dict.fromkeys(CheckResult._declared_fields)
#: Field of the document <- column.
_LEAK = {
    "mass_flow_kg_s": "leak_mass_flow_kg_s",
    "free_air_m3_min": "leak_free_air_m3_min",
    "share_of_delivery": "leak_share_of_delivery",
    "standard_uncertainty_m3_min": "leak_u_m3_min",
    "regime": "leak_regime",
    "choked": "leak_choked",
}


def _clearance(row: dict[str, Any]) -> dict[str, Any]:
    leak = {name: row[column] for name, column in _LEAK.items()}
    row = {name: value for name, value in row.items() if name not in _LEAK.values()}
    return row | {"leak": None if leak["mass_flow_kg_s"] is None else leak, "monte_carlo": None}


def _performance(head: AssessmentHead) -> dict[str, Any] | None:
    if head.loss is None:
        return None
    return {
        "loss": head.loss,
        "standard_uncertainty": head.loss_standard_uncertainty,
        "loss_model": head.loss_model,
        "loss_by_rule": head.loss_by_rule,
        "loss_by_flow": head.loss_by_flow,
        "retained": 1.0 - head.loss,
        "service_loss": head.service_loss,
        "hammer_pressure_bar": head.hammer_pressure_bar,
        "consumption_m3_min": head.consumption_m3_min,
        "by_fit": head.loss_by_fit,
        "observed": _observed(head),
    }


def _observed(head: AssessmentHead) -> dict[str, Any] | None:
    if head.observed_retained is None:
        return None
    return {
        "retained": head.observed_retained,
        "standard_uncertainty": head.observed_u,
        "entries": head.observed_entries,
        "baseline_entries": head.observed_baseline_entries,
        "pressure_bar": head.observed_pressure_bar,
        "baseline_pressure_bar": head.observed_baseline_pressure_bar,
    }


def _remaining(head: AssessmentHead, limits: list[dict[str, Any]], planned: Rescale | None) -> dict[str, Any]:
    due: dict[str, date | None] = {"p10": head.due_p10, "p50": head.due_p50, "p90": head.due_p90}
    if planned is not None:
        limits = [row | {name: planned.usage(row[name]) for name in QUANTILES} for row in limits]
        taken_on = head.taken_at and head.taken_at.astimezone(ZoneInfo(head.time_zone)).date()
        due = {name: planned.day(day, taken_on) for name, day in due.items()}
    governing = next((row for row in limits if row["limit"] == head.governing), None)
    return {
        "basis": head.basis,
        "ground": head.ground if planned is None else planned.ground,
        "limits": limits,
        "governing": governing and {name: governing[name] for name in ("limit", *QUANTILES)},
        "due_on": due,
    }
