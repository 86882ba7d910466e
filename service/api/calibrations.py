"""Calibrations: loss per mm and its shares fitted to services. Nothing is stored, nothing changes.

A record is one service: how much slower the hammer drilled before it than after (same rock, pressure and bit
condition), and how much wider each fit was before than after. Records come with the request, or are what the fleet has
on record: rates of the usage ledger around changes of parts, and what was measured then.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import marshmallow as ma
import numpy as np
from numpy.typing import NDArray

from service import access
from service.access import requires
from service.api import fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, asks, gives, keyed, takes
from service.api.query import UnitQuery
from service.api.schema import Document, check, in_mm, in_unit
from service.api.service_records import AROUND, WITHIN, gather, shared_fits, sides
from service.catalogue import from_document
from service.faults import Fault, fault, pointer
from service.problems import Declined, Refused
from service.store.pool import Connection
from service.store.services import ServiceRow, Wanted, list_services
from service.store.tool_types import Revision, get_revision
from worker.method.calibration import PRIOR_WEIGHT, SEPARABLE_FROM, SIGMA_LOSS, LossCalibration, calibrate_loss
from worker.method.observed_rate import ground_drilled
from worker.method.service_losses import ServiceLosses, service_losses

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
    """The services to fit to: `records`, else those on record. Without any the catalogue's own figures come out."""

    unit = fields.Unit(metadata={"description": "Required with `records` or `prior_weight`"})
    records = fields.ListOf(
        fields.Inner(RecordBody),
        most=MAX_RECORDS,
        metadata={"description": "Left out: services of the fleet, by the usage ledger and the inspections"},
    )
    site = fields.Name(metadata={"description": "Of services on record: only of this site's tools"})
    since = fields.Moment(data_key="from", metadata={"description": "Of services on record: inspected from then on"})
    until = fields.Moment(data_key="to", metadata={"description": "Of services on record: inspected before"})
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
    standard_uncertainty_per_mm = fields.Number(required=True)
    prior_loss_share = fields.Number(required=True, metadata={"description": "The catalogue's"})


class ServiceAnswer(Document):
    """A service on record as it was used."""

    inspection = ma.fields.UUID(required=True, metadata={"description": "Before it, as found"})
    tool = fields.Name(required=True)
    taken_at = fields.Moment(required=True)
    growth = fields.Table(fields.Length(), required=True, metadata={"description": "By fit, between the rates"})
    loss = fields.Number(required=True, metadata={"description": "1 - rate before / rate after, in like ground"})
    standard_uncertainty = fields.Number(required=True, metadata={"description": "Of the loss, by scatter of rates"})
    weight = fields.Number(required=True, metadata={"description": "1 for a standard uncertainty of 0.04"})
    rates_before = fields.Count(required=True)
    rates_after = fields.Count(required=True)


class LeftOut(Document):
    """Services on record that could not be used, by why."""

    not_measured = fields.Count(required=True, metadata={"description": "A part changed has no size before or after"})
    no_rates = fields.Count(required=True, metadata={"description": "No ground with rates on both sides"})
    pressure_differs = fields.Count(required=True, metadata={"description": "By more than a quarter"})


class CalibratedType(Document):
    """Whose figures were the prior."""

    code = fields.Name(required=True)
    revision = fields.Count(required=True)


