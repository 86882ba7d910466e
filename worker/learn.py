"""What a fleet teaches of its wear: read, fitted, compared with the newest version, stored if it says something new.

One learner of a type at a time, with no transaction of the store open while it computes. The new version moves each
tool's newest inspection on; their tools are marked in batches, so that intake goes on meanwhile.
"""

from __future__ import annotations

import hashlib
import logging
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from service import queue
from service.store import wear_models
from service.store.errors import StoreAway
from service.store.forecast_records import add_record
from service.store.pool import Connection, snapshot, transaction
from service.store.wear_models import LastLook, Learned
from worker.corrections import NOTHING
from worker.correlations import rate_correlations
from worker.fleet import Fleet, feature_readings, read_fleet, rests_on
from worker.fleet_breakage import learn_breakage
from worker.fleet_fit import fit_features
from worker.record import score_history
from worker.wear_model import CATALOGUE, read_wear_model

logger = logging.getLogger(__name__)

ENOUGH = 10
"""New sizes after which a fleet is asked again."""
MARKED_AT_ONCE = 500
TELLING = 0.01
"""Least relative change of a figure that makes a new version: less moves no forecast by what anybody could see."""


@dataclass(frozen=True, slots=True)
class Look:
    """A fleet as it was read."""

    fleet: Fleet | None
    looked_at: datetime
    last: LastLook
    before: dict[str, Any] | None
    broken: list[tuple[int, str, int, datetime]]

    def digest(self, fleet: Fleet) -> bytes:
        """Digest of all that is learned from."""
        told = fleet.digest()
        return hashlib.sha256(told + repr(self.broken).encode()).digest() if self.broken else told


def learn_due() -> int:
    """Learn every type whose fleet has something new to teach, score what was forecast, mark what rests on less.

    Returns
    -------
    int
        Versions stored.
    """
    with transaction() as conn:
        due = wear_models.list_due(conn, ENOUGH)
    stored = sum(_attempt(learn_type, type_id) for type_id in due)
    mark_outdated()  # scoring takes longer than learning
    with transaction() as conn:
        unscored = wear_models.list_unscored(conn, ENOUGH)
    stored += sum(_attempt(score_type, type_id) for type_id in unscored)
    mark_outdated()
    return stored


def _attempt(learner: Callable[[int], int | None], type_id: int) -> bool:
    """Whether a version came of it; what fails of one type keeps no other from its turn."""
    try:
        return learner(type_id) is not None
    except StoreAway:
        raise
    except Exception:
        logger.exception("%s failed for type %d", learner.__name__, type_id)
        return False


def mark_outdated() -> int:
    """Mark the tools whose status rests on an older version, a batch a transaction; return how many."""
    marked = 0
    while True:
        with transaction() as conn:
            found = wear_models.mark_outdated(conn, MARKED_AT_ONCE)
        marked += found
        if found < MARKED_AT_ONCE:
            break
        queue.hint()
    if marked:
        queue.hint()
    return marked


def learn_type(type_id: int) -> int | None:
    """Learn the wear of one type's fleet.

    Parameters
    ----------
    type_id : int

    Returns
    -------
    int or None
        The new version; None where nothing new was found, or another learner is at it.
    """
    began = time.monotonic()
    with transaction() as turn:
        if not wear_models.take_turn(turn, type_id):
            return None
        look = _look(type_id)
        if look.fleet is None:
            return None
        learned = Learned(look.fleet.layout.type.revision, look.digest(look.fleet), len(look.fleet.wear))
        document = None if learned.digest == look.last.digest else _document(look.fleet, look)
        seconds = time.monotonic() - began
        with transaction() as conn:
            version = _add(conn, type_id, look, document)
            wear_models.remember_look(conn, type_id, look.looked_at, seconds, learned)
    logger.info("type %d looked at in %.1f s: %s", type_id, seconds, f"version {version}" if version else "nothing new")
    return version


