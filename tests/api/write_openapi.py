"""Write openapi/openapi.json anew: `python -m tests.api.write_openapi`, after a change of a document or a route."""

from __future__ import annotations

from pathlib import Path

import orjson

from service.app import create_app
from service.config import Config

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"


def rendered() -> bytes:
    """The document as it is committed: made from the routes alone, no server needed."""
    app = create_app(Config(database_url="postgresql:///unused", redis_url="redis://localhost/0"))
    return orjson.dumps(app.extensions["openapi"], option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS) + b"\n"


if __name__ == "__main__":
    COMMITTED.write_bytes(rendered())
