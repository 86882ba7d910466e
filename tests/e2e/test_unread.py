"""A large file that is not read to its end: who sends it gets the answer, over real sockets."""

from __future__ import annotations

from http.client import HTTPConnection
from typing import Any

import pytest

from service.config import Config
from tests.plugins.live import LiveStack

pytestmark = [pytest.mark.db, pytest.mark.broker]

LARGE = b"reference,tool,taken_at,feature,value\n" + b"x" * 20_000_000


def post(stack: LiveStack, path: str, token: str | None = None, body: bytes = LARGE, **headers: str) -> tuple[int, Any]:
    """Send a large body, read the answer, and use the connection once more."""
    connection = HTTPConnection(stack.config.bind, timeout=60)
    named = {"Authorization": f"Bearer {token or stack.token}", "Content-Type": "text/csv", **headers}
    connection.request("POST", path, body, named)
    answer = connection.getresponse()
    answer.read()
    connection.auto_open = 0  # a connection that was closed is not opened anew
    connection.request("GET", "/healthz")
    assert connection.getresponse().status == 200
    connection.close()
    return answer.status, answer.headers


def test_the_answer_is_got(live_api: LiveStack) -> None:
    """What is tried, refused, too large or of nobody is read to its end: no broken pipe in place of the answer."""
    assert post(live_api, "/v1/layouts/plain/trial")[0] == 200
    assert post(live_api, "/v1/gauge-exports?layout=unheard-of")[0] == 422
    assert post(live_api, "/v1/gauge-exports?layout=plain", **{"Content-Type": "text/html"})[0] == 415
    assert post(live_api, "/v1/gauge-exports?layout=plain", token="nobody's")[0] == 401
    assert post(live_api, "/v1/inspections", body=2 * LARGE, **{"Content-Type": "application/json"})[0] == 413


def test_the_time_to_come_again_is_got(live_api: LiveStack, config: Config) -> None:
    """A large file that there is no room for is answered 503 with the time to come again, whole."""
    live_api.end(live_api.children[0])
    live_api.start("api", STRIPDOWN_FREE_DISK_FLOOR_MB="99999999")
    status, headers = post(live_api, "/v1/gauge-exports?layout=plain")
    assert (status, headers["Retry-After"]) == (503, "60")
