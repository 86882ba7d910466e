"""The published cases of `tests/published/sizes.json`, by kind, with their tolerances.

Each case carries its source and how sure it is. Agreement is |got - expected| <= max(abs, rel |expected|) with the
tolerance of the name, else that of "*"; strings are exact.
"""

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

PUBLISHED = Path(__file__).parents[1] / "published"


@cache
def worked_example() -> dict[str, Any]:
    """The worked example: an invented hammer, its bodies and what must come out."""
    return json.loads((PUBLISHED / "worked_example.json").read_text())


def cases(kind: str) -> list[Any]:
    """Parameters of one kind of case, named by id and source."""
    found = [case for case in json.loads((PUBLISHED / "sizes.json").read_text()) if case["kind"] == kind]
    assert found, f"no case of kind {kind}"
    return [pytest.param(case, id=f"{case['id']}: {case['source'][:40]}") for case in found]


def agrees(case: dict[str, Any], **got: Any) -> None:
    """Every expected value of the case is among `got` and within its tolerance."""
    for name, expected in case["expect"].items():
        value, tolerance = got[name], case["tol"].get(name, case["tol"]["*"])
        if isinstance(expected, str | list):
            assert value == expected, (case["id"], name)
        else:
            margin = max(tolerance.get("abs", 0), tolerance.get("rel", 0) * abs(expected))
            assert abs(value - expected) <= margin, (case["id"], name, value, expected)
