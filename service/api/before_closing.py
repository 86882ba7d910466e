"""What is to be confirmed before a hammer is closed up: the catalogue's as-left checks, in their sequence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.api import fields
from service.api.schema import Document

BEFORE_CLOSING = {"description": "Of an as-left inspection: what is to be confirmed before it is closed up, in order"}


class Confirmation(Document):
    """One check of stage `as_left`: what is asked, and whether it was confirmed."""

    check = fields.Name(required=True)
    part = fields.Name(required=True)
    sequence = fields.Count(low=0, required=True)
    question = fields.Text(required=True)
    on_fail = fields.Choice(("monitor", "discard", "stop"), required=True)
    result = fields.Choice(("pass", "fail", "not-done"), required=True)
    confirmed = fields.Flag(required=True, metadata={"description": "False with on_fail stop: not to be run"})


def confirmations(checks: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what is to be confirmed, of checks with what was answered; one without an answer counts as not done.

    Parameters
    ----------
    checks : iterable of mapping
        Checks as the catalogue has them, each with its `result` where there is one; other stages are left out.
    """
    asked = [check for check in checks if check.get("stage") == "as_left"]
    asked.sort(key=lambda check: (check["sequence"], check["check"]))
    names = ("check", "part", "sequence", "question", "on_fail")
    return [
        {name: check[name] for name in names}
        | {"result": check.get("result") or "not-done", "confirmed": check.get("result") == "pass"}
        for check in asked
    ]
