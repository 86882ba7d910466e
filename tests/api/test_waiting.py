"""`Prefer: wait`: an answer held until the work is done, not at the price of everyone else's."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from flask import Flask, Response

from service.api.waiting import applied, asked, hold


@pytest.fixture
def app() -> Flask:
    """An app whose process has four threads; nothing else of it is used."""
    made = Flask("waiting")
    made.config["THREADS"] = 4
    return made


@pytest.mark.parametrize(
    ("prefer", "seconds"),
    [
        ([], None),
        (["wait=10"], 10),
        (["Wait = 10"], 10),
        (['wait="5"'], 5),
        (["respond-async, wait=10"], 10),
        (["respond-async", "wait=7; x=1"], 7),
        (["wait=0"], 0),
        (["wait=999999"], 60),
        (["wait=-1"], None),
        (["wait=ten"], None),
        (["await=10"], None),
    ],
)
def test_what_is_asked(app: Flask, prefer: list[str], seconds: int | None) -> None:
    """The preference is read as RFC 7240 writes it, at most 60 s; what is no preference is ignored."""
    with app.test_request_context(headers=[("Prefer", value) for value in prefer]):
        assert asked() == seconds


def test_it_ends_with_the_work(app: Flask) -> None:
    """The answer comes as soon as there is one, and says that the preference was honoured."""
    done_at = time.monotonic() + 0.2
    with app.test_request_context():
        assert hold(30, lambda: "done" if time.monotonic() > done_at else None) == "done"
        assert time.monotonic() - done_at < 1
        assert applied(Response(), 30).headers["Preference-Applied"] == "wait=30"


def test_it_ends_with_the_time(app: Flask) -> None:
    """When the time is up there is no answer; asked last at the end, not before it."""
    began = time.monotonic()
    with app.test_request_context():
        assert hold(0.3, lambda: None) is None
    assert 0.3 <= time.monotonic() - began < 2


@pytest.mark.parametrize("seconds", [None, 0])
def test_without_it_the_question_is_asked_once(app: Flask, seconds: int | None) -> None:
    """Who does not wait is answered at once."""
    questions: list[int] = []
    with app.test_request_context():
        assert hold(seconds, lambda: questions.append(1)) is None
    assert len(questions) == 1


def test_half_of_the_threads_stay_free(app: Flask) -> None:
    """When half of the process's threads wait, the next one is not held, and nothing says it was."""
    go_on = threading.Event()

    def wait() -> str | None:
        with app.test_request_context():
            return hold(20, lambda: "done" if go_on.is_set() else None)

    with ThreadPoolExecutor(2) as threads:
        held = [threads.submit(wait) for _ in range(2)]
        time.sleep(0.2)
        with app.test_request_context():
            began = time.monotonic()
            assert hold(20, lambda: None) is None
            assert time.monotonic() - began < 1
            assert "Preference-Applied" not in applied(Response(), 20).headers
        go_on.set()
        assert [future.result(10) for future in held] == ["done", "done"]
    with app.test_request_context():
        assert hold(0.05, lambda: None) is None  # there is room again
        assert "Preference-Applied" in applied(Response(), 1).headers
