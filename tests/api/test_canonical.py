"""The canonical form of a source: the same inspection has one digest, another one has another."""

from __future__ import annotations

import copy
import random
from typing import Any

import msgspec
import pytest

from service import canonical, units
from service.store.statements import sql
from tests.api.inspection_bodies import inspection, reading

BASE = inspection(
    usage=[{"metres": 10.5, "ground": "hard"}, {"hours": 2, "ground": {"soft": 0.4, "medium": 0.6}}],
    setups=[{"setup": "morning", "gauge": "DBG-1", "master": "RING-98"}],
    renewals=[{"part": "piston", "component": "P-1"}, {"part": "casing"}],
    inspector="ab",
    thermometer={"serial": "T-1", "standard_uncertainty_c": 0.25},
)


def digest(body: dict[str, Any]) -> bytes:
    taken_at = units.read_moment(body["taken_at"])
    assert taken_at is not None
    return canonical.digest(msgspec.convert(body, canonical.Inspection), taken_at)


def changed(path: str, value: Any) -> dict[str, Any]:
    body = copy.deepcopy(BASE)
    at: Any = body
    *steps, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    for step in steps:
        at = at[step]
    at[last] = value
    return body


SAME = {
    "offset": ("taken_at", "2026-02-28T23:30:00Z"),
    "fraction": ("taken_at", "2026-03-01T09:30:00.000+10:00"),
    "stage spelt out": ("stage", "as_found"),
    "final spelt out": ("final", False),
    "ground as shares": ("usage/0/ground", {"hard": 1}),
    "whole as decimal": ("usage/1/hours", 2.0),
    "kind spelt out": ("readings/0/kind", "size"),
    "position spelt out": ("readings/0/position", 1),
    "removed_to spelt out": ("renewals/0/removed_to", "scrapped"),
    "one at zero": ("setups/0/readings_at_zero", 1),
    "set-up only named": ("setups", []),
}
OTHER = {
    "time": ("taken_at", "2026-03-01T09:30:01+10:00"),
    "stage": ("stage", "as_left"),
    "value": ("readings/0/value", 97.8611),
    "gauge": ("readings/0/gauge", "MIC-2"),
    "orientation": ("readings/0/orientation", 90),
    "no orientation": ("readings/0/orientation", None),
    "inspector": ("inspector", "cd"),
    "note": ("checks/0/note", "worn"),
    "amount": ("usage/0/metres", 10.6),
    "final": ("final", True),
    "at zero": ("setups/0/readings_at_zero", 3),
    "destination": ("renewals/0/removed_to", "stock"),
}


@pytest.mark.parametrize(("path", "value"), SAME.values(), ids=SAME)
def test_the_same_said_otherwise_is_the_same(path: str, value: Any) -> None:
    """Defaults spelt out, offsets and ways to write a number do not make another source."""
    assert digest(changed(path, value)) == digest(BASE)


@pytest.mark.parametrize(("path", "value"), OTHER.values(), ids=OTHER)
def test_something_else_is_another(path: str, value: Any) -> None:
    """Any field that says something else makes another source."""
    assert digest(changed(path, value)) != digest(BASE)


def test_order_does_not_matter() -> None:
    """Readings, checks, renewals and set-ups are multisets: their order does not count, their number does."""
    body = copy.deepcopy(BASE)
    for name in ("readings", "renewals", "usage"):
        random.Random(7).shuffle(body[name])
        body[name].reverse()
    assert digest(body) == digest(BASE)
    body["readings"].append(body["readings"][0])
    assert digest(body) != digest(BASE)


def test_inches_and_millimetres_are_one_length() -> None:
    """Lengths are exact decimals in mm: 3.8531 in is 97.86874 mm."""
    inches = inspection(unit="in", readings=[reading(value=3.8531)])
    assert digest(inches) == digest(inspection(readings=[reading(value=97.86874)]))
    assert canonical.length_mm(3.8531, "in") == 97.86874
    assert canonical.length_mm(97868.74, "um") == 97.86874


@pytest.mark.regression
def test_the_form_stays() -> None:
    """Digests are kept: an inspection stored by an older version is known again by a newer one."""
    assert digest(BASE).hex() == "e1fa2db4a1044b23444252e69333a0a45731d5a17621927faf360a7061994df5"


def test_the_statement_that_stores_is_one_the_driver_remembers() -> None:
    """Above 4,096 characters psycopg reads the placeholders of a statement anew for every inspection."""
    assert len(sql("inspections/add")) <= 4096
