"""What a size is made of: its readings at 20 degC, its stations, its shape; and the clearance that leaks."""

from __future__ import annotations

from typing import Any

import numpy as np

from service.api.derivation_tables import Layout
from service.catalogue import Feature, ToolType
from worker.method.budget_words import Names, reading_words
from worker.method.clearances import Fits, clear
from worker.method.readings import STEEL_EXPANSION
from worker.method.shape_words import leak_words, shape_words
from worker.method.sizes import Sizes
from worker.method.summaries import read_spread, station_thresholds, summarise

Document = dict[str, Any]


class Make:
    """What the sizes of a bench are made of; rows are those of its measurands."""

    def __init__(self, tool_type: ToolType, layout: Layout, sizes: Sizes, names: Names) -> None:
        self.bench, self.sizes, self.names = layout.bench, sizes, names
        new = [tool_type.feature_by_code[subject.feature].new for subject in layout.subjects]
        drawing = np.array([one.middle for one in new]), np.array([one.max - one.min for one in new])
        self.summaries = summarise(sizes, drawing, layout.bench.measurands.grows)
        self.spread = read_spread(sizes)
        self.thresholds = station_thresholds(sizes, self.spread)

    def readings(self, row: int) -> list[Document]:
        """The readings of a size, each with its formula."""
        r, reduced, bench = self.sizes.places.readings, self.sizes.reduced, self.bench
        gauges, masters = bench.gauges.with_unnamed(), bench.masters.with_unnamed()
        found = []
        for n in np.flatnonzero(r.measurand == row).tolist():
            gauge, master, deviation = int(r.gauge[n]), int(r.master[n]), bool(r.is_deviation[n])
            indication = float(r.value[n])
            reference = masters.expansion[master] if deviation else gauges.expansion[gauge]
            found.append(
                {
                    "station": int(r.station[n]) or None,
                    "orientation": _finite(float(r.orientation[n])),
                    "kind": "deviation" if deviation else "size",
                    "indication": indication,
                    "gauge": self.names.gauges[gauge] if gauge >= 0 else None,
                    "master": self.names.masters[master] if master >= 0 else None,
                    "size": float(reduced.value[n]),
                    "formula": reading_words(
                        indication - float(gauges.bias[gauge]),
                        float(masters.size[master]) if deviation else None,
                        (float(bench.measurands.expansion[row]), float(r.part_c[n])),
                        (_or_steel(float(reference)), float(r.reference_c[n])),
                        float(reduced.value[n]),
                    ),
                }
            )
        return found

    def stations(self, row: int, feature: Feature) -> list[Document]:
        """The stations of a size."""
        return [self._station(n, feature) for n in np.flatnonzero(self.sizes.stations.measurand == row).tolist()]

    def _station(self, n: int, feature: Feature) -> Document:
        stations, middle = self.sizes.stations, feature.new.middle
        mean, two_point = float(stations.mean[n]), float(stations.max[n] - stations.min[n])
        line: Document = {
            "station": int(stations.station[n]),
            "position": _finite(float(stations.position[n])),
            "locations": int(stations.locations[n]),
            **{name: float(getattr(stations, name)[n]) for name in ("mean", "min", "max")},
            "location_uncertainty": float(self.spread.station[n]),
            "ovality_two_point": two_point,
            "wear": mean - middle if feature.grows else middle - mean,
        }
        if np.isfinite(self.thresholds[n]):
            threshold = float(self.thresholds[n])
            line |= {"ovality_threshold": threshold, "ovality_significant": two_point > threshold}
        if np.isfinite(stations.axis[n]):
            ovality, u = float(stations.ovality[n]), float(self.spread.station[n])
            line |= {
                "ovality": ovality,
                "ovality_axis": float(stations.axis[n]),
                "ovality_standard_uncertainty": float(stations.gain[n]) * u,
                "ovality_of_noise": 2.0 * u * float(np.sqrt(np.pi / stations.locations[n])),
                "largest": float(stations.centre[n]) + 0.5 * ovality,
                "smallest": float(stations.centre[n]) - 0.5 * ovality,
            }
        return line

    def shape(self, row: int) -> Document:
        """How far it is round, along it and across, and where it is worn."""
        sizes, found = self.sizes, self.summaries
        peak = _finite(float(found.track_peak[row]))
        track = {
            "peak_position": peak,
            "peak_wear": _finite(float(found.track_wear[row])),
            "first": _finite(float(found.track_first[row])),
            "last": _finite(float(found.track_last[row])),
        }
        return {
            "out_of_round": float(sizes.out_of_round[row]),
            "taper": _finite(float(sizes.taper[row])),
            "taper_standard_uncertainty": _finite(float(sizes.taper_u[row])),
            "selection_bias": _finite(float(found.selection_bias[row])),
            "wear_track": None if peak is None else track,
            "formulas": shape_words(sizes, row, self.spread),
        }


def leak_derivation(sizes: Sizes, bore: int, shaft: int) -> Document:
    """The clearance that leaks as much, of two sizes as this inspection measured them."""
    none = np.zeros(0, np.int64)
    found = clear(sizes, Fits(np.array([bore]), np.array([shaft]), none, none, none))
    value = float(found.for_leakage[0])
    return {"clearance_for_leakage": value, "formulas": leak_words(sizes, bore, shaft, value)}


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _or_steel(expansion: float) -> float:
    return STEEL_EXPANSION if np.isnan(expansion) else expansion
