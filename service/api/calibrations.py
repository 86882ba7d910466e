"""Calibrations: loss per mm and its shares fitted to services on record. Nothing is stored, nothing changes.

A record is one service: how much slower the hammer drilled before it than after (same rock, pressure and bit
condition), and how much wider each fit was before than after.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from service.access import requires
from service.api import fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, asks, gives, keyed, takes
from service.api.query import UnitQuery
from service.api.schema import Document, check, in_mm, in_unit
from service.faults import Fault, fault, pointer
from service.problems import Declined, Refused
from service.store.pool import Connection
from service.store.tool_types import Revision, get_revision
from worker.method.calibration import PRIOR_WEIGHT, SEPARABLE_FROM, LossCalibration, calibrate_loss

blueprint = Blueprint("calibrations", url_prefix="/v1/tool-types", description="Loss fitted to services on record")

MAX_RECORDS = 1_000
MAX_GROWTHS = 10_000  # in all: half a second where they are hard to tell apart
MAX_WEIGHT = 1e6


class RecordBody(Document):
    """One service."""

    growth = fields.Table(
        fields.Length(),
        required=True,
        most=500,
        metadata={"description": "By fit with a loss share: clearance before service less clearance after"},
    )
    loss = fields.Number(
        low=-1, high=1, required=True, metadata={"description": "1 - rate before service / rate after"}
    )
    weight = fields.Number(low=0, high=MAX_WEIGHT, metadata={"description": "Default 1"})


class CalibrationBody(Document):
    """The services to fit to; without any, the catalogue's own figures come out."""

    unit = fields.Unit(required=True)
    records = fields.ListOf(fields.Inner(RecordBody), required=True, most=MAX_RECORDS)
    fit_shares = fields.Flag(
        metadata={
            "description": f"Default: from {SEPARABLE_FROM} records on; fits wear together, few tell nothing apart"
        }
    )
    prior_weight = fields.Area(
        above=0,
        metadata={
            "description": "Pull towards the catalogue's figures, in the unit squared: variance of a record's loss "
            "over variance of a fit's loss per mm; default 0.0178 mm2"
        },
    )


class FitAnswer(Document):
    """What a fit contributes."""

    fit = fields.Name(required=True)
    loss_share = fields.Number(required=True)
    loss_per_mm = fields.Number(required=True, metadata={"description": "Of this fit alone"})
    prior_loss_share = fields.Number(required=True, metadata={"description": "The catalogue's"})


class CalibratedType(Document):
    """Whose figures were the prior."""

    code = fields.Name(required=True)
    revision = fields.Count(required=True)


class CalibrationAnswer(Document):
    """Figures for a revision of the catalogue that somebody may make, and what they rest on."""

    tool_type = fields.Inner(CalibratedType, required=True)
    unit = fields.Unit(required=True)
    loss_per_mm = fields.Number(required=True, metadata={"description": "Per mm whatever the unit"})
    prior_loss_per_mm = fields.Number(required=True, metadata={"description": "The catalogue's"})
    fits = fields.ListOf(fields.Inner(FitAnswer), required=True)
    shares_fitted = fields.Flag(required=True, metadata={"description": "Else the shares are the catalogue's"})
    prior_weight = fields.Area(required=True)
    records = fields.Count(required=True)
    residual_sd = fields.Number(allow_none=True, required=True, metadata={"description": "Of the loss"})
    leave_one_out = fields.Number(
        allow_none=True,
        required=True,
        metadata={"description": "Root mean square error of each record's loss foretold from all others"},
    )
    condition = fields.Number(
        allow_none=True,
        required=True,
        metadata={"description": "Of the growths; large or null (infinite): the fits cannot be told apart"},
    )


_BODY, _ANSWER = CalibrationBody(), CalibrationAnswer()


@blueprint.post("/<code>/calibrations")
@requires("read")
@asks(UnitQuery)
@takes(CalibrationBody, examples="calibration", checked=False)
@keyed()
@gives(200, CalibrationAnswer)
def calibrate_tool_type(conn: Connection, code: str, body: Any, query: dict[str, Any]) -> Answer:
    """Fit the loss per mm and its shares to services on record; the catalogue stays as it is."""
    revision = get_revision(conn, code)
    shares = _shares(revision)
    said = _read(body, shares)
    return answer(in_unit(_ANSWER, _fitted(revision, shares, said) | {"unit": query["unit"]}, query["unit"]))


def _shares(revision: Revision) -> dict[str, float]:
    shares = {fit["code"]: fit["loss_share"] for fit in revision.document["fits"] if fit["loss_share"] is not None}
    if not shares:
        raise Declined("no-loss-shares", f"no fit of {revision.code} has a loss_share to begin with")
    return shares


def _read(body: Any, shares: Mapping[str, float]) -> dict[str, Any]:
    """Return the body in mm, or refuse it with all its faults."""
    records = body.get("records") if isinstance(body, dict) else None
    records = records if isinstance(records, list) and len(records) <= MAX_RECORDS else []
    if len(records) * len(shares) > MAX_GROWTHS:
        words = f"must have at most {MAX_GROWTHS // len(shares)} records of {len(shares)} fits"
        raise Refused([fault("/records", "too-many", words)])
    read, found = check(_BODY, body)
    found += _unmatched(records, shares)
    if found:
        raise Refused(found)
    return in_mm(_BODY, read, read["unit"])


def _unmatched(records: Sequence[Any], shares: Mapping[str, float]) -> Iterator[Fault]:
    """Find growths of fits without a share, and fits without a growth."""
    for index, record in enumerate(records):
        growth = record.get("growth") if isinstance(record, dict) else None
        if isinstance(growth, dict):
            at = ("records", index, "growth")
            yield from (fault(pointer(*at, name), "required") for name in shares if name not in growth)
            words = "names no fit of the tool type that has a loss_share"
            yield from (fault(pointer(*at, name), "unknown-fit", words) for name in growth if name not in shares)


def _fitted(revision: Revision, shares: Mapping[str, float], said: Mapping[str, Any]) -> dict[str, Any]:
    records = said["records"]
    fit_shares = said.get("fit_shares", len(records) >= SEPARABLE_FROM)
    prior_weight = said.get("prior_weight", PRIOR_WEIGHT)
    prior_per_mm = revision.document["loss_per_mm"]
    found = calibrate_loss(
        np.array([[row["growth"][name] for name in shares] for row in records]),
        [row["loss"] for row in records],
        prior_per_mm,
        list(shares.values()),
        [row.get("weight", 1.0) for row in records],
        prior_weight,
        separable_from=0 if fit_shares else MAX_RECORDS + 1,
    )
    return {
        "tool_type": {"code": revision.code, "revision": revision.revision},
        "loss_per_mm": found.loss_per_mm,
        "prior_loss_per_mm": prior_per_mm,
        "fits": _fits(found, shares),
        "shares_fitted": found.shares_fitted,
        "prior_weight": prior_weight,
        "records": found.records,
        "residual_sd": found.residual_sd,
        "leave_one_out": found.leave_one_out,
        "condition": found.condition,
    }


def _fits(found: LossCalibration, shares: Mapping[str, float]) -> list[dict[str, Any]]:
    rows = zip(shares.items(), found.shares.tolist(), found.coefficients.tolist(), strict=True)
    return [
        {"fit": name, "loss_share": share, "loss_per_mm": per_mm, "prior_loss_share": prior}
        for (name, prior), share, per_mm in rows
    ]
