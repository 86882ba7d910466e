"""The outlook: figures that agree with the forecast, and a picture that says what it shows."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import pytest

from tests.worker.conftest import Workshop

NEW = {"piston.od": 97.91, "casing.bore": 97.99}
WORN = {"piston.od": 97.88, "casing.bore": 98.01}
SVG = {"Accept": "image/svg+xml"}


@pytest.fixture
def worn(shop: Workshop) -> str:
    """An inspection of a tool half worn, measured as new before."""
    shop.inspect(0, NEW, stage="as_left")
    found = shop.inspect(30, WORN, metres=1000.0)
    shop.work()
    return found


def outlook(shop: Workshop, **query: object) -> dict:
    sent = "&".join(f"{name}={value}" for name, value in query.items())
    return shop.call("GET", f"/tools/H-1/outlook?{sent}")


def test_it_begins_where_the_tool_stands(shop: Workshop, worn: str) -> None:
    """At usage 0 wear and clearance are those of the states, and bands widen from there."""
    found = outlook(shop, metres=2000)
    assert found["usage"][0] == 0 and found["usage"][-1] == 2000 and found["basis"] == "metres"
    states = {row["feature"]: row["wear_state"] for row in shop.assessment(worn)["sizes"]}
    wear = {row["feature"]: row for row in found["wear"]}
    assert wear["piston.od"]["p50"][0] == pytest.approx(states["piston.od"]["level"])
    (clearance,) = found["clearances"]
    expected = 98.0 - 1e-2 - 97.91 + states["piston.od"]["level"] + states["casing.bore"]["level"]
    assert clearance["p50"][0] == pytest.approx(expected) and clearance["discard"] == 0.21
    widths = [high - low for low, high in zip(clearance["p10"], clearance["p90"], strict=True)]
    assert widths == sorted(widths)
    assert found["performance"]["p50"][0] > found["performance"]["p50"][-1]
    assert {row["position"] for row in found["wear"] if row["feature"] == "ring.wall"} == {1, 2}


def test_it_agrees_with_the_quantiles(shop: Workshop, worn: str) -> None:
    """At a usage of p50 each limit has been reached with probability one half."""
    for row in shop.assessment(worn)["remaining"]["limits"]:
        found = outlook(shop, metres=row["p50"])
        lines = [*found["wear"], *found["clearances"], found["performance"]]
        line = next(line for line in lines if line["limit"] == row["limit"])
        assert line["reached"][-1] == pytest.approx(0.5, abs=1e-4)


def test_in_other_ground_and_unit(shop: Workshop, worn: str) -> None:
    """Four times the metres in soft ground wear as much; lengths come in inches, performance as it is."""
    hard, soft = outlook(shop, metres=1000), outlook(shop, metres=4000, ground="soft", unit="in")
    assert soft["wear"][0]["p50"][-1] == pytest.approx(hard["wear"][0]["p50"][-1] / 25.4)
    assert soft["performance"]["p50"] == pytest.approx(hard["performance"]["p50"])
    assert soft["ground"] == {"soft": 1.0}


def test_a_picture(shop: Workshop, worn: str) -> None:
    """By Accept it is a valid SVG with a title and a view box, as wide as a telephone, that names units and lines."""
    answer = shop.client.get("/v1/tools/H-1/outlook?metres=2000", headers=SVG)
    assert answer.status_code == 200 and answer.content_type == "image/svg+xml"
    root = ElementTree.fromstring(answer.data)  # noqa: S314 - our own picture
    assert root.tag.endswith("svg") and root.get("viewBox")
    assert float(str(root.get("width")).removesuffix("pt")) < 320
    words = answer.get_data(True)
    for word in ("Outlook of H-1", "Clearance [mm]", "Metres ahead [m]", "Performance retained [%]", "piston.od"):
        assert word in words
    colours = {c for c in words.split("#")[1:] if len(c) > 6}
    assert all(c[:2] == c[2:4] == c[4:6] for c in colours if all(x in "0123456789abcdef" for x in c[:6]))


@pytest.mark.parametrize(
    ("accept", "status", "kind"),
    [
        (None, 200, "application/json"),
        ("*/*", 200, "application/json"),
        ("image/*", 200, "image/svg+xml"),
        ("image/svg+xml;q=0.5, application/json;q=0.9", 200, "application/json"),
        ("text/html, image/avif, */*;q=0.1", 200, "application/json"),
        ("image/png", 406, "application/problem+json"),
        ("text/html", 406, "application/problem+json"),
        ("application/json;q=0", 406, "application/problem+json"),
    ],
)
def test_what_is_accepted(shop: Workshop, accept: str | None, status: int, kind: str) -> None:
    """The better liked of its two formats; a request that takes neither is told so."""
    answer = shop.client.get("/v1/tools/H-1/outlook", headers={} if accept is None else {"Accept": accept})
    assert (answer.status_code, answer.content_type) == (status, kind)
    assert answer.headers["Vary"] == "Accept"


def test_what_it_refuses(shop: Workshop) -> None:
    """The other basis, nothing ahead, and no such tool; a tool never inspected has the outlook of new parts."""
    assert shop.client.get("/v1/tools/H-1/outlook?hours=10").status_code == 422
    assert shop.client.get("/v1/tools/H-1/outlook?metres=0").status_code == 422
    assert shop.client.get("/v1/tools/H-7/outlook").status_code == 404
    assert outlook(shop)["usage"][-1] == 2000
    shop.put_tool("H-9")
    assert shop.client.get("/v1/tools/H-9/outlook", headers=SVG).status_code == 200
