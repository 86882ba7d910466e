"""The table "How verdicts become states" (contract, section 4), row by row."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from worker.method.tool_state import (
    NONE,
    Anatomy,
    Findings,
    ToolState,
    check_verdict,
    judge_parts,
    missed_checks,
    run_down,
    stops_after,
)
from worker.method.verdicts import Verdict

OK, WATCH, AGAIN, BAD = Verdict.SERVICEABLE, Verdict.MONITOR, Verdict.REMEASURE, Verdict.DISCARD
# places: piston, casing, two ring halves; slots likewise; one fit of piston (shaft) and casing (bore)
ANATOMY = Anatomy(
    slot_place=np.arange(4),
    fit_bore=np.array([1]),
    fit_shaft=np.array([0]),
    offset_larger=np.array([1]),
    offset_smaller=np.array([0]),
    allowed=np.array([0.10, 0.10, 0.5, 0.5]),
    fit_growth=np.array([0.13]),
    matched=np.array([False, False, True, True]),
)


def judged(**found: Any) -> tuple[list[int], ToolState]:
    """Verdict of each place and the tool's state, of one situation in which the rest is serviceable or not there."""
    row: dict[str, Any] = {
        "size": [OK] * 4, "fit": [OK], "offset": [NONE], "check": [NONE] * 4, "stop": [NONE] * 4, "wear": [0.02] * 4,
        "loss": 0.0, "loss_by_fit": [0.0], "matched_with": [0, 1, 2, 2], "inspected": True,
    } | found  # fmt: skip
    columns = {name: np.array([value]) for name, value in row.items()}
    result = judge_parts(ANATOMY, Findings(**columns), service_loss=0.20, monitor_fraction=0.8)
    return result.place[0].tolist(), ToolState(result.state[0])


@pytest.mark.parametrize(
    ("found", "places", "state"),
    [
        ({}, [OK, OK, OK, OK], ToolState.SERVICEABLE),
        ({"size": [BAD, OK, OK, OK]}, [BAD, OK, OK, OK], ToolState.SERVICE_DUE),
        ({"check": [NONE, BAD, NONE, NONE]}, [OK, BAD, OK, OK], ToolState.SERVICE_DUE),
        ({"size": [AGAIN, OK, OK, OK]}, [AGAIN, OK, OK, OK], ToolState.REMEASURE),
        ({"size": [AGAIN, BAD, OK, OK]}, [AGAIN, BAD, OK, OK], ToolState.SERVICE_DUE),
        ({"size": [WATCH, OK, OK, OK]}, [WATCH, OK, OK, OK], ToolState.MONITOR),
        ({"fit": [WATCH]}, [WATCH, WATCH, OK, OK], ToolState.MONITOR),
        ({"fit": [AGAIN]}, [AGAIN, AGAIN, OK, OK], ToolState.REMEASURE),
        ({"offset": [WATCH]}, [WATCH, WATCH, OK, OK], ToolState.MONITOR),
        ({"stop": [NONE, AGAIN, NONE, NONE]}, [OK, AGAIN, OK, OK], ToolState.REMEASURE),
        ({"loss": 0.20, "loss_by_fit": [0.20]}, [WATCH, WATCH, OK, OK], ToolState.SERVICE_DUE),
        ({"loss": 0.17, "loss_by_fit": [0.17]}, [WATCH, WATCH, OK, OK], ToolState.MONITOR),
        ({"loss": 0.15, "loss_by_fit": [0.15]}, [OK, OK, OK, OK], ToolState.SERVICEABLE),
        ({"size": [OK, OK, BAD, OK]}, [OK, OK, BAD, BAD], ToolState.SERVICE_DUE),
        ({"size": [OK, OK, BAD, OK], "matched_with": [0, 1, 2, 3]}, [OK, OK, BAD, OK], ToolState.SERVICE_DUE),
        ({"inspected": False, "size": [NONE] * 4, "fit": [NONE]}, [AGAIN] * 4, ToolState.REMEASURE),
        ({"size": [NONE] * 4, "fit": [NONE]}, [NONE] * 4, ToolState.SERVICEABLE),
        ({"loss": np.nan, "loss_by_fit": [np.nan]}, [OK, OK, OK, OK], ToolState.SERVICEABLE),
    ],
)
def test_states(found: dict[str, Any], places: list[int], state: ToolState) -> None:
    """Each row of the table: what a finding makes of the parts and of the tool; the most severe wins."""
    assert judged(**found) == (places, state)


