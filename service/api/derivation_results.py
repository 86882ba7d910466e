"""What the derivation says of each size and clearance: recomputed by the method, line by line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_array, vstack

from service.api.derivation_make import Make, leak_derivation
from service.api.derivation_tables import Layout, Subject
from service.catalogue import Feature, Fit, ToolType
from worker.method.budget import Forms, Spread, evaluate, select
from worker.method.budget_words import (
    MM,
    Line,
    Names,
    beyond_words,
    decision_words,
    named_budget,
    sum_words,
)
from worker.method.clearances import Fits, clear
from worker.method.conformity import capability_index, guard_band, probability_beyond
from worker.method.monte_carlo import AGREES, Asked, Drawn, draw, ends_agree
from worker.method.sizes import Sizes, measure
from worker.method.verdicts import TIE_MM, monitor_limit

AGREE_MM = 1e-9
Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Check:
    """A second opinion that was asked for."""

    draws: int
    seed: int


@dataclass(frozen=True, slots=True)
class _Statistic:
    """One sum of locations, named, with what it is judged against."""

    weights: csr_array  # shape (1, locations)
    words: str
    limit: float | None
    monitor: float | None
    grows: bool


class Workings:
    """The sizes of a bench, and every statistic of them."""

    def __init__(self, tool_type: ToolType, layout: Layout, check: Check | None = None) -> None:
        self.type, self.layout, self.check = tool_type, layout, check
        self._undrawn: list[tuple[_Statistic, Document]] = []
        self.sizes: Sizes = measure(layout.bench)
        self.names: Names = layout.names(self.sizes)
        sizes, m = self.sizes, len(layout.subjects)
        self.make = Make(tool_type, layout, sizes, self.names)
        rows = np.flatnonzero(sizes.readings > 0)
        at = np.where(layout.bench.measurands.grows, sizes.max_at, sizes.min_at)
        shape = (m, len(sizes.locations.value))
        self.worst = select(rows, at[rows], np.ones(len(rows)), shape)
        owner = sizes.stations.measurand
        each = 1.0 / np.bincount(owner, minlength=m)[owner]
        self.mean = csr_array(select(owner, np.arange(len(owner)), each, (m, len(owner))) @ sizes.station_weights())

    # ------------------------------------------------------------ sizes

    def size(self, row: int, before: int | None, stored: Document) -> Document:
        """One size; `before` is the same component's feature in the inspection that was measured again."""
        subject, sizes = self.layout.subjects[row], self.sizes
        feature = self.type.feature_by_code[subject.feature]
        head = {name: stored[name] for name in ("feature", "component", "position", "discard", "discard_on", "verdict")}
        if sizes.readings[row] == 0:
            nothing: Document = {"budget": [], "formulas": []}
            return head | {"readings": [], "stations": [], "worst": nothing, "mean": nothing, "agrees": True}
        worst, combined = self._combined(self.worst, row, before, stored["worst"])
        mean, _ = self._combined(self.mean, row, before, stored["mean"])
        limits = feature.discard, self._monitor(feature)
        statistics = [
            _Statistic(worst, self._worst_words(row, combined), *limits, feature.grows),
            _Statistic(mean, self._mean_words(row, combined), *limits, feature.grows),
        ]
        judged = int(stored["discard_on"] == "mean")
        results = self._results(statistics, judged, stored["verdict"])
        values = [result["value"] for result in results]
        agrees = all(_close(value, stored[name]) for value, name in zip(values, ("worst", "mean"), strict=True))
        u = results[judged]["standard_uncertainty"]
        capability = capability_index(feature.new.middle, feature.discard if feature.discard else np.nan, u)
        return (
            head
            | {"capability_index": _finite(float(capability)), "combined": combined, "agrees": agrees}
            | {"monitor": limits[1]}
            | {"worst": results[0], "mean": results[1]}
            | self.make.shape(row)
            | {"readings": self.make.readings(row), "stations": self.make.stations(row, feature)}
        )

    def _combined(
        self, weights: csr_array, row: int, before: int | None, stored: float | None
    ) -> tuple[csr_array, bool]:
        """Weights of a size by itself, or with the first measurement where that is what was stored."""
        own = csr_array(weights[[row]])
        if before is None or self.sizes.readings[before] == 0:
            return own, False
        both = csr_array(0.5 * (own + weights[[before]]))
        return (both, True) if _close(float((both @ self.sizes.locations.value)[0]), stored) else (own, False)

    def _worst_words(self, row: int, combined: bool) -> str:
        grows = bool(self.layout.bench.measurands.grows[row])
        at = int((self.sizes.max_at if grows else self.sizes.min_at)[row])
        station, phi = int(self.sizes.locations.station[at]), float(self.sizes.locations.orientation[at])
        where = f"station {station}" + (f", {phi:g}°" if np.isfinite(phi) else "")
        words = f"worst = {'largest' if grows else 'smallest'} location, at {where}"
        return words + ("; mean of the two measurements" if combined else "")

    def _mean_words(self, row: int, combined: bool) -> str:
        means = self.sizes.stations.mean[self.sizes.stations.measurand == row]
        words = f"mean = ({' + '.join(f'{m:.6f}' for m in means)}) / {len(means)}, stations of equal weight"
        return words + ("; mean of the two measurements" if combined else "")

    # ------------------------------------------------------------ results

    def _monitor(self, judged: Feature | Fit) -> float | None:
        """Where watching begins: as stated, else so far from new to discard (S11.4)."""
        if judged.discard is None or judged.monitor is not None:
            return judged.monitor
        return float(monitor_limit(judged.new.middle, judged.discard, self.type.decision.monitor_fraction))

    def _results(self, statistics: Sequence[_Statistic], judged: int, verdict: str) -> list[Document]:
        weights = csr_array(vstack([one.weights for one in statistics]))
        forms = self.sizes.location_forms(weights)
        spread, values = evaluate(forms), weights @ self.sizes.locations.value
        results = [self._result(one, forms, n, float(values[n]), spread) for n, one in enumerate(statistics)]
        if np.isfinite(spread.u[judged]):
            self._undrawn.append((statistics[judged], results[judged]))
            self._tell_decision(statistics[judged], results[judged], verdict)
        return results

    def _tell_decision(self, one: _Statistic, result: Document, verdict: str) -> None:
        if one.limit is None:
            return
        decision, way = self.type.decision, result["value"] - one.limit
        chances = result["probability_beyond"], result["probability_beyond_monitor"], one.monitor or one.limit
        reached = (way if one.grows else -way) >= -TIE_MM
        words = decision_words(chances, (decision.risk_accept, decision.risk_discard), verdict, reached)
        result["formulas"].append(words)

    def draw(self) -> None:
        """Give what is judged its second opinion, where one was asked for; all of it from the same draws."""
        if self.check is None or not self._undrawn:
            return
        statistics = [one for one, _ in self._undrawn]
        asked = Asked(
            csr_array(vstack([one.weights for one in statistics])),
            np.array([np.nan if one.limit is None else one.limit for one in statistics]),
            np.array([one.grows for one in statistics]),
        )
        found = draw(self.layout.bench, self.sizes, asked, self.check.draws, self.check.seed)
        for drawn, (_, result) in zip(found, self._undrawn, strict=True):
            result["monte_carlo"] = _opinion(drawn, result, self.check)

    def _result(self, one: _Statistic, forms: Forms, row: int, value: float, spread: Spread) -> Document:
        u, nu, k, expanded = (float(c[row]) for c in (spread.u, spread.nu, spread.k, spread.U))
        lines = named_budget(forms, row, self.layout.bench, self.sizes, self.names) if np.isfinite(u) else []
        formulas = [f"{one.words} = {value:.6f} mm", *sum_words(lines, u, nu, k, expanded)]
        beyond = guard = watched = None
        if one.limit is not None and np.isfinite(u):
            guard = float(guard_band(u, nu, 1.0 - self.type.decision.risk_accept))
            beyond = float(probability_beyond(value, u, nu, one.limit, one.grows))
            formulas.append(beyond_words((value, u, nu), one.limit, one.grows, beyond))
            if one.monitor is not None and one.monitor != one.limit:
                watched = float(probability_beyond(value, u, nu, one.monitor, one.grows))
                formulas.append(beyond_words((value, u, nu), one.monitor, one.grows, watched))
        return {
            "value": value,
            "standard_uncertainty": u,
            "degrees_of_freedom": _finite(nu),
            "coverage_factor": k,
            "expanded_uncertainty": expanded,
            "low_degrees_of_freedom": bool(spread.low_dof[row]),
            "probability_beyond": beyond,
            "probability_beyond_monitor": watched,
            "guard_band": guard,
            "budget": [_line(line) for line in lines],
            "formulas": formulas,
            "monte_carlo": None,
        }

    # ------------------------------------------------------------ clearances

    def clearance(self, fit: Fit, sides: tuple[int, int], before: tuple[int, int] | None, stored: Document) -> Document:
        """One clearance of two sizes; `before` are the same two in the inspection that was measured again."""
        worst, where = self._facing(fit, sides)
        first = None if before is None else self._facing(fit, before)[0]
        mean = csr_array(self.mean[[sides[0]]] - self.mean[[sides[1]]])
        combined = False
        if first is not None and before is not None:
            both = csr_array(0.5 * (worst + first))
            if _close(float((both @ self.sizes.locations.value)[0]), stored["worst"]):
                worst, combined = both, True
                mean = csr_array(0.5 * (mean + self.mean[[before[0]]] - self.mean[[before[1]]]))
        bore, shaft = (f"{float(self.sizes.mean[side]):.6f}" for side in sides)
        also = "; mean of the two measurements" if combined else ""
        statistics = [
            _Statistic(worst, f"worst = {where}{also}", fit.discard, self._monitor(fit), True),
            _Statistic(mean, f"mean = {bore} - {shaft}{also}", fit.discard, self._monitor(fit), True),
        ]
        results = self._results(statistics, 0, stored["verdict"])
        if fit.discard is not None:
            way = fit.discard - fit.new.middle
            value = results[0]["value"]
            share = (value - fit.new.middle) / way if way else float("nan")
            words = f"consumed = ({value:.6f} - {fit.new.middle:.6f}) / ({fit.discard:.6f} - {fit.new.middle:.6f})"
            results[0]["formulas"].append(f"{words} = {share:.6f}")
        agrees = _close(results[0]["value"], stored["worst"]) and _close(results[1]["value"], stored["mean"])
        head = {name: stored[name] for name in ("fit", "position", "new", "discard", "verdict")}
        head |= {"bore": fit.bore, "shaft": fit.shaft, "combined": combined, "agrees": agrees}
        head |= {"monitor": self._monitor(fit)} | leak_derivation(self.sizes, *sides)
        return head | {"worst": results[0], "mean": results[1]}

    def _facing(self, fit: Fit, sides: tuple[int, int]) -> tuple[csr_array, str]:
        pairs = np.array(fit.mating_stations or (), np.int64).reshape(-1, 2)
        bore, shaft = (np.array([side], np.int64) for side in sides)
        found = clear(self.sizes, Fits(bore, shaft, np.zeros(len(pairs), np.int64), pairs[:, 0], pairs[:, 1]))
        at = int(found.worst_bore_at[0]), int(found.worst_shaft_at[0])
        value, station = self.sizes.locations.value, self.sizes.locations.station
        words = (
            f"bore {value[at[0]]:.6f} (station {station[at[0]]}) - shaft {value[at[1]]:.6f} (station {station[at[1]]})"
        )
        return select([0, 0], at, [1.0, -1.0], (1, len(value))), words


