"""A size as an assessment shows it: its figures, its shape, what the filter believes of its wear."""

from __future__ import annotations

from typing import Any

from service.api import fields
from service.api.drawn_document import MonteCarlo
from service.api.schema import Document

VERDICTS = ("serviceable", "monitor", "discard", "remeasure")


class WearState(Document):
    """What the filter believes of one component's wear: level (from the middle of new) and rate."""

    usage = fields.Number(metadata={"description": "1000 of the life basis, weighted by ground"})
    level = fields.Length()
    rate = fields.Length(metadata={"description": "per 1000 of the life basis"})
    level_variance = fields.Area()
    covariance = fields.Area()
    rate_variance = fields.Area()


class Roundness(Document):
    """The station that is most out of round. Two-point gauges do not see odd lobes."""

    station = fields.Count(low=0, required=True, metadata={"description": "0: none named"})
    two_point = fields.Length(metadata={"description": "Largest less smallest location"})
    threshold = fields.Length(metadata={"description": "What a round part exceeds in 1 case of 20 only"})
    significant = fields.Flag(metadata={"description": "Whether two_point is above it; null: no uncertainty"})
    ovality = fields.Length(metadata={"description": "By the second harmonic; null: fewer than 3 orientations"})
    ovality_standard_uncertainty = fields.Length()
    axis = fields.Number(metadata={"description": "Of the largest diameter, degrees from 0 below 180"})


class WearTrack(Document):
    """Where along the part the wear sits, from the middle of new; positions in the unit of length."""

    first = fields.Length(metadata={"description": "Ends of the longest run of significant wear; null: none"})
    last = fields.Length()
    peak_position = fields.Length(required=True)
    peak_wear = fields.Length(required=True)


class Size(Document):
    """One feature of one component, at 20 degC."""

    feature = fields.FeatureName(required=True)
    component = fields.Name()
    position = fields.Count(low=1)
    readings = fields.Count(required=True)
    mean = fields.Length()
    min = fields.Length()
    max = fields.Length()
    worst = fields.Length()
    worst_station = fields.Count(low=1)
    out_of_round = fields.Length()
    taper = fields.Length()
    taper_standard_uncertainty = fields.Length()
    roundness = fields.Inner(Roundness, metadata={"description": "null: no station with two orientations"})
    wear_track = fields.Inner(WearTrack, metadata={"description": "null: fewer than 3 stations with a position"})
    selection_bias = fields.Length(
        metadata={"description": "By which the worst of nearly equal locations may be too bad; not corrected"}
    )
    standard_uncertainty = fields.Length()
    degrees_of_freedom = fields.Number(metadata={"description": "null: infinite"})
    expanded_uncertainty = fields.Length()
    coverage_factor = fields.Number()
    discard = fields.Length()
    discard_on = fields.Choice(("worst", "mean"), required=True)
    probability_beyond = fields.Number(low=0, high=1)
    verdict = fields.Choice(VERDICTS, required=True)
    wear_state = fields.Inner(WearState)
    monte_carlo = fields.Inner(MonteCarlo, metadata={"description": "null: not asked for by ?check="})


_WEAR = ("usage", "level", "rate", "level_variance", "covariance", "rate_variance")
#: Field of the document <- column.
_ROUND = {
    "station": "round_station",
    "two_point": "two_point",
    "threshold": "two_point_bound",
    "ovality": "ovality",
    "ovality_standard_uncertainty": "ovality_u",
    "axis": "ovality_axis",
}
_TRACK = {"first": "track_first", "last": "track_last", "peak_position": "track_peak", "peak_wear": "track_wear"}
_INNER = frozenset((*_WEAR, *_ROUND.values(), *_TRACK.values()))


def size_document(row: dict[str, Any]) -> dict[str, Any]:
    """Return a size of an assessment, from its row."""
    state = {name: row[name] for name in _WEAR}
    round_, track = ({name: row[column] for name, column in names.items()} for names in (_ROUND, _TRACK))
    bound = round_["threshold"]
    round_["significant"] = None if bound is None else round_["two_point"] > bound
    row = {name: value for name, value in row.items() if name not in _INNER}
    return row | {
        "roundness": None if round_["station"] is None else round_,
        "wear_track": None if track["peak_position"] is None else track,
        "wear_state": None if state["level"] is None else state,
        "monte_carlo": None,
    }
