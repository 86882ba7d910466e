"""The outlook: wear, clearances and performance against usage to come, with bands, as figures or as a picture."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson
from flask import Response
from numpy.typing import NDArray
from scipy.special import ndtri

from service import access, faults
from service.access import requires
from service.api import fields
from service.api.answers import accepted, answer
from service.api.blueprint import Blueprint, asks, gives, refuses
from service.api.campaign import GAP, recalibrations
from service.api.ground_mix import GroundMix, Rescale, rescale, show_amount
from service.api.query import UnitQuery
from service.api.schema import Document, in_unit
from service.catalogue import ToolType, from_document
from service.problems import Declined, Refused
from service.report.outlook_picture import draw_outlook
from service.store import status_read
from service.store.assessments_read import get_ground_factors
from service.store.errors import NotFound
from service.store.pool import transaction
from service.store.tool_types import get_revision
from worker.method.first_passage import Gap, reached
from worker.method.recalibration import Recalibration
from worker.method.remaining_life import USAGE_UNIT

blueprint = Blueprint("outlook", url_prefix="/v1/tools/<tool>/outlook", description="What is to come, ready to plot")

SVG = "image/svg+xml"
POINTS = 41
LONGEST = 1e9
DEFAULT_AHEAD = 2000.0
BAND = ndtri(0.9)
Floats = NDArray[np.float64]
_room = threading.BoundedSemaphore(2)  # a picture takes a third of a second of a processor
_WAIT_S = 2.0


class Ahead(Document):
    """One line: quantiles at each usage, and the probability that its limit has been reached by then."""

    limit = fields.Text(required=True)
    position = fields.Count(low=1)
    reached = fields.ListOf(fields.Number(low=0, high=1))


class WearAhead(Ahead):
    """Wear of one feature from the middle of new."""

    feature = fields.FeatureName(required=True)
    allowed = fields.Length(metadata={"description": "Wear at discard"})
    p10 = fields.ListOf(fields.Length())
    p50 = fields.ListOf(fields.Length())
    p90 = fields.ListOf(fields.Length())


class ClearanceAhead(Ahead):
    """Clearance of one fit."""

    fit = fields.Name(required=True)
    discard = fields.Length()
    p10 = fields.ListOf(fields.Length())
    p50 = fields.ListOf(fields.Length())
    p90 = fields.ListOf(fields.Length())


class PerformanceAhead(Ahead):
    """Performance retained."""

    service = fields.Number(metadata={"description": "Retained when service is due"})
    p10 = fields.ListOf(fields.Number())
    p50 = fields.ListOf(fields.Number())
    p90 = fields.ListOf(fields.Number())


class Outlook(Document):
    """Quantiles of what is to come, of the components now fitted, at evenly spaced usages from now."""

    tool = fields.Name(required=True)
    tool_type = fields.Name(required=True)
    site = fields.Name(required=True)
    unit = fields.Unit(required=True)
    wear_model = fields.Count()
    basis = fields.Choice(("metres", "hours"), required=True)
    ground = fields.Table(fields.Number(low=0, high=1), metadata={"description": "Planned mix; null: not known"})
    as_of = fields.Moment()
    used_since = fields.Number()
    usage = fields.ListOf(fields.Number(), required=True, metadata={"description": "Ahead, in the life basis"})
    wear = fields.ListOf(fields.Inner(WearAhead), required=True)
    clearances = fields.ListOf(fields.Inner(ClearanceAhead), required=True)
    performance = fields.Inner(PerformanceAhead)


class OutlookQuery(UnitQuery):
    """How far, and in which ground."""

    metres = fields.Number(above=0, high=LONGEST, metadata={"description": "How far; default: the type's campaign"})
    hours = fields.Number(above=0, high=LONGEST, metadata={"description": "The same where life is counted in hours"})
    ground = GroundMix()


_ANSWER = Outlook()


@blueprint.get("")
@requires("read")
@asks(OutlookQuery)
@refuses(406)
@gives(200, Outlook)
@gives(200, {"type": "string"}, content_type=SVG)
def get_outlook(tool: str, query: dict[str, Any]) -> Response:
    """Return what is to come of a tool, with 80 % bands; as a picture by ``Accept: image/svg+xml``."""
    wanted = accepted("application/json", SVG)
    document = _outlook(tool, query)
    if wanted == SVG:
        return Response(_picture(document), content_type=SVG, headers={"Vary": "Accept"})
    made = answer(in_unit(_ANSWER, document, query["unit"]))
    made.headers["Vary"] = "Accept"
    return made


def _picture(document: dict[str, Any]) -> bytes:
    if not _room.acquire(timeout=_WAIT_S):
        raise Declined("busy", "other pictures are being drawn", headers={"Retry-After": "2"})
    try:
        shown = in_unit(_ANSWER, document, document["unit"])
        for row in shown["wear"]:
            row["feature_name"] = _named(row["feature"], row["position"])
        for row in shown["clearances"]:
            row["fit_name"] = _named(row["fit"], row["position"])
        return draw_outlook(shown)
    finally:
        _room.release()


def _named(name: str, position: int | None) -> str:
    return name if position is None else f"{name} {position}"


def _outlook(tool: str, query: dict[str, Any]) -> dict[str, Any]:
    with transaction() as conn:
        status = status_read.get_status(conn, tool)
        if status is None:
            raise NotFound("tool", tool)
        access.current().check_site(status.site_id)
        revision = get_revision(conn, status.tool_type)
        kind = from_document(revision.code, revision.revision, revision.document)
        planned = None
        if "ground" in query:
            factors = get_ground_factors(conn, status.tool_type, wear_model=status.wear_model)
            planned = rescale(query["ground"], status.ground_factor if status.sequence is not None else 1.0, factors)
        rows = status_read.list_limits(conn, status.tool_id)
        corrections = recalibrations(conn, status.tool_type, status.wear_model)
    usage = np.linspace(0.0, _how_far(kind, query), POINTS)
    path = _Path(rows, (status.used_since or 0.0) + usage / (planned.ratio if planned else 1.0), corrections)
    return {
        "tool": status.tool,
        "tool_type": status.tool_type,
        "site": status.site,
        "unit": query["unit"],
        "wear_model": status.wear_model,
        "basis": kind.life_basis,
        "ground": _ground(status.ground, planned),
        "as_of": status.as_of,
        "used_since": show_amount(planned.usage(status.used_since) if planned else status.used_since),
        "usage": usage.tolist(),
        "wear": [_wear(kind, path, n) for n in path.of("feature:")],
        "clearances": [_clearance(kind, path, n) for n in path.of("fit:")],
        "performance": next((_performance(kind, path, n) for n in path.of("performance")), None),
    }


def _how_far(kind: ToolType, query: dict[str, Any]) -> float:
    other = {"metres": "hours", "hours": "metres"}[kind.life_basis]
    if other in query:
        words = f"the life of this tool type is counted in {kind.life_basis}"
        raise Refused([faults.fault(f"?{other}", "unknown-parameter", words)])
    return float(query.get(kind.life_basis) or kind.campaign or DEFAULT_AHEAD)


def _ground(stored: str | None, planned: Rescale | None) -> Any:
    if planned is not None:
        return dict(planned.ground)
    return None if stored is None else orjson.loads(stored)


@dataclass(frozen=True, slots=True)
class _Path:
    """What is left to each limit along the usage: normal, with the first-passage model's mean and variance."""

    rows: list[dict[str, Any]]
    usage: Floats  # since the model's moment, in the stored ground
    corrections: dict[str, Recalibration]

    def of(self, kind: str) -> list[int]:
        """Limits of one kind of which something is known."""
        return [n for n, row in enumerate(self.rows) if row["limit"].startswith(kind) and row["gap"] is not None]

    def left(self, n: int) -> tuple[Floats, Floats]:
        """Mean of what is left to a limit, and half its 80 % band."""
        t = self.usage / USAGE_UNIT
        gap, gap_var, drift, drift_var, covariance, diffusion = (self.rows[n][name] for name in GAP)
        spread = np.sqrt(np.maximum(gap_var + t * (t * drift_var + diffusion - 2.0 * covariance), 0.0))
        return gap - drift * t, BAND * spread

    def line(self, n: int, mean: Floats, half: Floats) -> dict[str, Any]:
        """One line with its bands and the probability that its limit has been reached."""
        limit = self.rows[n]["limit"]
        gap = Gap(*(np.array(self.rows[n][name], np.float64) for name in GAP))
        probability = reached(gap, self.usage / USAGE_UNIT)
        correction = self.corrections.get("own" if limit.startswith("feature:") else "sums")
        if correction is not None:
            probability = correction.probability(probability)
        _, _, position = limit.partition("@")
        return {
            "limit": limit,
            "position": int(position) if position else None,
            "p10": (mean - half).tolist(),
            "p50": mean.tolist(),
            "p90": (mean + half).tolist(),
            "reached": np.clip(probability, 0.0, 1.0).tolist(),
        }


def _wear(kind: ToolType, path: _Path, n: int) -> dict[str, Any]:
    code = path.rows[n]["limit"].removeprefix("feature:").partition("@")[0]
    allowed = kind.feature_by_code[code].allowed_wear or 0.0
    left, half = path.left(n)
    return {"feature": code, "allowed": allowed} | path.line(n, allowed - left, half)


def _clearance(kind: ToolType, path: _Path, n: int) -> dict[str, Any]:
    code = path.rows[n]["limit"].removeprefix("fit:").partition("@")[0]
    discard = kind.fit_by_code[code].discard or 0.0
    left, half = path.left(n)
    return {"fit": code, "discard": discard} | path.line(n, discard - left, half)


def _performance(kind: ToolType, path: _Path, n: int) -> dict[str, Any]:
    left, half = path.left(n)
    service = 1.0 - kind.service_loss
    return {"service": service} | path.line(n, service + left, half)
