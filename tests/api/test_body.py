"""JSON bodies are read strictly, and the quick reader and the exact one agree."""

from __future__ import annotations

import io
import json
import math

import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.test import TestResponse

from service.api import body
from service.api.body import read_json
from service.problems import Declined

MALFORMED = {
    "empty": (b"", 0),
    "blank": (b"  \n", 0),
    "100,000 nested brackets": (b"[" * 100_000, 32),
    "33 deep": (b"[" * 33 + b"]" * 33, 32),
    "33 deep, objects": (b'{"a":' * 33 + b"1" + b"}" * 33, 160),
    "integer of 5,000 digits": (b'{"a": ' + b"9" * 5000 + b"}", 6),
    "number of 65 characters": (b"[0." + b"1" * 63 + b"]", 1),
    "duplicate key": (b'{"a":1,"b":2,"a":3}', 13),
    "duplicate key, one escaped": (b'{"a":1,"\\u0061":3}', 7),
    "duplicate key inside": (b'{"x":[{"a":1,"a":1}]}', 13),
    "duplicate key behind a colon in a text": (b'{"t":"a:b","a":1,"a":":"}', 17),
    "NUL escaped": (b'{"a":"x\\u0000"}', 5),
    "NUL raw": (b'{"a":"x\x00"}', 5),
    "lone high surrogate": (b'["\\ud800"]', 1),
    "lone low surrogate": (b'["\\udc00x"]', 1),
    "control character": (b'["a\nb"]', 1),
    "not UTF-8": (b'["\xff"]', 2),
    "byte-order mark": (b"\xef\xbb\xbf{}", 0),
    "trailing comma": (b"[1,]", 3),
    "trailing text": (b"{} {}", 3),
    "single quotes": (b"{'a':1}", 1),
    "unquoted key": (b"{a:1}", 1),
    "leading zero": (b"[01]", 1),
    "no digit after the point": (b"[1.]", 1),
    "hexadecimal": (b"[0x1F]", 2),
    "broken text": (b'{"a":"b', 5),
    "unknown escape": (b'["\\q"]', 2),
    "open object": (b'{"a":1', 6),
    "missing colon": (b'{"a" 1}', 6),
    "offset after a letter of two bytes": ('["é",x]'.encode(), 6),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_malformed_is_refused_with_its_byte_offset(name: str) -> None:
    """What two readers could understand differently is refused, and the answer says where it is."""
    raw, offset = MALFORMED[name]
    with pytest.raises(Declined) as refused:
        read_json(raw)
    assert (refused.value.code, refused.value.members["offset"]) == ("malformed-json", offset)


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (b'{"a": [1, -2.5e3, true, false, null, "x"]}', {"a": [1, -2500.0, True, False, None, "x"]}),
        (b"[" * 32 + b"]" * 32, None),
        (b'["\\ud83d\\ude00", "\\n\\"\\\\\\/", "\\u00e9"]', ["\U0001f600", '\n"\\/', "é"]),
        (b"[" + b"9" * 64 + b"]", [float("9" * 64)]),
        (b" [ ] ", []),
        (b'{"":{}}', {"": {}}),
        (b'"text"', "text"),
    ],
)
def test_what_is_json_is_read(raw: bytes, value: object) -> None:
    """Everything within the limits is read as any JSON reader would."""
    read = read_json(raw)
    assert value is None or read == value


def test_numbers_that_are_not_finite_reach_their_field() -> None:
    """NaN and infinities are read, so that the field's own check can refuse them with a pointer."""
    nan, plus, minus, large = read_json(b"[NaN, Infinity, -Infinity, 1e999]")
    assert math.isnan(nan) and plus == large == math.inf and minus == -math.inf


documents = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00")),
    lambda inner: st.lists(inner, max_size=6) | st.dictionaries(st.text("abc:[]{}", max_size=3), inner, max_size=6),
    max_leaves=40,
)


