"""One catalogue revision as arrays: which places, features, fits and limits a tool of it has, and their figures.

A *place* is one position of a part, a *slot* one feature at one place. A fit or offset with a side of quantity over
1 is judged once per position of that side. Lengths are mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from service.catalogue import Feature, Fit, Offset, ToolType
from worker.method.flow_loss import FlowModel
from worker.method.wear_state import WearStates
from worker.timeline import Place

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
LOST_DIGITS = 8  # units in the last place of a diameter, that a clearance may be off by for nothing but rounding


def _floats(values: list[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values], np.float64)


@dataclass(frozen=True)
class Slots:
    """Features at their places; shape (s,) each.

    Attributes
    ----------
    feature : ndarray of int
        Index into the type's features.
    place : ndarray of int
        Index into `Layout.places`.
    position : ndarray of int
        From 1.
    grows, on_mean : ndarray of bool
        Large is worn; the discard limit is for the mean.
    middle, width : ndarray
        Of the new limits.
    discard, monitor : ndarray
        NaN = none.
    """

    feature: Ints
    place: Ints
    position: Ints
    grows: Bools
    on_mean: Bools
    middle: Floats
    width: Floats
    discard: Floats
    monitor: Floats

    @cached_property
    def allowed(self) -> Floats:
        """Wear at the discard size; NaN without one."""
        return np.abs(self.discard - self.middle)

    def wear_of(self, slot: Ints, size: Floats) -> Floats:
        """Wear of some sizes, each of a slot, [mm]."""
        beyond = size - self.middle[slot]
        return np.where(self.grows[slot], beyond, -beyond)


@dataclass(frozen=True)
class FitSlots:
    """Fits, once per position of the side that has several; shape (f,) each.

    `bore`, `shaft` are slots, `position` is 0 where both parts stand once. `new`, `discard`, `monitor`, `share` are
    the catalogue's; `share` (of the loss) is divided by the number of positions.
    """

    fit: Ints
    position: Ints
    bore: Ints
    shaft: Ints
    new: Floats
    discard: Floats
    monitor: Floats
    share: Floats


@dataclass(frozen=True)
class Layout:
    """Places, slots and limits of one revision of a tool type."""

    type: ToolType
    places: tuple[Place, ...]
    slots: Slots
    fits: FitSlots
    offsets: FitSlots  # bore = larger, shaft = smaller

    @cached_property
    def slot_of(self) -> dict[tuple[str, int], int]:
        """Slot of each (feature code, position)."""
        codes = [self.type.features[f].code for f in self.slots.feature.tolist()]
        return dict(zip(zip(codes, self.slots.position.tolist(), strict=True), range(len(codes)), strict=True))

    @cached_property
    def opposite(self) -> Ints:
        """Slot that each slot changes places with when its part is turned end for end; itself where it does not."""
        across: dict[str, str] = {}
        for part in self.type.parts:
            if part.sides:
                one, other = (side.features for side in part.sides)
                across |= dict(zip(one + other, other + one, strict=True))
        return np.array([self.slot_of[across.get(code, code), position] for code, position in self.slot_of], np.int64)

    @cached_property
    def limit_names(self) -> tuple[str, ...]:
        """Names of the limits: every feature and fit with a discard, then performance where a fit has a share."""
        names = [self.limit_name("feature", s) for s in np.flatnonzero(np.isfinite(self.slots.discard)).tolist()]
        names += [self.limit_name("fit", f) for f in np.flatnonzero(np.isfinite(self.fits.discard)).tolist()]
        return tuple(names + ["performance"] * bool(self.by_flow or len(self.shared_fits)))

    def limit_name(self, kind: str, row: int) -> str:
        """Name of the limit of a slot (`kind` is ``feature``) or of a row of `fits` (``fit``)."""
        if kind == "feature":
            feature = self.type.features[int(self.slots.feature[row])]
            several = self.type.quantity_of(feature.part) > 1
            return f"feature:{feature.code}" + f"@{self.slots.position[row]}" * several
        position = int(self.fits.position[row])
        return f"fit:{self.type.fits[int(self.fits.fit[row])].code}" + f"@{position}" * bool(position)

    @cached_property
    def limit_slots(self) -> Ints:
        """Slots of the feature limits."""
        return np.flatnonzero(np.isfinite(self.slots.discard))

    @cached_property
    def shared_fits(self) -> Ints:
        """Rows of `fits` that have a share of the loss."""
        return np.flatnonzero(np.isfinite(self.fits.share))

    @cached_property
    def leak_fits(self) -> Ints:
        """Rows of `fits` that have leak figures, where the catalogue knows the air."""
        known = [self.type.fits[n].leak is not None for n in self.fits.fit.tolist()]
        return np.flatnonzero(known if self.type.air is not None else np.zeros(len(known), np.bool_))

    @cached_property
    def flow(self) -> FlowModel | None:
        """Hammer, compressor and `leak_fits`; None without leak figures.

        A fit that stands several times leaks what its positions leak on average: each takes its part of the duty.
        """
        if self.type.air is None or not len(self.leak_fits):
            return None
        numbers = self.fits.fit[self.leak_fits]
        times = np.bincount(numbers)[numbers]
        paths = []
        for n, several in zip(numbers.tolist(), times.tolist(), strict=True):
            fit = self.type.fits[n]
            assert fit.leak is not None  # noqa: S101  leak_fits are those
            paths.append(replace(fit, leak=replace(fit.leak, duty=fit.leak.duty / several)))
        return FlowModel(self.type.air, paths)

    @cached_property
    def flow_is_whole(self) -> bool:
        """Whether the loss by flow can be told: no fit that has a share of the loss is without leak figures."""
        return self.flow is not None and bool(np.isin(self.shared_fits, self.leak_fits).all())

    @cached_property
    def by_flow(self) -> bool:
        """Whether the flow governs the loss: asked for, and with the figures for it."""
        return self.type.loss_model == "flow" and self.flow_is_whole

    @cached_property
    def loss_fits(self) -> Ints:
        """Rows of `fits` that the governing loss is made of."""
        return self.leak_fits if self.by_flow else self.shared_fits

    def consumption(self, setting: str | None) -> float:
        """Free air a hammer takes at the supply pressure, at one of the tool's settings, [m3/min]; NaN if unknown."""
        stated = math.nan if self.type.air is None else self.type.air.consumption_m3_min
        return stated if setting is None else self.type.air_settings.get(setting, stated)

    def nominal_clearance(self) -> Floats:
        """Middle of the new bore less middle of the new shaft, of each row of `fits`.

        The fit's own middle where only digits lost in the difference of two diameters part them: a tool as new has
        then lost nothing.
        """
        bore = self.slots.middle[self.fits.bore]
        difference = bore - self.slots.middle[self.fits.shaft]
        lost = LOST_DIGITS * np.spacing(np.abs(bore))
        return np.where(np.abs(difference - self.fits.new) <= lost, self.fits.new, difference)


