"""Damaged files through HTTP: whatever comes, an answer below 500, and an export that ends."""

from __future__ import annotations

import random

import pytest

from tests.plugins.exports import Exports
from tests.worker.test_intake_lines import damaged
from worker.intake.intake import intake_one

pytestmark = [pytest.mark.db, pytest.mark.broker]


def send_damaged(exports: Exports, seed: int) -> None:
    """Post one damaged file and read it; further damage falls anywhere, the header included."""
    chance = random.Random(seed)
    content, _ = damaged(chance, chance.randrange(4, 40))
    for _ in range(chance.randrange(0, 4)):
        place = chance.randrange(len(content))
        content = (
            content[:place] + chance.randbytes(chance.randrange(0, 4)) + content[place + chance.randrange(0, 40) :]
        )
    query = {"layout": "plain", "on_fault": chance.choice(["skip", "reject"]), "on_existing": "replace"}
    answer = exports.fleet.client.post("/v1/gauge-exports", query_string=query, data=content, content_type="text/csv")
    assert answer.status_code in (200, 202, 422), (seed, answer.get_data(True))
    while intake_one():
        pass
    if answer.status_code == 422:
        return
    export = exports.get(answer.json["id"])
    assert export["state"] in ("assessing", "done", "failed"), seed
    assert (export["problem"] or {}).get("code") not in ("gave-up", "unreadable-file"), (seed, export["problem"])
    counted = export["rows"]["accepted"] + export["rows"]["faulty"]
    assert export["state"] == "failed" or counted == export["rows"]["total"], seed


def test_damaged_files(exports: Exports) -> None:
    """A dozen damaged files, each posted and read."""
    for seed in range(12):
        send_damaged(exports, seed)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_two_thousand_damaged_files(exports: Exports) -> None:
    """The same, 2,000 times."""
    for seed in range(1_000, 3_000):
        send_damaged(exports, seed)
