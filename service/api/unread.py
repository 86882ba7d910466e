"""What a request still brings when its answer is made: read and dropped, so that the client gets to the answer.

A file that is refused, tried or not let in is not read to its end. A server that closes a connection with bytes in it
resets it: whoever is still sending sees a broken pipe in place of the problem, or of the time to come again. The server
itself drops 64 KiB and then closes, and its answer does not say so.
"""

from __future__ import annotations

import time
from contextlib import suppress

from flask import Flask, Response, g, request
from gunicorn.http.errors import ParseException

PIECE = 64 * 1024
PATIENCE_S = 30.0
STRANGERS_S = 5.0  # whoever shows no token does not hold a thread longer than the server itself would wait


def register(app: Flask) -> None:
    """Have the rest of each body read before its answer is sent."""
    app.after_request(drop_unread)


def drop_unread(response: Response) -> Response:
    """Read the rest of the body of the request at hand, for as long as there is patience; return the answer."""
    connection, body = request.environ.get("gunicorn.socket"), request.environ["wsgi.input"]
    if connection is None or not (request.content_length or "Transfer-Encoding" in request.headers):
        return response
    before = connection.gettimeout()
    end = time.monotonic() + (PATIENCE_S if "access" in g else STRANGERS_S)
    with suppress(OSError, ParseException):  # it went away, or sends what is no body: the server sees to that
        while (left := end - time.monotonic()) > 0:
            connection.settimeout(left)
            if not body.read(PIECE):
                break
    with suppress(OSError):
        connection.settimeout(before)
    return response