def same_before(subjects: Sequence[Subject], row: int) -> int | None:
    """The same component's feature in the inspection that was measured again."""
    own = subjects[row]
    for n, other in enumerate(subjects):
        if other.inspection == 1 and (other.feature, other.component, other.position) == (
            own.feature, own.component, own.position
        ):  # fmt: skip
            return n
    return None


def _close(value: float, stored: float | None) -> bool:
    return stored is not None and abs(value - stored) <= AGREE_MM


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _opinion(drawn: Drawn, result: Document, check: Check) -> Document:
    value, expanded = result["value"], result["expanded_uncertainty"]
    return {
        "draws": check.draws,
        "seed": check.seed,
        "mean": drawn.mean,
        "standard_uncertainty": drawn.standard_uncertainty,
        "low": drawn.low,
        "high": drawn.high,
        "probability_beyond": _finite(drawn.beyond),
        "difference_low": drawn.low - (value - expanded),
        "difference_high": drawn.high - (value + expanded),
        "tolerance": AGREES * result["standard_uncertainty"],
        "agrees": ends_agree(drawn, value, result["standard_uncertainty"], expanded),
    }


def _line(line: Line) -> Document:
    return {
        "key": line.key,
        "what": line.what,
        "estimate": _finite(line.estimate),
        "value": line.u,
        "origin": line.origin,
        "unit": line.unit,
        "degrees_of_freedom": _finite(line.nu),
        "distribution": line.distribution,
        "sensitivity": line.sensitivity,
        "contribution": line.contribution,
        "share": line.share,
    }


def line_in(line: Document, unit: str, per_mm: float) -> Document:
    """A budget line whose lengths are in another unit; its contribution is converted with the document."""
    is_length = line["unit"] == MM
    estimate = line["estimate"]
    return line | {
        "estimate": estimate * per_mm if is_length and estimate is not None else estimate,
        "value": line["value"] * (per_mm if is_length else 1.0),
        "unit": unit if is_length else line["unit"],
        "sensitivity": line["sensitivity"] * (1.0 if is_length else per_mm),
    }
