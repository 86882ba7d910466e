"""The catalogue: what an entry must be, its revisions, its units."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable
from datetime import datetime
from functools import reduce
from pathlib import Path
from typing import Any

import psycopg
import pytest
from flask.testing import FlaskClient

from service.api.tool_type_document import ToolTypeBody
from service.catalogue import from_document
from service.config import Config

pytestmark = pytest.mark.db
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
URL = "/v1/tool-types/rc-120"


@pytest.fixture
def entry() -> dict[str, Any]:
    """The example of the OpenAPI document."""
    document: dict[str, Any] = json.loads((EXAMPLES / "tool-type.json").read_text())
    return document


def _faults(client: FlaskClient, document: Any) -> list[tuple[str, str]]:
    answer = client.put(URL, data=json.dumps(document), content_type="application/json")
    assert answer.status_code == 422, answer.data
    return [(item["pointer"], item["code"]) for item in answer.get_json(force=True)["errors"]]


def _changed(entry: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """The entry with one place replaced: `fits/0/new`; a path ending in `+` appends."""
    changed = copy.deepcopy(entry)
    *way, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    holder = reduce(lambda at, step: at[step], way, changed)
    if last == "+":
        holder.append(value)
    else:
        holder[last] = value
    return changed


def test_required_is_little(client: FlaskClient) -> None:
    """Name, unit, parts and features are required; everything else has a default that the answer shows."""
    least = {
        "name": "Small hammer",
        "unit": "mm",
        "parts": [{"code": "piston"}],
        "features": [{"part": "piston", "code": "d", "kind": "shaft", "new": {"min": 97.9, "max": 97.92}}],
    }
    answer = client.put(URL, json=least)
    assert (answer.status_code, answer.headers["Location"]) == (201, URL)
    shown = answer.json
    assert shown.keys() == ToolTypeBody().fields.keys() | {"code", "revision", "recorded_at"}
    assert (shown["service_loss"], shown["loss_model"], shown["life_basis"]) == (0.20, "rule", "metres")
    assert shown["decision"] == {"risk_accept": 0.05, "risk_discard": 0.05, "monitor_fraction": 0.8}
    assert shown["assumed_uncertainty"]["random"]["unnamed"] == 0.008
    assert shown["temperature"]["room_half_width_c"] == 10
    assert shown["parts"][0] == {
        **{"code": "piston", "name": "piston", "quantity": 1, "matched_set": False},
        **{"price": None, "mass_kg": None, "lead_days": None, "sides": []},
    }
    assert shown["features"][0]["expansion_per_k"] == 11.5e-6
    assert (shown["air"], shown["fits"], shown["ground_factors"]) == (None, [], {})


def test_the_example_is_kept_as_sent(client: FlaskClient, entry: dict[str, Any]) -> None:
    """Every figure of a full entry comes back as it was sent."""
    client.put(URL, json=entry)
    _assert_within(entry, client.get(URL).json)


def _assert_within(sent: Any, shown: Any) -> None:
    if isinstance(sent, dict):
        for key, value in sent.items():
            _assert_within(value, shown[key])
    elif isinstance(sent, list):
        assert len(sent) == len(shown)
        for one, other in zip(sent, shown, strict=True):
            _assert_within(one, other)
    else:
        assert sent == shown


def test_a_stored_document_is_the_typed_catalogue(client: FlaskClient, entry: dict[str, Any], config: Config) -> None:
    """What is stored is what the worker reads: canonical, in mm."""
    client.put(URL, json=entry | {"unit": "in"} | {"fits": [], "offsets": []})
    with psycopg.connect(config.database_url) as conn:
        row = conn.execute("SELECT document FROM tool_type_revisions").fetchone()
    assert row is not None
    tool_type = from_document("rc-120", 1, row[0])
    assert tool_type.feature_by_code["piston.large-diameter"].discard == pytest.approx(97.80 * 25.4, abs=1e-9)
    assert tool_type.part_by_code["casing"].quantity == 1


def test_a_change_makes_a_revision(client: FlaskClient, entry: dict[str, Any]) -> None:
    """A change makes a new revision, an identical PUT none, even where it spells out a default; old ones stay."""
    assert client.put(URL, json=entry).json["revision"] == 1
    assert client.put(URL, json=entry).status_code == 200
    assert client.put(URL, json=entry | {"temperature": {"part_u_c": 0.3}}).json["revision"] == 1
    assert client.put(URL, json=entry | {"assumed_uncertainty": None}).json["revision"] == 1
    changed = client.put(URL, json=entry | {"service_loss": 0.25})
    assert (changed.status_code, changed.json["revision"], changed.headers["ETag"]) == (200, 2, '"2-mm"')
    assert client.get(URL).json["service_loss"] == 0.25
    assert client.get(f"{URL}?revision=1").json["service_loss"] == 0.20
    assert client.get(f"{URL}?revision=3").status_code == 404
    revisions = client.get(f"{URL}/revisions?limit=1")
    assert [item["revision"] for item in revisions.json["items"]] == [1]
    rest = client.get(f"{URL}/revisions?after={revisions.json['next']}")
    assert [item["revision"] for item in rest.json["items"]] == [2]
    assert client.get("/v1/tool-types/none/revisions").status_code == 404
    assert [item["revision"] for item in client.get("/v1/tool-types").json["items"]] == [2]


LENGTHS = {
    "features/0/new/min",
    "features/0/discard",
    "features/0/process_sd",
    "features/0/wear_per_1000/mean",
    "features/0/wear_per_1000/sd",
    "features/0/stations/1/position",
    "fits/0/new/max",
    "fits/0/discard",
    "fits/0/leak/land_length",
    "offsets/0/target",
    "offsets/0/max",
    "assumed_uncertainty/random/micrometer",
    "assumed_uncertainty/calibration/unnamed",
}
OTHERS = {
    "loss_per_mm",
    "service_loss",
    "air/supply_bar",
    "features/0/expansion_per_k",
    "fits/0/leak/eccentricity",
    "fits/0/loss_share",
    "temperature/room_half_width_c",
    "temperature/expansion_half_width_per_k",
    "parts/0/price",
    "ground_factors/hard",
    "campaign",
}


def _at(document: Any, path: str) -> Any:
    return reduce(lambda at, step: at[int(step) if step.isdigit() else step], path.split("/"), document)


def test_units(client: FlaskClient, entry: dict[str, Any]) -> None:
    """Lengths are shown in the unit asked for; what is per mm, per kelvin or no length stays as it is."""
    client.put(URL, json=entry)
    mm, inch = client.get(URL).json, client.get(f"{URL}?unit=in").json
    assert (mm["unit"], inch["unit"]) == ("mm", "in")
    for path in LENGTHS:
        assert _at(inch, path) * 25.4 == pytest.approx(_at(mm, path), abs=1e-9), path
    for path in OTHERS:
        assert _at(inch, path) == _at(mm, path), path
    assert client.get(f"{URL}?unit=cm").get_json(force=True)["errors"][0]["code"] == "bad-unit"


def test_what_is_read_in_inches_and_put_back_is_no_revision(client: FlaskClient) -> None:
    """A catalogue entry, a gauge and a master read with `?unit=in` and put back unchanged stay what they are."""
    for url, name, revision in (
        (URL, "worked-example-tool-type", "revision"),
        ("/v1/gauges/G-1", "gauge", "revision"),
        ("/v1/masters/M-1", "master", "revision"),
    ):
        first = client.put(url, json=json.loads((EXAMPLES / f"{name}.json").read_text())).json
        read = client.get(f"{url}?unit=in").json
        sent = {key: value for key, value in read.items() if key not in ("code", "serial", "recorded_at", revision)}
        sent.pop("study", None)
        again = client.put(url, json=sent)
        assert (again.status_code, again.json[revision]) == (200, first[revision]), (url, again.json)


def test_an_entry_in_inches_is_the_same_entry(client: FlaskClient, entry: dict[str, Any]) -> None:
    """Sent in inches, every length is stored in mm within 1e-9, defaults of the service included."""
    client.put(URL, json=entry)
    shown = client.get(f"{URL}?unit=in").json
    sent = {key: value for key, value in shown.items() if key not in ("code", "revision", "recorded_at")}
    again = client.put("/v1/tool-types/inches", json=sent)
    assert again.status_code == 201, again.data
    mm = client.get(URL).json
    for path in LENGTHS | OTHERS:
        assert _at(again.json, path) == pytest.approx(_at(mm, path), abs=1e-9), path
    short = client.put(URL, json=entry | {"unit": "in", "fits": [], "offsets": []}).json
    assert short["assumed_uncertainty"]["random"]["micrometer"] == 0.002


REFUSED: dict[str, tuple[str, Any, str, str]] = {
    "wrong unit": ("unit", "cm", "/unit", "bad-unit"),
    "discard of a shaft above new": ("features/0/discard", 97.95, "/features/0/discard", "discard-side"),
    "discard of a shaft within new": ("features/0/discard", 97.91, "/features/0/discard", "discard-side"),
    "discard of a shaft at new": ("features/0/discard", 97.90, "/features/0/discard", "discard-side"),
    "discard of a bore below new": ("features/1/discard", 97.90, "/features/1/discard", "discard-side"),
    "discard of a wall above new": ("features/4/discard", 10.5, "/features/4/discard", "discard-side"),
    "discard of a fit below new": ("fits/0/discard", 0.05, "/fits/0/discard", "discard-side"),
    "monitor of a shaft beyond discard": ("features/0/monitor", 97.79, "/features/0/monitor", "monitor-side"),
    "monitor of a shaft above new": ("features/0/monitor", 97.93, "/features/0/monitor", "monitor-side"),
    "monitor of a bore beyond discard": ("features/1/monitor", 98.1, "/features/1/monitor", "monitor-side"),
    "monitor of a fit beyond discard": ("fits/0/monitor", 0.22, "/fits/0/monitor", "monitor-side"),
    "new upside down": ("features/0/new", {"min": 98, "max": 97}, "/features/0/new", "empty-interval"),
    "a shaft that is a bore": ("fits/0/shaft", "casing.piston-bore", "/fits/0/shaft", "not-a-shaft"),
    "a bore that is a shaft": ("fits/0/bore", "bit.gauge-diameter", "/fits/0/bore", "not-a-bore"),
    "new clearance off the sizes": ("fits/0/new", {"min": 0.11, "max": 0.12}, "/fits/0/new", "new-interval"),
    "unknown part of a feature": ("features/0/part", "pistn", "/features/0/part", "unknown-part"),
    "unknown part of a check": ("checks/0/part", "valv", "/checks/0/part", "unknown-part"),
    "unknown shaft": ("fits/0/shaft", "piston.small-diameter", "/fits/0/shaft", "unknown-feature"),
    "unknown feature of an offset": ("offsets/0/larger", "bit.none", "/offsets/0/larger", "unknown-feature"),
    "an offset of one feature": ("offsets/0/smaller", "bit.gauge-diameter", "/offsets/0/smaller", "same-feature"),
    "an offset's target outside": ("offsets/0/target", 2.3, "/offsets/0/target", "target-outside"),
    "an offset upside down": ("offsets/0/max", 0.7, "/offsets/0/max", "empty-interval"),
    "duplicate part": ("parts/+", {"code": "piston"}, "/parts/7/code", "duplicate"),
    "duplicate check": ("checks/1/code", "valve-condition", "/checks/1/code", "duplicate"),
    "duplicate air setting": ("air_settings/1/code", "standard", "/air_settings/1/code", "duplicate"),
    "duplicate station": ("features/0/stations/1/station", 1, "/features/0/stations/1/station", "duplicate"),
    "negative factor": ("ground_factors/hard", -1, "/ground_factors/hard", "out-of-range"),
    "factor nought": ("ground_factors/hard", 0, "/ground_factors/hard", "out-of-range"),
    "fraction over 1": ("fits/0/leak/duty", 1.01, "/fits/0/leak/duty", "out-of-range"),
    "fraction under 0": ("decision/monitor_fraction", -0.1, "/decision/monitor_fraction", "out-of-range"),
    "share of less than all": ("fits/0/loss_share", 0.998, "/fits", "shares-sum"),
    "leak up the pressure": (
        "fits/0/leak/downstream_fraction",
        0.9,
        "/fits/0/leak/downstream_fraction",
        "pressure-order",
    ),
    "back pressure over supply": ("air/back_pressure_bar", 22, "/air/back_pressure_bar", "pressure-order"),
    "risks over 1": ("decision/risk_accept", 0.96, "/decision/risk_discard", "risk-sum"),
    "unknown mating station": ("fits/0/mating_stations", [[1, 3]], "/fits/0/mating_stations/0/1", "unknown-station"),
    "a mating station alone": ("fits/0/mating_stations", [[1]], "/fits/0/mating_stations/0", "too-few"),
    "a number as text": ("features/0/discard", "97.8", "/features/0/discard", "not-a-number"),
    "NaN": ("features/0/discard", math.nan, "/features/0/discard", "not-finite"),
    "a truth as a number": ("features/0/discard", True, "/features/0/discard", "not-a-number"),
    "half a part": ("parts/0/quantity", 1.5, "/parts/0/quantity", "not-a-whole-number"),
    "no part": ("parts/0/quantity", 0, "/parts/0/quantity", "out-of-range"),
    "bad code": ("parts/0/code", "pis ton", "/parts/0/code", "bad-identifier"),
    "unknown field": ("air/pressure", 3, "/air/pressure", "unknown-field"),
    "unknown kind": ("features/2/kind", "round", "/features/2/kind", "not-one-of"),
    "unknown gauge kind": (
        "assumed_uncertainty",
        {"random": {"ruler": 1}},
        "/assumed_uncertainty/random/ruler",
        "unknown-field",
    ),
    "no features": ("features", [], "/features", "too-few"),
    "a feature that is no object": ("features/2", 7, "/features/2", "not-an-object"),
}


def test_what_cannot_be_is_refused(client: FlaskClient, entry: dict[str, Any]) -> None:
    """Each impossible entry is refused with a pointer to where it is, and nothing is stored."""
    for name, (path, value, pointer, code) in REFUSED.items():
        assert (pointer, code) in _faults(client, _changed(entry, path, value)), name
    assert client.get(URL).status_code == 404


def test_two_quantities(client: FlaskClient, entry: dict[str, Any]) -> None:
    """A fit or an offset has at most one side whose part stands more than once."""
    entry["parts"][0]["quantity"] = 2
    assert client.put(URL, json=entry).status_code == 201
    entry["parts"][1]["quantity"] = 2
    assert _faults(client, entry) == [("/fits/0/bore", "two-quantities")]
    entry["parts"][1]["quantity"] = 1
    entry["parts"][2]["quantity"] = entry["parts"][3]["quantity"] = 3
    assert _faults(client, entry) == [("/offsets/0/smaller", "two-quantities")]


def test_all_faults_at_once(client: FlaskClient, entry: dict[str, Any]) -> None:
    """Faults of shape, of sense and of reference come in one answer, sorted."""
    entry["unit"] = "ft"
    entry["features"][0]["discard"] = 99
    entry["features"][1]["new"]["min"] = "97"
    entry["fits"][0]["bore"] = "casing.none"
    entry["checks"][0]["part"] = "none"
    entry["parts"].append({"code": "bit"})
    assert _faults(client, entry) == [
        ("/checks/0/part", "unknown-part"),
        ("/features/0/discard", "discard-side"),
        ("/features/1/new/min", "not-a-number"),
        ("/fits/0/bore", "unknown-feature"),
        ("/parts/7/code", "duplicate"),
        ("/unit", "bad-unit"),
    ]


@pytest.mark.parametrize("body", [{}, [], 3, {"parts": 3, "features": {}}, {"fits": [[]], "parts": [None]}])
def test_a_document_of_another_kind(client: FlaskClient, body: Any) -> None:
    """Whatever is sent instead of an entry is refused, never an error."""
    assert _faults(client, body)


@pytest.mark.parametrize("currency", ["aud", "AU", "AUDS", "A$", "ÅUD", "AU1", " AUD", "AUD\n", "", 36])
def test_a_currency_is_three_capital_letters(client: FlaskClient, entry: dict[str, Any], currency: Any) -> None:
    """`currency` has the form of ISO 4217, whichever of its codes are in use; anything else is a fault."""
    assert _faults(client, entry | {"currency": currency}) == [
        ("/currency", "not-text" if currency == 36 else "bad-currency")
    ]
    assert client.put(URL, json=entry | {"currency": "XTS"}).json["currency"] == "XTS"


def test_a_new_clearance_left_out_is_that_of_the_sizes(client: FlaskClient, entry: dict[str, Any]) -> None:
    """A fit without `new` has the clearances that the new sizes of its features give."""
    del entry["fits"][0]["new"]
    new = client.put(URL, json=entry).json["fits"][0]["new"]
    assert new == {"min": pytest.approx(97.98 - 97.92), "max": pytest.approx(98.0 - 97.9)}


def test_a_new_revision_marks_the_tools_of_the_type(
    client: FlaskClient, entry: dict[str, Any], conn: psycopg.Connection
) -> None:
    """A new revision has every tool of the type computed again, from its newest inspection; an identical PUT none."""
    client.put(URL, json=entry)
    conn.execute("INSERT INTO sites (code, name, time_zone) VALUES ('s', 's', 'UTC')")
    conn.execute(
        "INSERT INTO tools (serial, tool_type_id, site_id)"
        " SELECT 'H-' || n, tool_type_id, site_id FROM tool_types, sites, generate_series(1, 2) n"
    )
    conn.execute(
        "INSERT INTO inspections (tool_id, reference, stage, taken_at, inputs_as_of)"
        " SELECT tool_id, 'r' || n, 'as_found', make_date(2025, n, 1), now()"
        " FROM tools, generate_series(1, 3) n WHERE serial = 'H-1'"
    )
    conn.execute("UPDATE inspections SET state = 'withdrawn' WHERE reference = 'r3'")
    conn.commit()
    assert client.put(URL, json=entry).status_code == 200
    assert conn.execute("SELECT count(*) FROM tool_work").fetchone() == (0,)
    assert client.put(URL, json=entry | {"campaign": 1500}).status_code == 200
    rows = conn.execute("SELECT serial, dirty_from, now() FROM tool_work JOIN tools USING (tool_id) ORDER BY serial")
    first, second = rows.fetchall()
    assert (first[0], first[1]) == ("H-1", datetime.fromisoformat("2025-02-01T00:00:00Z"))
    assert second[0] == "H-2" and abs((second[2] - second[1]).total_seconds()) < 60


def test_an_entry_in_use_stays(client: FlaskClient, entry: dict[str, Any], conn: psycopg.Connection) -> None:
    """Deleting an entry that a tool is of is a 409 naming the tool."""
    client.put(URL, json=entry)
    client.put("/v1/tool-types/spare", json=entry)
    conn.execute("INSERT INTO sites (code, name, time_zone) VALUES ('s', 's', 'UTC')")
    conn.execute(
        "INSERT INTO tools (serial, tool_type_id, site_id)"
        " SELECT 'H-1', tool_type_id, site_id FROM tool_types, sites WHERE tool_types.code = 'rc-120'"
    )
    conn.commit()
    answer = client.delete(URL)
    assert answer.status_code == 409
    assert answer.get_json(force=True)["used_by"] == [{"kind": "tool", "key": "H-1"}]
    assert client.delete("/v1/tool-types/spare").status_code == 204
    assert client.get("/v1/tool-types/spare").status_code == 404


def test_scopes_of_the_catalogue(make_client: Callable[..., FlaskClient], entry: dict[str, Any]) -> None:
    """The catalogue is written with `catalogue` and read with it or with `read`."""
    assert make_client("read", "intake").put(URL, json=entry).status_code == 403
    assert make_client("catalogue").put(URL, json=entry).status_code == 201
    assert make_client("read").get(URL).status_code == 200
    assert make_client("catalogue").get(URL).status_code == 200
    assert make_client("intake").get(URL).status_code == 403