@pytest.mark.parametrize(
    ("wear", "size", "blamed"),
    [
        ([0.08, 0.05], [OK, OK], [BAD, OK]),
        ([0.05, 0.08], [OK, OK], [OK, BAD]),
        ([0.08, 0.07], [OK, OK], [BAD, BAD]),
        ([0.08, 0.07 - 1e-12], [OK, OK], [BAD, BAD]),
        ([0.08, np.nan], [OK, OK], [BAD, BAD]),
        ([0.08, 0.05], [OK, BAD], [OK, BAD]),
    ],
)
def test_blame(wear: list[float], size: list[int], blamed: list[int]) -> None:
    """A fit beyond its limit discards the side with the larger share of its own way used up, both within 0.10."""
    places, state = judged(fit=[BAD], size=[*size, OK, OK], wear=[*wear, 0.0, 0.0])
    assert (places[:2], state) == (blamed, ToolState.SERVICE_DUE)


def test_blame_without_a_discard_of_its_own() -> None:
    """A side without a discard size has its wear set against what the fit allows."""
    anatomy = Anatomy(**{name: getattr(ANATOMY, name) for name in Anatomy.__slots__} | {"allowed": np.full(4, np.nan)})
    findings = {
        "size": [[OK] * 4], "fit": [[BAD]], "offset": [[NONE]], "check": [[NONE] * 4], "stop": [[NONE] * 4],
        "wear": [[0.09, 0.05, 0.0, 0.0]], "loss": [0.0], "loss_by_fit": [[0.0]], "matched_with": [[0, 1, 2, 2]],
        "inspected": [True],
    }  # fmt: skip
    result = judge_parts(anatomy, Findings(**{k: np.array(v) for k, v in findings.items()}), 0.2, 0.8)
    assert (bool(result.shaft_blamed[0, 0]), bool(result.bore_blamed[0, 0])) == (True, False)


@pytest.mark.parametrize(
    ("result", "on_fail", "verdict"),
    [
        ("pass", "stop", OK),
        ("fail", "monitor", WATCH),
        ("fail", "discard", BAD),
        ("fail", "stop", AGAIN),
        ("not-done", "stop", AGAIN),
        ("not-done", "discard", NONE),
        ("not-done", "monitor", NONE),
    ],
)
def test_check_verdict(result: str, on_fail: str, verdict: int) -> None:
    """`fail` gives what the catalogue says, `not-done` stops where a failure would."""
    assert check_verdict(result, on_fail) == verdict


def test_only_as_left_can_miss_a_check() -> None:
    """An as-left inspection misses the as-left checks that it does not answer; an as-found one misses none."""
    checks = [("faces", "as_found"), ("seated", "as_left"), ("greased", "as_left")]
    assert missed_checks("as_left", checks, ["greased"]) == ["seated"]
    assert missed_checks("as_found", checks, []) == []


@pytest.mark.parametrize(
    ("stage", "results", "holding"),
    [
        ("as_left", [("ring", OK)], {"lock"}),
        ("as_left", [("ring", AGAIN)], {"ring", "lock"}),
        ("as_left", [], {"ring", "lock"}),
        ("as_found", [], set()),
        ("as_found", [("lock", AGAIN)], {"lock"}),
    ],
)
def test_stops(stage: str, results: list[tuple[str, int]], holding: set[str]) -> None:
    """A stop holds until a later as-left passes it or a later as-found is assessed."""
    assert stops_after(frozenset({"ring", "lock"}), stage, results) == holding


def test_run_down() -> None:
    """A median above 0 that has run down to 0 makes service due, a 10 % point `monitor`; nothing gets better."""
    then = [[10.0, 50.0, 90.0], [10.0, 50.0, 90.0], [0.0, 50.0, 90.0], [0.0, 0.0, 90.0], [10.0, 50.0, np.nan]]
    now = [[0.0, 10.0, 50.0], [0.0, 0.0, 10.0], [0.0, 20.0, 60.0], [0.0, 0.0, 5.0], [5.0, 45.0, np.nan]]
    states = [ToolState.SERVICEABLE] * 4 + [ToolState.REMEASURE]
    expected = [
        ToolState.MONITOR, ToolState.SERVICE_DUE, ToolState.SERVICEABLE, ToolState.SERVICEABLE, ToolState.REMEASURE
    ]  # fmt: skip
    assert run_down(states, then, now).tolist() == expected