class CalibrationAnswer(Document):
    """Figures for a revision of the catalogue that somebody may make, and what they rest on."""

    tool_type = fields.Inner(CalibratedType, required=True)
    unit = fields.Unit(required=True)
    loss_per_mm = fields.Number(required=True, metadata={"description": "Per mm whatever the unit"})
    standard_uncertainty_per_mm = fields.Number(
        required=True, metadata={"description": "Of `loss_per_mm`; shares that were not fitted count as true"}
    )
    prior_loss_per_mm = fields.Number(required=True, metadata={"description": "The catalogue's"})
    fits = fields.ListOf(fields.Inner(FitAnswer), required=True)
    shares_fitted = fields.Flag(required=True, metadata={"description": "Else the shares are the catalogue's"})
    prior_weight = fields.Area(required=True)
    records = fields.Count(required=True)
    services = fields.ListOf(
        fields.Inner(ServiceAnswer),
        allow_none=True,
        required=True,
        metadata={"description": "On record, newest first; null where records came with the request"},
    )
    left_out = fields.Inner(LeftOut, allow_none=True, required=True)
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
@takes(CalibrationBody, examples=("calibration", "calibration-of-fleet"), checked=False)
@keyed()
@gives(200, CalibrationAnswer)
def calibrate_tool_type(conn: Connection, code: str, body: Any, query: dict[str, Any]) -> Answer:
    """Fit the loss per mm and its shares to services; the catalogue stays as it is.

    Rates say nothing of the bit: leave out times when it was worn out, or fit to records of your own.
    """
    revision = get_revision(conn, code)
    shares = _shares(revision)
    said = _read(body, shares)
    if "records" in said:
        records, shown = _sent_records(said["records"], shares), {"services": None, "left_out": None}
    else:
        records, shown = _records_of_fleet(conn, revision, said)
    found = _fitted(revision, shares, said, records) | shown
    return answer(in_unit(_ANSWER, found | {"unit": query["unit"]}, query["unit"]))


def _shares(revision: Revision) -> dict[str, float]:
    shares = {fit["code"]: fit["loss_share"] for fit in revision.document["fits"] if fit["loss_share"] is not None}
    if not shares:
        raise Declined("no-loss-shares", f"no fit of {revision.code} has a loss_share to begin with")
    return shares


def _read(body: Any, shares: Mapping[str, float]) -> dict[str, Any]:
    """Return the body in mm, or refuse it with all its faults."""
    sent = body.get("records") if isinstance(body, dict) else None
    records = sent if isinstance(sent, list) and len(sent) <= MAX_RECORDS else []
    if len(records) * len(shares) > MAX_GROWTHS:
        words = f"must have at most {MAX_GROWTHS // len(shares)} records of {len(shares)} fits"
        raise Refused([fault("/records", "too-many", words)])
    read, found = check(_BODY, body)
    found += _unmatched(records, shares)
    if isinstance(body, dict):
        if body.get("unit") is None and (sent is not None or body.get("prior_weight") is not None):
            found.append(fault("/unit", "required"))
        words = "goes with services on record, not with records sent"
        of_fleet = [name for name in ("site", "from", "to") if sent is not None and body.get(name) is not None]
        found += [fault(pointer(name), "invalid", words) for name in of_fleet]
    if "since" in read and "until" in read and read["until"] <= read["since"]:
        found.append(fault("/to", "bad-interval"))
    if found:
        raise Refused(found)
    return in_mm(_BODY, read, read.get("unit", "mm"))


def _unmatched(records: Sequence[Any], shares: Mapping[str, float]) -> Iterator[Fault]:
    """Find growths of fits without a share, and fits without a growth."""
    for index, record in enumerate(records):
        growth = record.get("growth") if isinstance(record, dict) else None
        if isinstance(growth, dict):
            at = ("records", index, "growth")
            yield from (fault(pointer(*at, name), "required") for name in shares if name not in growth)
            words = "names no fit of the tool type that has a loss_share"
            yield from (fault(pointer(*at, name), "unknown-fit", words) for name in growth if name not in shares)


@dataclass(frozen=True, slots=True)
class Records:
    """What is fitted to: growth of shape (n, F) in mm, loss and weight of shape (n,)."""

    growth: NDArray[np.float64]
    loss: NDArray[np.float64]
    weight: NDArray[np.float64]


def _sent_records(records: Sequence[Mapping[str, Any]], shares: Mapping[str, float]) -> Records:
    return Records(
        np.array([[row["growth"][name] for name in shares] for row in records]),
        np.array([row["loss"] for row in records], np.float64),
        np.array([row.get("weight", 1.0) for row in records], np.float64),
    )


