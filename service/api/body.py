"""JSON bodies, read strictly: what two readers could understand differently is refused, with its byte offset.

Refused: malformed text, depth over 32, duplicate keys, NUL and lone surrogates, number tokens over 64
characters. ``NaN`` and ``Infinity`` are not JSON but common; they are read, so that the field's own check can
refuse them with a pointer (a body is never accepted with one: every number field of the service is finite).

Two readers give the same answer. The quick one proves with a few scans that nothing above can be in the bytes
and leaves the rest to a compiled parser; where it cannot prove it, the exact one walks the text token by
token.
"""

from __future__ import annotations

import re
from typing import Any, NoReturn

import orjson
from flask import Request
from werkzeug.exceptions import RequestEntityTooLarge, UnsupportedMediaType

from service import faults
from service.problems import Declined

_LONG_NUMBER = re.compile(rb"[0-9.eE+\-]{%d}" % (faults.MAX_NUMBER_CHARACTERS + 1))
_EIGHT = re.compile(rb"[0-9.eE+\-]{8}")
_TOKEN = re.compile(
    r"[ \t\n\r]*(?:"
    r'(?P<mark>[{}\[\],:])|"(?P<text>[^"\\\x00-\x1f]*(?:\\.[^"\\\x00-\x1f]*)*)"'
    r"|(?P<number>-?[0-9][0-9.eE+\-]*)|(?P<word>-?[A-Za-z]+)|(?P<end>\Z))",
    re.ASCII,
)
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?P<part>\.[0-9]+)?(?P<power>[eE][+-]?[0-9]+)?", re.ASCII)
_ESCAPE = re.compile(r"\\(?:u([0-9a-fA-F]{4})|(.))", re.DOTALL)
_SHORT = {'"': '"', "\\": "\\", "/": "/", "b": "\b", "f": "\f", "n": "\n", "r": "\r", "t": "\t"}
_WORDS = {
    "true": True,
    "false": False,
    "null": None,
    "NaN": float("nan"),
    "Infinity": float("inf"),
    "-Infinity": float("-inf"),
}


def read_bytes(request: Request) -> bytes:
    """Return the body of a JSON request.

    Raises
    ------
    UnsupportedMediaType
        If the request does not say that its body is JSON (in UTF-8, not compressed).
    RequestEntityTooLarge
        Beyond `faults.MAX_JSON_BYTES`.
    """
    if request.mimetype != "application/json" or request.content_encoding not in (None, "", "identity"):
        raise UnsupportedMediaType("this route reads application/json")
    charset = request.mimetype_params.get("charset", "utf-8").lower()
    if charset not in ("utf-8", "utf8", "us-ascii"):
        raise UnsupportedMediaType("JSON is read as UTF-8")
    # Of a body without an announced length no more than this is read: the byte too many tells that there was more.
    request.max_content_length = faults.MAX_JSON_BYTES + 1
    raw = request.get_data()
    if len(raw) > faults.MAX_JSON_BYTES:
        raise RequestEntityTooLarge
    return raw


def read_json(raw: bytes) -> Any:
    """Return what the bytes say.

    Raises
    ------
    Declined
        Code ``malformed-json``, with the byte offset in ``offset``.
    """
    if b"\\" not in raw and not _may_hold_long_number(raw):
        try:
            document = orjson.loads(raw)
        except orjson.JSONDecodeError:
            return _Reader(raw).document()
        # Without escapes every text is written as it came, so a colon is missing only where a key was
        # doubled.
        if raw.count(b":") == orjson.dumps(document).count(b":") and not _is_deep(document):
            return document
    return _Reader(raw).document()


def _may_hold_long_number(raw: bytes) -> bool:
    """A run of 65 such characters covers eight neighbours of every 8th byte; only then is the whole searched."""
    return _EIGHT.search(raw[::8]) is not None and _LONG_NUMBER.search(raw) is not None


def _is_deep(document: Any) -> bool:
    level = [document]
    for _ in range(faults.MAX_DEPTH):
        deeper: list[Any] = []
        for value in level:
            kind = type(value)
            if kind is dict:
                deeper += [item for item in value.values() if type(item) is dict or type(item) is list]
            elif kind is list:
                deeper += [item for item in value if type(item) is dict or type(item) is list]
        if not deeper:
            return False
        level = deeper
    return True