def carried_diameter(layout: Layout, states: WearStates) -> Floats:
    """Mean diameter of each fit by states of the mean, shape (r, slots) to (r, fits), [mm]."""
    slots, fits = layout.slots, layout.fits
    size = slots.middle + np.where(slots.grows, states.level, -states.level)
    return np.asarray(0.5 * (size[:, fits.bore] + size[:, fits.shaft]))


def lay_out_type(tool_type: ToolType) -> Layout:
    """Lay out one revision of a tool type."""
    places: list[Place] = [
        (part.code, position) for part in tool_type.parts for position in range(1, part.quantity + 1)
    ]
    place_of = {place: n for n, place in enumerate(places)}
    entries = [
        (n, position, feature)
        for n, feature in enumerate(tool_type.features)
        for position in range(1, tool_type.quantity_of(feature.part) + 1)
    ]
    slots = _slots(tool_type, entries, place_of)
    slot_of = {(feature.code, position): n for n, (_, position, feature) in enumerate(entries)}
    fits = _pairs(tool_type, [(fit.bore, fit.shaft) for fit in tool_type.fits], slot_of)
    offsets = _pairs(tool_type, [(off.larger, off.smaller) for off in tool_type.offsets], slot_of)
    return Layout(
        type=tool_type,
        places=tuple(places),
        slots=slots,
        fits=_fit_slots(tool_type, fits),
        offsets=_offset_slots(tool_type.offsets, offsets),
    )


