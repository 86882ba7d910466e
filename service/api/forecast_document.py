"""The documents of forecast estimates: read at once where they are right, explained fault by fault where they are not.

Lengths and usage come in any consistent units; nothing is converted. Wear grows toward the limit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import marshmallow as ma
import msgspec
import numpy as np
from msgspec import Meta, Struct

from service import faults
from service.api import fields
from service.api.schema import Document, check
from service.faults import Fault, fault
from service.problems import Refused

MAX_CASES = 1_000
MAX_FEATURES = 50  # of one case
MAX_FEATURES_IN_ALL = 10_000
MAX_OBSERVATIONS = 1_000  # of one feature
MAX_OBSERVATIONS_IN_ALL = 50_000  # what is read, or explained, and answered within a second
MAX_HORIZONS = 100  # of one case
LARGEST = 1e9  # of anything here: figures of one case may lie so far apart, and its squares stay finite

_Figure = Annotated[float, Meta(ge=-LARGEST, le=LARGEST)]
_Amount = Annotated[float, Meta(ge=0, le=LARGEST)]


class Expected(Struct, forbid_unknown_fields=True, gc=False):
    """A mean with its standard deviation."""

    mean: _Figure
    sd: _Amount


class Observation(Struct, forbid_unknown_fields=True, gc=False):
    """One size, as wear."""

    usage: _Amount
    wear: _Figure
    standard_uncertainty: _Amount


class Feature(Struct, forbid_unknown_fields=True, gc=False):
    """One feature of a case."""

    coefficient: _Figure
    start: Expected
    rate: Expected
    process_sd: _Amount
    drift_scale: _Amount | None = None
    usage_now: _Amount | None = None
    observations: Annotated[Sequence[Observation], Meta(max_length=MAX_OBSERVATIONS)] | None = None


class Case(Struct, forbid_unknown_fields=True, gc=False):
    """One limit on a weighted sum of wear."""

    limit: _Figure
    features: Annotated[Sequence[Feature], Meta(min_length=1, max_length=MAX_FEATURES)]
    horizons: Annotated[Sequence[_Amount], Meta(max_length=MAX_HORIZONS)] | None = None
    slope_correlation: Annotated[float, Meta(ge=0, le=1)] | None = None


class _Cases(Struct, forbid_unknown_fields=True, gc=False):
    cases: Annotated[list[Case], Meta(max_length=MAX_CASES)]


def _figure(words: str, **more: Any) -> fields.Number:
    return fields.Number(low=-LARGEST, high=LARGEST, metadata={"description": words}, **more)


def _amount(words: str, **more: Any) -> fields.Number:
    return fields.Number(low=0, high=LARGEST, metadata={"description": words}, **more)


class ExpectedBody(Document):
    """A mean with its standard deviation."""

    mean = _figure("Mean", required=True)
    sd = _amount("Standard deviation; 0: known exactly", required=True)


class ObservationBody(Document):
    """One size, as wear."""

    usage = _amount("Of the feature when it was measured", required=True)
    wear = _figure("How far it had grown toward the limit", required=True)
    standard_uncertainty = _amount("Of the wear", required=True)


class _Observations(fields.ListOf):
    """Observations; only those that the compiled reader refuses are explained by the schema."""

    def _deserialize(self, value: Any, attr: Any, data: Any, **more: Any) -> Any:
        if not isinstance(value, list) or len(value) > self.most:
            return super()._deserialize(value, attr, data, **more)
        errors, read = {}, []
        for index, row in enumerate(value):
            try:
                msgspec.convert(row, Observation)
                read.append(row)
            except msgspec.ValidationError:
                try:
                    read.append(self.inner.deserialize(row))
                except ma.ValidationError as error:
                    errors[index] = error.messages
                    read += [error.valid_data] if isinstance(error.valid_data, dict) else []
        if errors:
            raise ma.ValidationError(errors, valid_data=read)
        return read


class FeatureBody(Document):
    """One feature: what is expected of it, and what was measured."""

    coefficient = _figure("Weight of its wear in the sum", required=True)
    drift_scale = _amount("Usage that counts per usage to come; default 1")
    start = fields.Inner(ExpectedBody, required=True, metadata={"description": "Wear at usage 0"})
    rate = fields.Inner(ExpectedBody, required=True, metadata={"description": "Wear per usage"})
    process_sd = _amount("Wandering of the wear, per root of usage", required=True)
    usage_now = _amount("Default: that of the last observation, or 0")
    observations = _Observations(
        fields.Inner(ObservationBody),
        most=MAX_OBSERVATIONS,
        metadata={"description": "In any order; one beyond three standard deviations is down-weighted"},
    )

    @ma.validates_schema(skip_on_field_errors=False)
    def check_now(self, feature: Mapping[str, Any], **_: Any) -> None:
        """Refuse a now that lies before an observation."""
        now = feature.get("usage_now")
        if now is not None and any(row.get("usage", 0.0) > now for row in feature.get("observations") or ()):
            raise ma.ValidationError({"usage_now": ["out-of-range|must not lie before an observation"]})


class CaseBody(Document):
    """One limit on a weighted sum of wear, and the features that wear toward it."""

    limit = _figure("Sum of coefficient times wear at which it is reached", required=True)
    horizons = fields.ListOf(
        fields.Number(low=0, high=LARGEST), most=MAX_HORIZONS, metadata={"description": "Usages to come"}
    )
    slope_correlation = fields.Number(
        low=0, high=1, metadata={"description": "Of the rates; default 0; only with coefficients of one sign"}
    )
    features = fields.ListOf(fields.Inner(FeatureBody), required=True, fewest=1, most=MAX_FEATURES)

    @ma.validates_schema(skip_on_field_errors=False)
    def check_signs(self, case: Mapping[str, Any], **_: Any) -> None:
        """Refuse a common correlation of rates that pull both ways."""
        signs = {np.sign(row.get("coefficient", 0.0)) for row in case.get("features") or ()}
        if case.get("slope_correlation") and {-1.0, 1.0} <= signs:
            raise ma.ValidationError({"slope_correlation": ["out-of-range|needs coefficients of one sign"]})


class CasesBody(Document):
    """Up to 1,000 cases, each by itself."""

    cases = fields.ListOf(fields.Inner(CaseBody), required=True, most=MAX_CASES)


class WearAnswer(Document):
    """What is known of a feature's wear at `usage_now`."""

    level = fields.Number(required=True, metadata={"description": "Mean of the wear"})
    rate = fields.Number(required=True, metadata={"description": "Mean of the wear per usage"})
    level_variance = fields.Number(required=True)
    covariance = fields.Number(required=True)
    rate_variance = fields.Number(required=True)


