"""Lists by key: complete, in order, whatever comes or goes between two pages."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from service.api.paging import cursor

pytestmark = pytest.mark.db
SITE = {"name": "Yard", "time_zone": "UTC"}


@pytest.fixture
def codes(client: FlaskClient) -> list[str]:
    """Seven sites."""
    made = [f"s-{n}" for n in range(7)]
    for code in made:
        assert client.put(f"/v1/sites/{code}", json=SITE).status_code == 201
    return made


def _walk(client: FlaskClient, url: str, between: Callable[[], None] = lambda: None) -> list[str]:
    seen = []
    while url:
        answer = client.get(url)
        assert answer.status_code == 200
        seen += [item["code"] for item in answer.json["items"]]
        link = answer.headers.get("Link")
        assert (link is None) == (answer.json["next"] is None)
        if link is not None:
            assert link.endswith('; rel="next"') and answer.json["next"] in link
        url = link.partition(">")[0].strip("<") if link else ""
        between()
    return seen


@pytest.mark.parametrize("limit", [1, 2, 3, 6, 7, 8, 1000])
def test_pages_join_to_the_whole_list(client: FlaskClient, codes: list[str], limit: int) -> None:
    """Following `Link: rel="next"` gives every item once, in order, and ends."""
    assert _walk(client, f"/v1/sites?limit={limit}") == codes


def test_what_comes_and_goes_shifts_nothing(client: FlaskClient, codes: list[str]) -> None:
    """An item added or deleted behind the cursor neither repeats nor hides another one."""

    def change() -> None:
        client.delete("/v1/sites/s-0")
        client.put("/v1/sites/a-new", json=SITE)

    assert _walk(client, "/v1/sites?limit=2", change) == codes


def test_an_empty_list_has_no_next_page(client: FlaskClient) -> None:
    """A list without items is an empty page."""
    answer = client.get("/v1/sites")
    assert (answer.json, "Link" in answer.headers) == ({"items": [], "next": None}, False)


def test_the_default_is_a_hundred(client: FlaskClient) -> None:
    """`limit` is 100 unless asked, at most 1000."""
    for n in range(101):
        client.put(f"/v1/sites/n-{n}", json=SITE)
    assert len(client.get("/v1/sites").json["items"]) == 100
    assert client.get("/v1/sites?limit=1001").status_code == 422


@pytest.mark.parametrize(
    "after",
    [
        "x",
        "%E2%82%AC",
        "",
        base64.urlsafe_b64encode(b"[1]").decode(),
        base64.urlsafe_b64encode(b'{"a":1}').decode(),
        base64.urlsafe_b64encode(b'["a","b"]').decode(),
        base64.urlsafe_b64encode(json.dumps(["a\0"]).encode()).decode(),
        base64.urlsafe_b64encode(b"[" * 2000).decode()[:480],
    ],
)
def test_a_cursor_that_is_none(client: FlaskClient, after: str) -> None:
    """What is not a cursor of this list is refused as such."""
    answer = client.get(f"/v1/sites?after={after}")
    assert [(item["pointer"], item["code"]) for item in answer.get_json(force=True)["errors"]] == [
        ("?after", "bad-cursor")
    ]


def test_a_cursor_of_another_list(client: FlaskClient) -> None:
    """A cursor of a list with other keys is refused."""
    assert client.get(f"/v1/sites?after={cursor([3])}").status_code == 422
    assert client.get(f"/v1/sites?after={cursor(['zz'])}").json["items"] == []


def test_a_site_bound_token_lists_its_own(
    client: FlaskClient, codes: list[str], make_client: Callable[..., FlaskClient]
) -> None:
    """A token bound to a site sees only that."""
    bound = make_client("read", site="s-3")
    assert [item["code"] for item in bound.get("/v1/sites").json["items"]] == ["s-3"]
    assert bound.get("/v1/sites/s-3").status_code == 200
    answer = bound.get("/v1/sites/s-4")
    assert (answer.status_code, answer.get_json(force=True)["code"]) == (403, "outside-site")