def _slots(tool_type: ToolType, entries: list[tuple[int, int, Feature]], place_of: dict[Place, int]) -> Slots:
    features = [feature for _, _, feature in entries]
    fraction = tool_type.decision.monitor_fraction
    return Slots(
        feature=np.array([n for n, _, _ in entries], np.int64),
        place=np.array([place_of[f.part, p] for _, p, f in entries], np.int64),
        position=np.array([p for _, p, _ in entries], np.int64),
        grows=np.array([f.grows for f in features], np.bool_),
        on_mean=np.array([f.discard_on == "mean" for f in features], np.bool_),
        middle=_floats([f.new.middle for f in features]),
        width=_floats([f.new.max - f.new.min for f in features]),
        discard=_floats([f.discard for f in features]),
        monitor=_floats([_monitor(f.monitor, f.new.middle, f.discard, fraction) for f in features]),
    )


def _monitor(stated: float | None, new: float, discard: float | None, fraction: float) -> float | None:
    if stated is not None or discard is None:
        return stated
    return new + fraction * (discard - new)


def _pairs(
    tool_type: ToolType, sides: list[tuple[str, str]], slot_of: dict[tuple[str, int], int]
) -> list[tuple[int, int, int, int, int]]:
    """(row, position or 0, first side's slot, second side's slot, number of positions)."""
    pairs = []
    for n, (first, second) in enumerate(sides):
        counts = [tool_type.quantity_of(tool_type.feature_by_code[side].part) for side in (first, second)]
        several = max(counts)
        for position in range(1, several + 1):
            at = [position if count > 1 else 1 for count in counts]
            slots = slot_of[first, at[0]], slot_of[second, at[1]]
            pairs.append((n, position if several > 1 else 0, *slots, several))
    return pairs


def _fit_slots(tool_type: ToolType, pairs: list[tuple[int, int, int, int, int]]) -> FitSlots:
    fits: list[Fit] = [tool_type.fits[n] for n, *_ in pairs]
    fraction = tool_type.decision.monitor_fraction
    shares = [
        None if fit.loss_share is None else fit.loss_share / pair[4] for fit, pair in zip(fits, pairs, strict=True)
    ]
    columns = np.array([pair[:4] for pair in pairs], np.int64).reshape(-1, 4)
    return FitSlots(
        fit=columns[:, 0],
        position=columns[:, 1],
        bore=columns[:, 2],
        shaft=columns[:, 3],
        new=_floats([fit.new.middle for fit in fits]),
        discard=_floats([fit.discard for fit in fits]),
        monitor=_floats([_monitor(fit.monitor, fit.new.middle, fit.discard, fraction) for fit in fits]),
        share=_floats(shares),
    )


def _offset_slots(offsets: tuple[Offset, ...], pairs: list[tuple[int, int, int, int, int]]) -> FitSlots:
    """Offsets in the same form: `new` holds the least, `discard` the largest; nothing else applies."""
    rows = [offsets[n] for n, *_ in pairs]
    columns = np.array([pair[:4] for pair in pairs], np.int64).reshape(-1, 4)
    nothing = np.full(len(rows), np.nan)
    return FitSlots(
        fit=columns[:, 0],
        position=columns[:, 1],
        bore=columns[:, 2],
        shaft=columns[:, 3],
        new=_floats([row.min for row in rows]),
        discard=_floats([row.max for row in rows]),
        monitor=nothing,
        share=nothing,
    )
