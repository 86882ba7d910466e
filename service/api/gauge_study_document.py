"""The documents of gauge studies."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import marshmallow as ma

from service.api import fields
from service.api.gauges import Repeatability, Reproducibility
from service.api.schema import Document, check
from service.faults import Fault, fault, pointer
from service.problems import Refused

MAX_PARTS, MAX_APPRAISERS, MAX_TRIALS = 1_000, 50, 50
MAX_MEASUREMENTS = 20_000  # in all
POOL_ABOVE = 0.25


class StudyBody(Document):
    """Every part measured by every appraiser the same number of times."""

    unit = fields.Unit(required=True)
    tolerance = fields.Length(above=0, metadata={"description": "Width of the tolerance the gauge is to judge"})
    pool_above = fields.Number(
        low=0,
        high=1,
        metadata={"description": "p value of the interaction above which it is noise; default 0.25; 0 always, 1 never"},
    )
    measurements = fields.ListOf(
        fields.ListOf(
            fields.ListOf(fields.Length(), fewest=2, most=MAX_TRIALS),
            fewest=2,
            most=MAX_APPRAISERS,
        ),
        required=True,
        fewest=2,
        most=MAX_PARTS,
        metadata={"description": f"[part][appraiser][trial], at most {MAX_MEASUREMENTS} in all"},
    )


class Spreads(Document):
    """Standard deviations by where they come from."""

    repeatability = fields.Length(required=True, metadata={"description": "The same person again"})
    reproducibility = fields.Length(required=True, metadata={"description": "Between persons, interaction included"})
    gauge = fields.Length(required=True, metadata={"description": "Both together"})
    part = fields.Length(required=True, metadata={"description": "Between parts"})
    total = fields.Length(required=True)
    distinct_categories = fields.Count(
        allow_none=True, required=True, metadata={"description": "Sizes told apart among these parts; null: no scatter"}
    )


class SumsOfSquares(Document):
    """Before pooling, in the unit squared."""

    part = fields.Area(required=True)
    appraiser = fields.Area(required=True)
    interaction = fields.Area(required=True)
    repeatability = fields.Area(required=True)


class MeanSquares(SumsOfSquares):
    """Sums of squares over their degrees of freedom, before pooling, in the unit squared."""


class Variances(Document):
    """What each source adds, in the unit squared, before a negative one becomes 0."""

    part = fields.Area(required=True)
    appraiser = fields.Area(required=True)
    interaction = fields.Area(required=True)
    repeatability = fields.Area(required=True)


class DegreesOfFreedom(Document):
    """Before pooling."""

    part = fields.Number(required=True)
    appraiser = fields.Number(required=True)
    interaction = fields.Number(required=True)
    repeatability = fields.Number(required=True)


class Percentages(Document):
    """Per cent by where the scatter comes from; null: nothing scatters."""

    repeatability = fields.Number(allow_none=True, required=True)
    reproducibility = fields.Number(allow_none=True, required=True)
    gauge = fields.Number(allow_none=True, required=True)
    part = fields.Number(allow_none=True, required=True)
    total = fields.Number(allow_none=True, required=True)


class Ratios(Document):
    """F against the interaction or, pooled, the repeatability; null where that is 0."""

    part = fields.Number(allow_none=True, required=True)
    appraiser = fields.Number(allow_none=True, required=True)


class Interaction(Document):
    """How much appraisers differ from part to part."""

    f = fields.Number(allow_none=True, required=True)
    p_value = fields.Number(
        allow_none=True, required=True, metadata={"description": "Probability of a larger F by chance"}
    )
    pooled = fields.Flag(required=True, metadata={"description": "Taken for noise and added to the repeatability"})
    standard_deviation = fields.Length(required=True, metadata={"description": "Part of the reproducibility"})


class Anova(Document):
    """Two-way analysis of variance."""

    sums_of_squares = fields.Inner(SumsOfSquares, required=True)
    degrees_of_freedom = fields.Inner(DegreesOfFreedom, required=True)
    mean_squares = fields.Inner(MeanSquares, metadata={"description": "null: of a study before they were told"})
    variances = fields.Inner(Variances, metadata={"description": "null: of a study before they were told"})
    f = fields.Inner(Ratios, required=True)
    interaction = fields.Inner(Interaction, required=True)
    standard_deviations = fields.Inner(Spreads, required=True)
    distinct_categories = fields.Count(allow_none=True, required=True)


class AverageAndRange(Spreads):
    """The older way, which does not see the interaction."""

    mean_range = fields.Length(required=True)
    appraiser_range = fields.Length(required=True, metadata={"description": "Of the appraisers' means"})
    part_range = fields.Length(required=True, metadata={"description": "Of the parts' means"})
    upper_range = fields.Length(required=True, metadata={"description": "Ranges of trials above this are suspect"})
    percent_of_study = fields.Inner(Percentages, required=True)


class Results(Document):
    """What a study found."""

    repeatability = fields.Inner(Repeatability, required=True, metadata={"description": "The gauge's from then on"})
    reproducibility = fields.Inner(Reproducibility, required=True, metadata={"description": "The gauge's from then on"})
    anova = fields.Inner(Anova, required=True)
    average_and_range = fields.Inner(AverageAndRange, required=True)
    percent_of_study = fields.Inner(Percentages, required=True, metadata={"description": "Spreads over the total one"})
    percent_contribution = fields.Inner(
        Percentages, required=True, metadata={"description": "Variances over the total one"}
    )
    percent_of_tolerance = fields.Inner(
        Percentages, allow_none=True, required=True, metadata={"description": "Six standard deviations over it"}
    )


class StudyLine(Results):
    """A study, without what was measured."""

    id = ma.fields.UUID(required=True)
    gauge = fields.Name(required=True)
    gauge_revision = fields.Count(required=True, metadata={"description": "The one the study made"})
    recorded_at = fields.Moment(required=True)
    unit = fields.Unit(required=True)
    tolerance = fields.Length(allow_none=True, required=True)
    pool_above = fields.Number(required=True)
    parts = fields.Count(required=True)
    appraisers = fields.Count(required=True)
    trials = fields.Count(required=True)


class StudyAnswer(StudyLine):
    """A study."""

    measurements = fields.ListOf(
        fields.ListOf(fields.ListOf(fields.Length())),
        required=True,
        metadata={"description": "[part][appraiser][trial]"},
    )


class StudyPage(Document):
    """Studies in the order they were recorded."""

    items = fields.ListOf(fields.Inner(StudyLine), required=True)
    next = fields.Text(allow_none=True)


_BODY = StudyBody()


def read_study(body: Any) -> dict[str, Any]:
    """Return a study as sent, defaults filled in, lengths in its own unit.

    Raises
    ------
    Refused
        With everything that is wrong with it.
    """
    parts = _listed(body.get("measurements") if isinstance(body, dict) else None)
    if sum(len(_listed(cell)) for part in parts for cell in _listed(part)) > MAX_MEASUREMENTS:
        words = f"must have at most {MAX_MEASUREMENTS} numbers in all"
        raise Refused([fault("/measurements", "too-many", words)])
    read, found = check(_BODY, body)
    found += _unbalanced(parts)
    if found:
        raise Refused(found)
    return {"tolerance": None, "pool_above": POOL_ABOVE} | read


def _unbalanced(parts: list[Any]) -> Iterator[Fault]:
    """Find the lists that are shorter or longer than the first of their kind."""
    yield from _uneven({pointer("measurements", i): part for i, part in enumerate(parts)}, "appraisers")
    cells = {
        pointer("measurements", i, j): cell for i, part in enumerate(parts) for j, cell in enumerate(_listed(part))
    }
    yield from _uneven(cells, "trials")


def _uneven(lists: dict[str, Any], what: str) -> Iterator[Fault]:
    sizes = {at: len(rows) for at, rows in lists.items() if isinstance(rows, list) and len(rows) > 1}
    usual = next(iter(sizes.values()), 0)
    for at, size in sizes.items():
        if size != usual:
            words = f"must have as many {what} as the first: {usual}"
            yield fault(at, "too-few" if size < usual else "too-many", words)


def _listed(rows: Any) -> list[Any]:
    return rows if isinstance(rows, list) else []