def score_type(type_id: int) -> int | None:
    """Score what would have been forecast over one type's history, and keep the record.

    Returns
    -------
    int or None
        The new version, where the record corrects the quantiles otherwise than the newest one does.
    """
    with transaction() as turn:
        if not wear_models.take_turn(turn, type_id):
            return None
        look = _look(type_id)
        if look.fleet is None or look.before is None:
            return None
        record = score_history(look.fleet)
        with transaction() as conn:
            version = _add(conn, type_id, look, look.before | {"recalibration": record.recalibration})
            add_record(conn, type_id, version or look.last.version, record.document, len(look.fleet.wear))
    return version


def _look(type_id: int) -> Look:
    with snapshot() as conn:
        last = wear_models.get_last_look(conn, type_id)
        before = None if last.version is None else wear_models.get_document(conn, type_id, last.version)
        looked_at = wear_models.looked_at(conn, type_id)
        broken = wear_models.list_breakages(conn, type_id)
        fleet = read_fleet(conn, wear_models.list_fleet(conn, type_id), type_id)
    return Look(fleet, looked_at, last, before, broken)


def _add(conn: Connection, type_id: int, look: Look, document: dict[str, Any] | None) -> int | None:
    """Store a version if it says more than the newest; return its number."""
    if document is None or look.fleet is None or not says_more(document, look.before):
        return None
    version = (look.last.version or 0) + 1
    wear_models.add_wear_model(conn, type_id, version, look.fleet.layout.type.revision, document)
    return version


def _document(fleet: Fleet, look: Look) -> dict[str, Any]:
    return learned_document(fleet, look.before) | {"breakage": learn_breakage(fleet, look.broken)}


def learned_document(fleet: Fleet, before: dict[str, Any] | None) -> dict[str, Any]:
    """A version as it is stored; lengths mm, usage thousands of the life basis. Corrections are those that hold."""
    fits = fit_features(fleet)
    every = np.concatenate([feature_readings(fleet, n).rows for n in range(len(fits))] or [np.zeros(0, np.int64)])
    factors = fits[0].ground_factors if fits else fleet.grounds.factors
    named = dict(zip(fleet.grounds.names, factors.tolist(), strict=True))
    catalogue = fleet.layout.type.ground_factors
    document = {
        "life_basis": fleet.layout.type.life_basis,
        "ground_factors": {name: named.get(name, factor) for name, factor in catalogue.items()},
        "features": [fit.document for fit in fits],
        "recalibration": {"own": NOTHING, "sums": NOTHING} if before is None else before["recalibration"],
        "rests_on": rests_on(fleet, every),
    }
    together = rate_correlations(fleet, read_wear_model(CATALOGUE, document))
    return document | {"slope_correlation": together.slope, "reversal_correlation": together.reversal}


def says_more(document: dict[str, Any], before: dict[str, Any] | None) -> bool:
    """Whether a lesson differs from the newest version by what could move a forecast."""
    if before is None:
        return True
    old, new = (_figures(one) for one in (before, document))
    if old.keys() != new.keys():
        return True
    return any(not math.isclose(new[name], value, rel_tol=TELLING, abs_tol=1e-12) for name, value in old.items())


def _figures(document: dict[str, Any]) -> dict[str, float]:
    """Every figure that a forecast uses, by name."""
    figures = {f"ground {name}": factor for name, factor in document["ground_factors"].items()}
    for name in ("slope_correlation", "reversal_correlation"):
        figures[name] = 1.0 + document.get(name, 0.0)  # a hundredth of them is what counts, not a hundredth of itself
    for row in document["features"]:
        for name in ("mean", "tau", "process_sd"):
            figures[f"{row['feature']} {name}"] = row[name]
        for name, value in (row["running_in"] or {}).items():
            figures[f"{row['feature']} running-in {name}"] = value
    for row in document.get("breakage", ()):
        figures |= {f"{row['part']} {name}": row[name] for name in ("shape", "scale")}
    for group, row in document["recalibration"].items():
        if row["applied"]:
            figures |= {f"{group} {n}": level for n, level in enumerate(row["level"])}
    return figures
