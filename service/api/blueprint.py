"""How a route is declared and what every route has in common.

A view is decorators and a few lines. The decorators only declare (on the function itself); `Blueprint` builds one
entry from them, in one order whatever theirs: access, identifiers of the path, query, body, the view. The same
declarations make the OpenAPI document, so neither can say what the other does not.

    blueprint = Blueprint("sites", url_prefix="/v1/sites", description="Places with tools")

    @blueprint.put("/<site>")
    @requires("catalogue")
    @takes(SiteBody, example="site")
    @asks(UnitQuery)
    @gives(200, SiteAnswer, tagged=True)
    @gives(201, SiteAnswer, tagged=True, located=True)
    def put_site(site: str, body: dict, query: dict) -> Answer: ...
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import wraps
from typing import Any, TypeVar

import flask_smorest
import marshmallow as ma
from flask import Response, g, request
from werkzeug.exceptions import NotFound

from service import access, faults
from service.api import describe
from service.api.body import read_bytes, read_json
from service.api.idempotency import body_digest, once
from service.api.query import NoQuery, read_query
from service.api.room import check_room
from service.api.schema import check
from service.problems import Refused
from service.store.pool import Connection

View = TypeVar("View", bound=Callable[..., Any])
_IDENTIFIER = re.compile(faults.IDENTIFIER.strip("^$"), re.ASCII)
_NO_QUERY = NoQuery()


@dataclass(frozen=True, slots=True)
class Gives:
    """One answer a route gives."""

    status: int
    schema: Any = None
    content_type: str = "application/json"
    description: str | None = None
    tagged: bool = False  # has an ETag
    located: bool = False  # has a Location
    paged: bool = False  # has a Link to the next page


@dataclass(frozen=True, slots=True)
class Declared:
    """All that the decorators of one view said."""

    query: ma.Schema = _NO_QUERY
    body: ma.Schema | None = None
    examples: tuple[str, ...] = ()
    checked: bool = True
    keyed: bool = False
    then: Callable[[Response], Response] | None = None
    waits: bool = False
    fills: bool = False  # takes in what has to be stored and computed
    gives: tuple[Gives, ...] = ()
    refuses: tuple[int, ...] = ()
    streams: tuple[str, ...] = ()

    def __deepcopy__(self, _: Any) -> Declared:
        """Return the same: flask-smorest copies what it is told, and this never changes."""
        return self


def declared(view: Callable[..., Any]) -> Declared:
    said: Declared = getattr(view, "declared", _NOTHING)
    return said


_NOTHING = Declared()


def _declare(change: Callable[[Declared], Declared]) -> Callable[[View], View]:
    def decorate(view: View) -> View:
        view.declared = change(declared(view))  # type: ignore[attr-defined]
        return view

    return decorate


def takes(
    schema: type[ma.Schema], *, examples: tuple[str, ...] | str = (), checked: bool = True
) -> Callable[[View], View]:
    """Declare the JSON body; the view gets it as ``body``, checked and without its nulls.

    Parameters
    ----------
    schema : Schema class
        What it looks like.
    examples : str or tuple of str
        Files of ``openapi/examples``, without their ending.
    checked : bool
        False gives the view what the JSON says, unchecked: it has a check of its own.
    """
    names = (examples,) if isinstance(examples, str) else examples
    return _declare(lambda said: replace(said, body=schema(), examples=names, checked=checked))


def asks(schema: type[ma.Schema]) -> Callable[[View], View]:
    """Declare the query parameters; the view gets them as ``query``, defaults filled in."""
    return _declare(lambda said: replace(said, query=schema()))


def gives(status: int, schema: type[ma.Schema] | dict[str, Any] | None = None, **more: Any) -> Callable[[View], View]:
    """Declare one answer (documentation; the view makes it). `more` are the fields of `Gives`."""
    return _declare(lambda said: replace(said, gives=(Gives(status, schema, **more), *said.gives)))


def refuses(*statuses: int) -> Callable[[View], View]:
    """Declare problems beyond those every route of its kind has."""
    return _declare(lambda said: replace(said, refuses=said.refuses + statuses))


def keyed(then: Callable[[Response], Response] | None = None, *, waits: bool = False) -> Callable[[View], View]:
    """Declare a POST that honours ``Idempotency-Key``: the view runs in one transaction and may take it as ``conn``.

    Parameters
    ----------
    then : callable
        Called with the answer once the transaction is committed, and with the kept answer on a replay; it returns
        what is sent (after a hint to the workers, after a wait).
    waits : bool
        Whether ``Prefer: wait`` is honoured (documentation).
    """
    return _declare(lambda said: replace(said, keyed=True, then=then, waits=waits))


def streams(*content_types: str) -> Callable[[View], View]:
    """Declare a POST whose view reads the body itself, piece by piece, and honours ``Idempotency-Key`` by `once`
    (documentation).
    """
    return _declare(lambda said: replace(said, streams=content_types))


def waits() -> Callable[[View], View]:
    """Declare that ``Prefer: wait`` is honoured (documentation)."""
    return _declare(lambda said: replace(said, waits=True))


def intake(view: View) -> View:
    """Declare that a route takes in what has to be stored and computed: 503 where there is no room for more."""
    return _declare(lambda said: replace(said, fills=True))(view)


class Blueprint(flask_smorest.Blueprint):
    """One noun's routes."""

    def __init__(self, name: str, *, url_prefix: str, description: str) -> None:
        super().__init__(name, __name__, url_prefix=url_prefix, description=description)
        self._prepare_doc_cbks = [describe.operation]

    def add_url_rule(
        self, rule: str, endpoint: str | None = None, view_func: Any = None, *args: Any, **options: Any
    ) -> None:
        if view_func is None:
            raise TypeError("a route needs a view")
        super().add_url_rule(rule, endpoint, entry(view_func), *args, **options)


