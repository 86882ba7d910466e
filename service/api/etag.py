"""Strong entity tags from a version column, and the preconditions of RFC 9110 section 13 on top of them.

A tag is ``"version-unit"``: the same version in inches is another representation. A write compares versions
only, inside its own transaction and on the row it has locked, so that of two writers with the same tag one
loses.
"""

from __future__ import annotations

import hashlib
import re
from typing import Any

import orjson
from flask import Response, request

from service.api.answers import OPTIONS
from service.problems import Declined

_TAG = re.compile(r'\s*(W/)?"([^"]*)"\s*(?:,|$)')


def tag(version: int, unit: str = "mm") -> str:
    """Return the tag of one version in one unit."""
    return f'"{version}-{unit}"'


def content_version(document: Any) -> int:
    """Return a version for a thing that keeps no count: it follows from what is shown."""
    return int.from_bytes(hashlib.sha256(orjson.dumps(document, option=OPTIONS)).digest()[:8], "big")


def not_modified(etag: str) -> Response | None:
    """Return the 304 of a GET whose ``If-None-Match`` names this tag; None where the answer has to be sent."""
    sent = request.headers.get("If-None-Match")
    if sent is None:
        return None
    if sent.strip() == "*" or etag in _tags(sent, weak=True):
        return Response(status=304, headers={"ETag": etag})
    return None


def check_write(version: int | None) -> None:
    """Raise 412 unless ``If-Match`` and ``If-None-Match`` of a PUT or DELETE allow writing.

    Parameters
    ----------
    version : int or None
        Of the row as it is now, read under its lock; None where there is none.
    """
    wanted = request.headers.get("If-Match")
    if wanted is not None and not _matches(wanted, version, weak=False):
        raise Declined("precondition-failed", "If-Match names another version than the one stored")
    unwanted = request.headers.get("If-None-Match")
    if unwanted is not None and _matches(unwanted, version, weak=True):
        raise Declined("precondition-failed", "If-None-Match: it is already there")


def _matches(header: str, version: int | None, *, weak: bool) -> bool:
    if version is None:
        return False
    if header.strip() == "*":
        return True
    return any(sent.strip('"').partition("-")[0] == str(version) for sent in _tags(header, weak=weak))


def _tags(header: str, *, weak: bool) -> list[str]:
    """Return the tags of a header; weak ones match nothing where the comparison is strong."""
    return [f'"{opaque}"' for mark, opaque in _TAG.findall(header) if weak or not mark]