class _Reader:
    """The exact reader: an explicit stack, so that depth costs no recursion."""

    def __init__(self, raw: bytes) -> None:
        try:
            self.text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise malformed(error.start, "the body is not UTF-8") from None
        self.at = 0

    def refuse(self, at: int, what: str) -> NoReturn:
        raise malformed(len(self.text[:at].encode()), what)

    def document(self) -> Any:
        if not self.text.strip(" \t\n\r"):
            self.refuse(0, "the body is empty")
        value, opened = self.value()
        stack = [value] if opened else []
        while stack:
            stack = self.step(stack)
        match = self.token()
        if match.lastgroup != "end":
            self.refuse(match.start(match.lastgroup or 0), "there is text after the end of the document")
        return value

    def token(self) -> re.Match[str]:
        match = _TOKEN.match(self.text, self.at)
        if match is None:
            while self.text[self.at : self.at + 1] in (" ", "\t", "\n", "\r") and self.at < len(self.text):
                self.at += 1
            if self.text[self.at : self.at + 1] == '"':
                self.refuse(self.at, "the text beginning here does not end, or holds a control character")
            self.refuse(self.at, "this is not JSON")
        self.at = match.end()
        return match

    def step(self, stack: list[Any]) -> list[Any]:
        """Read one member of the innermost open list or object, or its end."""
        holder = stack[-1]
        match = self.token()
        mark, start = match["mark"], match.start(match.lastgroup or 0)
        closing = "}" if type(holder) is dict else "]"
        if mark == closing:
            return stack[:-1]
        if holder:
            if mark != ",":
                self.refuse(start, f"a comma or {closing} is expected here")
            match = self.token()
        key = self.key(match, holder) if type(holder) is dict else None
        value, opened = self.value() if key is not None else self.value(match)
        if key is None:
            holder.append(value)
        else:
            holder[key] = value
        if opened and len(stack) >= faults.MAX_DEPTH:
            self.refuse(self.at - 1, f"the document is more than {faults.MAX_DEPTH} deep")
        return [*stack, value] if opened else stack

    def key(self, match: re.Match[str], holder: dict[str, Any]) -> str:
        start = match.start(match.lastgroup or 0)
        if match.lastgroup != "text":
            self.refuse(start, "a key in double quotes is expected here")
        key = self.unescaped(match)
        if key in holder:
            self.refuse(start - 1, "this key is there twice")
        if self.token()["mark"] != ":":
            self.refuse(self.at, "a colon is expected after the key")
        return key

    def value(self, match: re.Match[str] | None = None) -> tuple[Any, bool]:
        """Return the value that begins here, and whether it is an open list or object."""
        match = match or self.token()
        kind, start = match.lastgroup, match.start(match.lastgroup or 0)
        if kind == "text":
            return self.unescaped(match), False
        if kind == "number":
            return self.number(match["number"], start), False
        if kind == "word" and match["word"] in _WORDS:
            return _WORDS[match["word"]], False
        if kind == "mark" and match["mark"] in "{[":
            return ({} if match["mark"] == "{" else []), True
        self.refuse(start, "a value is expected here")

    def number(self, token: str, start: int) -> int | float:
        if len(token) > faults.MAX_NUMBER_CHARACTERS:
            self.refuse(start, f"a number has more than {faults.MAX_NUMBER_CHARACTERS} characters")
        match = _NUMBER.fullmatch(token)
        if match is None:
            self.refuse(start, "this is not a number of JSON")
        if match["part"] is None and match["power"] is None and len(token) < 19:
            return int(token)
        return float(token)

    def unescaped(self, match: re.Match[str]) -> str:
        text, start = match["text"], match.start("text")
        if "\\" in text:
            parts = []
            last = 0
            for escape in _ESCAPE.finditer(text):
                parts += [text[last : escape.start()], self.escaped(escape, start)]
                last = escape.end()
            text = "".join([*parts, text[last:]])
            try:
                text = text.encode("utf-16", "surrogatepass").decode("utf-16")
            except UnicodeDecodeError:
                self.refuse(start - 1, "a text holds half of a surrogate pair")
        if "\x00" in text:
            self.refuse(start - 1, "a text holds NUL")
        return text

    def escaped(self, escape: re.Match[str], start: int) -> str:
        digits, short = escape.groups()
        if digits is not None:
            return chr(int(digits, 16))
        if short not in _SHORT:
            self.refuse(start + escape.start(), "this escape is not one of JSON")
        return _SHORT[short]


def malformed(offset: int, what: str) -> Declined:
    return Declined("malformed-json", f"{what} (byte {offset})", offset=offset)