def entry(view: Callable[..., Any]) -> Callable[..., Any]:
    """Return what Flask calls: everything declared about `view`, in order, then the view."""
    scopes = getattr(view, "required_scopes", None)
    if scopes is None:
        raise TypeError(f"{view.__name__} does not say which scope it requires")
    said = declared(view)
    names = frozenset(view.__code__.co_varnames[: view.__code__.co_argcount + view.__code__.co_kwonlyargcount])
    run = _keyed_run(view, said, names) if said.keyed else _plain_run(view, said, names)

    @wraps(view)
    def enter(**path: Any) -> Any:
        g.access = access.authorise(request.headers.get("Authorization"), scopes)
        if said.fills:
            check_room()
        for name, value in path.items():
            if type(value) is str and _IDENTIFIER.fullmatch(value) is None:
                _refuse_identifier(name)
        query = read_query(said.query)
        if "query" in names:
            path["query"] = query
        return run(path)

    enter._apidoc = {"declared": said, "scopes": scopes, "name": view.__name__}  # type: ignore[attr-defined]
    return enter


def _refuse_identifier(name: str) -> None:
    """Nothing can be stored under such a name, so nothing is there; writing it is a fault."""
    if request.method in ("GET", "HEAD", "DELETE"):
        raise NotFound
    raise Refused([faults.fault(faults.pointer(name), "bad-identifier")])


def _plain_run(view: Callable[..., Any], said: Declared, names: frozenset[str]) -> Callable[[dict[str, Any]], Any]:
    if said.body is None:
        return lambda arguments: view(**arguments)
    return lambda arguments: view(**arguments, body=_body(said, read_bytes(request)))


def _keyed_run(view: Callable[..., Any], said: Declared, names: frozenset[str]) -> Callable[[dict[str, Any]], Any]:
    def run(arguments: dict[str, Any]) -> Any:
        raw = b"" if said.body is None else read_bytes(request)
        if said.body is not None and "Idempotency-Key" not in request.headers:
            arguments["body"] = _body(said, raw)  # before a connection is taken

        def work(conn: Connection) -> Any:
            if said.body is not None and "body" not in arguments:
                arguments["body"] = _body(said, raw)
            return view(**arguments, conn=conn) if "conn" in names else view(**arguments)

        answer = once(work, lambda: body_digest(raw))
        return answer if said.then is None or answer.status_code >= 300 else said.then(answer)

    return run


def _body(said: Declared, raw: bytes) -> Any:
    document = read_json(raw)
    if not said.checked or said.body is None:
        return document
    read, found = check(said.body, document)
    if found:
        raise Refused(found)
    return read
