"""A second opinion on one result, as clients see it."""

from __future__ import annotations

from service.api import fields
from service.api.schema import Document


class MonteCarlo(Document):
    """The same result by drawing every influence (JCGM 101), through the formulas themselves."""

    draws = fields.Count(required=True)
    seed = fields.Count(required=True)
    mean = fields.Length(required=True)
    standard_uncertainty = fields.Length(required=True)
    low = fields.Length(required=True, metadata={"description": "2.5 % of the draws lie below"})
    high = fields.Length(required=True, metadata={"description": "2.5 % of the draws lie above"})
    probability_beyond = fields.Number(metadata={"description": "Share of the draws beyond discard"})
    difference_low = fields.Length(required=True, metadata={"description": "Lower end less that of value -+ U"})
    difference_high = fields.Length(required=True, metadata={"description": "Upper end less that of value -+ U"})
    tolerance = fields.Length(required=True, metadata={"description": "A tenth of u"})
    agrees = fields.Flag(
        required=True,
        metadata={"description": "Both differences within the tolerance; else decide on what was drawn"},
    )
