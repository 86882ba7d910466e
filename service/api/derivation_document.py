"""The derivation as clients see it: every figure of an assessment's sizes and clearances, to be redone by hand."""

from __future__ import annotations

from service.api import fields
from service.api.assessment_document import TypeRevision
from service.api.drawn_document import MonteCarlo
from service.api.schema import Document
from service.api.size_document import VERDICTS, WearTrack

_IN_MM = {"description": "With the numbers in them; lengths in mm, whatever the unit"}


class BudgetLine(Document):
    """One influence of one result: contribution = sensitivity x value; the shares sum to 1."""

    key = fields.Text(required=True, metadata={"description": "The same key is the same influence wherever it enters"})
    what = fields.Text(required=True)
    estimate = fields.Number(metadata={"description": "In `unit`; null: an error about 0"})
    value = fields.Number(required=True, metadata={"description": "Standard uncertainty of the influence, in `unit`"})
    origin = fields.Text(required=True, metadata={"description": "Where the value comes from; lengths in mm"})
    unit = fields.Choice(("mm", "in", "K", "1/K"), required=True)
    degrees_of_freedom = fields.Number(metadata={"description": "null: infinite"})
    distribution = fields.Choice(("normal", "rectangular", "t"), required=True)
    sensitivity = fields.Number(required=True, metadata={"description": "Unit of length per `unit`"})
    contribution = fields.Length(required=True, metadata={"description": "Signed"})
    share = fields.Number(required=True, metadata={"description": "Of the variance"})


class Result(Document):
    """One statistic with its whole budget."""

    value = fields.Length(metadata={"description": "null: nothing could be read"})
    standard_uncertainty = fields.Length()
    degrees_of_freedom = fields.Number(metadata={"description": "null: infinite"})
    coverage_factor = fields.Number()
    expanded_uncertainty = fields.Length()
    low_degrees_of_freedom = fields.Flag()
    probability_beyond = fields.Number()
    probability_beyond_monitor = fields.Number(metadata={"description": "null: no limit but discard"})
    guard_band = fields.Length(metadata={"description": "As far before discard the probability is risk_accept"})
    budget = fields.ListOf(fields.Inner(BudgetLine), most=100_000)
    formulas = fields.ListOf(fields.Text(longest=100_000), metadata=_IN_MM)
    monte_carlo = fields.Inner(MonteCarlo, metadata={"description": "null: not asked for, or not what is judged"})


class ReadingLine(Document):
    """One reading, reduced to 20 degC."""

    station = fields.Count()
    orientation = fields.Number()
    kind = fields.Choice(("size", "deviation"), required=True)
    indication = fields.Length(required=True, metadata={"description": "As sent; of a trace its fitted vertex"})
    gauge = fields.Name()
    master = fields.Name()
    size = fields.Length(required=True, metadata={"description": "At 20 degC"})
    formula = fields.Text(longest=500, metadata=_IN_MM)


class StationLine(Document):
    """One station."""

    station = fields.Count(metadata={"description": "0: none named"})
    position = fields.Length()
    locations = fields.Count()
    mean = fields.Length()
    min = fields.Length()
    max = fields.Length()
    location_uncertainty = fields.Length(
        metadata={"description": "Standard uncertainty of one location here, without what all locations share"}
    )
    ovality = fields.Length(metadata={"description": "By the second harmonic, with 3 or more orientations"})
    ovality_standard_uncertainty = fields.Length()
    ovality_of_noise = fields.Length(metadata={"description": "What a round part shows on average, by noise alone"})
    ovality_axis = fields.Number(metadata={"description": "Of the largest diameter, degrees from 0 below 180"})
    largest = fields.Length(metadata={"description": "Of the fitted ellipse"})
    smallest = fields.Length(metadata={"description": "Of the fitted ellipse"})
    ovality_two_point = fields.Length(metadata={"description": "Largest less smallest; odd lobes are not seen"})
    ovality_threshold = fields.Length(metadata={"description": "Above it the two-point ovality is significant (95 %)"})
    ovality_significant = fields.Flag()
    wear = fields.Length(metadata={"description": "From the middle of new"})


class SizeDerivation(Document):
    """One size of the assessment."""

    feature = fields.FeatureName(required=True)
    component = fields.Name()
    position = fields.Count()
    discard = fields.Length()
    monitor = fields.Length()
    discard_on = fields.Choice(("worst", "mean"), required=True)
    verdict = fields.Choice(VERDICTS, required=True)
    capability_index = fields.Number(metadata={"description": "C_m: the way from new to discard over 4 u"})
    combined = fields.Flag(metadata={"description": "Mean of this measurement and the one it measures again"})
    agrees = fields.Flag(metadata={"description": "With what is stored of the assessment"})
    readings = fields.ListOf(fields.Inner(ReadingLine), most=10_000)
    stations = fields.ListOf(fields.Inner(StationLine), most=10_000)
    out_of_round = fields.Length()
    taper = fields.Length()
    taper_standard_uncertainty = fields.Length()
    wear_track = fields.Inner(WearTrack, metadata={"description": "null without three positions"})
    selection_bias = fields.Length(
        metadata={"description": "By which the worst of nearly equal locations may be too bad; not corrected"}
    )
    formulas = fields.ListOf(fields.Text(longest=100_000), metadata=_IN_MM)
    worst = fields.Inner(Result, required=True)
    mean = fields.Inner(Result, required=True)


class ClearanceDerivation(Document):
    """One clearance of the assessment."""

    fit = fields.Name(required=True)
    position = fields.Count()
    bore = fields.FeatureName(required=True)
    shaft = fields.FeatureName(required=True)
    new = fields.Length()
    discard = fields.Length()
    monitor = fields.Length()
    verdict = fields.Choice(VERDICTS, required=True)
    combined = fields.Flag()
    agrees = fields.Flag()
    clearance_for_leakage = fields.Length(metadata={"description": "As this inspection measured it"})
    formulas = fields.ListOf(fields.Text(longest=100_000), metadata=_IN_MM)
    worst = fields.Inner(Result, required=True)
    mean = fields.Inner(Result, required=True)


class Derivation(Document):
    """How the sizes and clearances of an assessment came about."""

    inspection = fields.Text(required=True)
    inspection_version = fields.Count(required=True)
    version = fields.Count(required=True, metadata={"description": "Of the assessment"})
    inputs_as_of = fields.Moment(required=True)
    method = fields.Text(required=True)
    tool_type = fields.Inner(TypeRevision, required=True)
    unit = fields.Unit(required=True)
    sizes = fields.ListOf(fields.Inner(SizeDerivation), required=True)
    clearances = fields.ListOf(fields.Inner(ClearanceDerivation), required=True)


DERIVATION = Derivation()