class ForecastAnswer(Document):
    """When the limit is reached, in usage from now; null: not reached with that probability."""

    features = fields.ListOf(fields.Inner(WearAnswer), required=True)
    p10 = fields.Number(allow_none=True, required=True)
    p50 = fields.Number(allow_none=True, required=True)
    p90 = fields.Number(allow_none=True, required=True)
    probability_beyond_now = fields.Number(low=0, high=1, required=True)
    probability_ever = fields.Number(low=0, high=1, required=True)
    reached = fields.ListOf(
        fields.Number(low=0, high=1), required=True, metadata={"description": "Probability, for each horizon"}
    )


class ForecastsAnswer(Document):
    """One forecast for each case, in their order."""

    cases = fields.ListOf(fields.Inner(ForecastAnswer), required=True)


_BODY, _CASE = CasesBody(), CaseBody()


def read_cases(document: Any) -> Sequence[Case]:
    """Return the cases of a body as parsed.

    Raises
    ------
    Refused
        With everything that is wrong with it.
    """
    _check_sums(document)
    try:
        cases = msgspec.convert(document, _Cases).cases
        if all(_is_sound(case) for case in cases):
            return cases
    except msgspec.ValidationError:
        pass
    raise Refused(_explained(document) or [fault("/cases", "invalid")])


def _explained(document: Any) -> list[Fault]:
    """Return the faults of a body, no more of them than are told."""
    cases = _listed(document, "cases")
    if not 0 < len(cases) <= MAX_CASES:
        return check(_BODY, document)[1]
    found = check(_BODY, document | {"cases": []})[1]
    for index, case in enumerate(cases):
        if len(found) >= faults.MAX_FAULTS:
            break
        found += check(_CASE, case, faults.pointer("cases", index))[1]
    return found


def _check_sums(document: Any) -> None:
    """Refuse more than there is time for, before any of it is looked at."""
    features = [row for case in _listed(document, "cases")[:MAX_CASES] for row in _listed(case, "features")]
    observations = sum(len(_listed(row, "observations")) for row in features)
    for number, most, what in (
        (len(features), MAX_FEATURES_IN_ALL, "features"),
        (observations, MAX_OBSERVATIONS_IN_ALL, "observations"),
    ):
        if number > most:
            raise Refused([fault("/cases", "too-many", f"must have at most {most} {what} in all")])


def _listed(document: Any, name: str) -> list[Any]:
    rows = document.get(name) if isinstance(document, dict) else None
    return rows if isinstance(rows, list) else []


def _is_sound(case: Case) -> bool:
    """Whether the rules between fields hold; the compiled reader knows none."""
    features = case.features
    if case.slope_correlation and min(row.coefficient for row in features) * max(r.coefficient for r in features) < 0:
        return False
    return all(row.usage_now is None or row.usage_now >= last_usage(row) for row in features)


def last_usage(feature: Feature) -> float:
    """Return the usage of the last observation, 0 where there is none."""
    return max((row.usage for row in feature.observations or ()), default=0.0)