def _records_of_fleet(conn: Connection, revision: Revision, said: Mapping[str, Any]) -> tuple[Records, dict[str, Any]]:
    """Services on record, and what the answer says of them."""
    kind = from_document(revision.code, revision.revision, revision.document)
    fits = shared_fits(kind)
    limits = {name: said.get(name) for name in ("site", "since", "until")} | {"site_id": access.current().site_id}
    wanted = Wanted(
        tool_type_id=revision.tool_type_id,
        parts=sorted({side.partition(".")[0] for side in sides(fits)}),
        features=sides(fits),
        within=WITHIN,
        around=AROUND,
        limit=min(MAX_RECORDS, MAX_GROWTHS // len(fits)),
        **limits,
    )
    rates = gather(kind, list_services(conn, wanted), ground_drilled)
    number = {name: n for n, name in enumerate(sorted(set(rates.ground)))}
    found = service_losses(
        rates.service,
        [number[name] for name in rates.ground],
        rates.after,
        rates.rate,
        rates.pressure,
        np.array(rates.clearance).reshape(len(rates.service), len(fits)),
        len(rates.services),
    )
    kept = np.isfinite(found.loss) & found.same_pressure
    prior = kind.loss_per_mm * np.array([fit.loss_share for fit in fits])
    by_growth = np.square(np.array(rates.growth_u).reshape(-1, len(fits)) * prior).sum(axis=1)
    weight = SIGMA_LOSS**2 / (np.square(found.loss_u) + by_growth)
    left_out = {
        "not_measured": rates.left_out["not-measured"],
        "no_rates": int(np.count_nonzero(~np.isfinite(found.loss))),
        "pressure_differs": int(np.count_nonzero(~found.same_pressure)),
    }
    names = [fit.code for fit in fits]
    services = [_shown(rates.services[n], names, found, n, weight[n]) for n in np.flatnonzero(kept).tolist()]
    records = Records(found.growth[kept], found.loss[kept], weight[kept])
    return records, {"services": services, "left_out": left_out}


def _shown(service: ServiceRow, names: Sequence[str], found: ServiceLosses, n: int, weight: float) -> dict[str, Any]:
    return {
        "inspection": service.inspection_id,
        "tool": service.tool,
        "taken_at": service.taken_at,
        "growth": dict(zip(names, found.growth[n].tolist(), strict=True)),
        "loss": float(found.loss[n]),
        "standard_uncertainty": float(found.loss_u[n]),
        "weight": float(weight),
        "rates_before": int(found.before[n]),
        "rates_after": int(found.after[n]),
    }


def _fitted(
    revision: Revision, shares: Mapping[str, float], said: Mapping[str, Any], records: Records
) -> dict[str, Any]:
    count = len(records.loss)
    fit_shares = said.get("fit_shares", count >= SEPARABLE_FROM)
    prior_weight = said.get("prior_weight", PRIOR_WEIGHT)
    prior_per_mm = revision.document["loss_per_mm"]
    found = calibrate_loss(
        records.growth,
        records.loss,
        prior_per_mm,
        list(shares.values()),
        records.weight,
        prior_weight,
        separable_from=0 if fit_shares else MAX_RECORDS + 1,
    )
    return {
        "tool_type": {"code": revision.code, "revision": revision.revision},
        "loss_per_mm": found.loss_per_mm,
        "standard_uncertainty_per_mm": found.loss_per_mm_u,
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
    columns = (found.shares.tolist(), found.coefficients.tolist(), found.coefficients_u.tolist())
    return [
        {
            "fit": name,
            "loss_share": share,
            "loss_per_mm": per_mm,
            "standard_uncertainty_per_mm": u,
            "prior_loss_share": prior,
        }
        for (name, prior), share, per_mm, u in zip(shares.items(), *columns, strict=True)
    ]