@given(documents, st.booleans(), st.sampled_from([None, 1]))
def test_both_readers_agree(document: object, ascii_only: bool, indent: int | None) -> None:
    """The quick reader is only quicker: the exact one reads the same from the same bytes."""
    raw = json.dumps(document, ensure_ascii=ascii_only, indent=indent).encode()
    assert read_json(raw) == body._Reader(raw).document() == document


@given(st.lists(st.tuples(st.sampled_from(["a", "b", 'a"', "c:"]), st.sampled_from(["1", '":"', "[{}]"])), max_size=5))
def test_a_doubled_key_never_passes(pairs: list[tuple[str, str]]) -> None:
    """A key that is there twice is refused however the texts around it look."""
    raw = ("{" + ",".join(f"{json.dumps(key)}:{value}" for key, value in pairs) + "}").encode()
    if len({key for key, _ in pairs}) == len(pairs):
        assert len(read_json(raw)) == len(pairs)
    else:
        with pytest.raises(Declined):
            read_json(raw)


def test_a_number_too_long_is_found_wherever_it_stands() -> None:
    """65 characters are refused and 64 read, whatever stands before them."""
    for before in range(20):
        for digits in (62, 63):
            raw = b"[" + b" " * before + b"0." + b"1" * digits + b', "reference", 1, 2, 3]'
            if digits == 62:
                assert read_json(raw)[1:] == ["reference", 1, 2, 3]
            else:
                with pytest.raises(Declined):
                    read_json(raw)


def _put(client: FlaskClient, raw: bytes, **more: str) -> tuple[int, dict[str, object]]:
    sent = {"content_type": "application/json"} | more
    answer = client.put("/v1/sites/north", data=raw, **sent)
    return answer.status_code, answer.get_json(force=True)


@pytest.mark.db
def test_malformed_is_a_400_problem(client: FlaskClient) -> None:
    """Malformed JSON is a problem document with the offset; nothing is stored."""
    for raw, offset in MALFORMED.values():
        status, problem = _put(client, raw)
        assert (status, problem["code"], problem["offset"]) == (400, "malformed-json", offset)
    assert client.get("/v1/sites").json["items"] == []


@pytest.mark.db
@pytest.mark.parametrize(
    "sent",
    [
        {"content_type": "text/plain"},
        {"content_type": "application/x-www-form-urlencoded"},
        {"content_type": "application/json; charset=utf-16"},
        {"content_type": ""},
        {"headers": {"Content-Encoding": "gzip"}},
    ],
)
def test_another_media_type_is_a_415(client: FlaskClient, sent: dict[str, str]) -> None:
    """A body that does not say it is JSON in UTF-8 is refused as such, not as a fault of its content."""
    status, problem = _put(client, b'{"name":"North","time_zone":"UTC"}', **sent)
    assert (status, problem["code"]) == (415, "unsupported-media-type")


def _put_unannounced(client: FlaskClient, raw: bytes) -> TestResponse:
    """As a server hands on a body that comes in chunks."""
    return client.put(
        "/v1/sites/x", input_stream=io.BytesIO(raw), content_type="application/json",
        headers={"Transfer-Encoding": "chunked"}, environ_overrides={"wsgi.input_terminated": True},
    )  # fmt: skip


@pytest.mark.db
def test_a_body_over_the_limit_is_a_413(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """A body larger than the service reads is a 413, whether or not its length was announced."""
    monkeypatch.setattr(body.faults, "MAX_JSON_BYTES", 100)
    site = b'{"name":"North","time_zone":"UTC"}'
    for raw in (site + b" " * 67, site + b" " * 66 + b"x" * 200):
        status, problem = _put(client, raw)
        assert (status, problem["code"]) == (413, "body-too-large")
        answer = _put_unannounced(client, raw)
        assert (answer.status_code, answer.json["code"]) == (413, "body-too-large")
    assert _put_unannounced(client, site + b" " * 66).status_code == 201
