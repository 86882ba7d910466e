"""Parts with two ends in the catalogue: what changes places when they are turned end for end."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import psycopg
import pytest
from flask.testing import FlaskClient

pytestmark = pytest.mark.db
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
URL = "/v1/tool-types/reversible"


@pytest.fixture
def entry() -> dict[str, Any]:
    """The example of the OpenAPI document."""
    document: dict[str, Any] = json.loads((EXAMPLES / "tool-type-reversible.json").read_text())
    return document


def test_two_sides_are_kept_and_shown(client: FlaskClient, entry: dict[str, Any]) -> None:
    """What was put comes back, and put again it is the same revision; parts without sides show none."""
    answer = client.put(URL, json=entry)
    assert answer.status_code == 201 and answer.json["parts"][0]["sides"] == entry["parts"][0]["sides"]
    assert client.put(URL, json=entry).json["revision"] == 1
    del entry["parts"][0]["sides"]
    assert client.put(URL, json=entry).json["parts"][0]["sides"] == []
    assert client.get(f"{URL}?revision=1").json["parts"][0]["sides"]


def test_an_entry_from_before_there_were_sides(
    client: FlaskClient, entry: dict[str, Any], conn: psycopg.Connection
) -> None:
    """One stored without the field shows its default, and putting it again makes no revision."""
    del entry["parts"][0]["sides"]
    client.put(URL, json=entry)
    conn.execute("UPDATE tool_type_revisions SET document = document #- '{parts,0,sides}'")
    conn.commit()
    assert client.get(URL).json["parts"][0]["sides"] == []
    assert client.put(URL, json=entry).json["revision"] == 1


@pytest.mark.parametrize(
    ("sides", "faults"),
    [
        ([["top-diameter"]], [("", "two-sides")]),
        ([["top-diameter"], ["bottom-diameter"], ["top-diameter"]], [("", "too-many")]),
        ([["top-diameter"], ["top-diameter"]], [("/1/features/0", "duplicate")]),
        ([["top-diameter"], ["lower-diameter"]], [("/1/features/0", "unknown-feature")]),
        ([["top-diameter"], []], [("/1/features", "too-few"), ("/1/features", "sides-differ")]),
        ([["top-diameter", "bottom-diameter"], ["other"]], [("/1/features", "sides-differ")]),
        ([["top-diameter"], ["other"]], [("/1/features/0", "sides-differ")]),
    ],
)
def test_what_cannot_change_places(
    client: FlaskClient, entry: dict[str, Any], sides: list[list[str]], faults: list[tuple[str, str]]
) -> None:
    """Two sides with the same number of features of this part, each once, alike in all but how fast they wear."""
    entry["features"].append(entry["features"][1] | {"code": "other", "discard": 109.0})
    entry["parts"][0]["sides"] = [{"side": f"s{n}", "features": codes} for n, codes in enumerate(sides)]
    answer = client.put(URL, json=entry)
    assert answer.status_code == 422
    found = [
        (one["pointer"].removeprefix("/parts/0/sides"), one["code"]) for one in answer.get_json(force=True)["errors"]
    ]
    assert found == sorted(faults)


def test_names_of_sides(client: FlaskClient, entry: dict[str, Any]) -> None:
    """Two sides have two names; a side has a name and features and nothing else."""
    alike = copy.deepcopy(entry)
    alike["parts"][0]["sides"][1]["side"] = "top"
    answer = client.put(URL, json=alike).get_json(force=True)
    assert [(e["pointer"], e["code"]) for e in answer["errors"]] == [("/parts/0/sides/1/side", "duplicate")]
    entry["parts"][0]["sides"][0] = {"name": "top"}
    answer = client.put(URL, json=entry).get_json(force=True)
    assert {e["code"] for e in answer["errors"]} == {"required", "unknown-field", "sides-differ"}
