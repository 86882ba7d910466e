"""The compiled reader of inspections and the schemas that explain faults must not disagree."""

from __future__ import annotations

from typing import Any

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from service import canonical
from service.api.inspection_document import InspectionBody, ReadingBody
from service.api.schema import check

_BODY, _READING = InspectionBody(), ReadingBody()

ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.sampled_from([0, 1, 1.5, 359.999, 360, -1, 1e6, 1000001, "", "MIC-1", "a b", "x" * 65, "NaN", [], {}, [1.0]]),
)
NAMES = [field.name for field in msgspec.structs.fields(canonical.Reading)]


def accepted(kind: type, document: Any) -> bool:
    try:
        msgspec.convert(document, kind)
    except msgspec.ValidationError:
        return False
    return True


@settings(max_examples=1500, deadline=None)
@given(st.dictionaries(st.sampled_from([*NAMES, "colour"]), ODD, max_size=4))
def test_what_the_compiled_reader_takes_the_schema_takes(odd: dict[str, Any]) -> None:
    """A reading taken by the quick reader has no fault but in the letters of names, checked at look-up."""
    reading = {"feature": "piston.large-diameter", "value": 97.8} | odd
    if accepted(canonical.Reading, reading):
        found = check(_READING, reading)[1]
        assert {fault.code for fault in found} <= {"bad-identifier"}
        named = {"/feature", "/gauge", "/master", "/component"}
        assert {fault.pointer for fault in found} <= named


def test_both_have_the_same_fields() -> None:
    """Every field of the documents is one of the compiled types, and the other way round."""
    inner = {
        "readings": canonical.Reading,
        "setups": canonical.Setup,
        "checks": canonical.CheckResult,
        "renewals": canonical.Renewal,
    }
    assert {f.name for f in msgspec.structs.fields(canonical.Inspection)} == set(_BODY.fields)
    for name, kind in inner.items():
        assert {f.name for f in msgspec.structs.fields(kind)} == set(_BODY.fields[name].inner.schema.fields)  # type: ignore[attr-defined]
    thermometer = _BODY.fields["thermometer"].schema.fields  # type: ignore[attr-defined]
    assert {f.name for f in msgspec.structs.fields(canonical.Thermometer)} == set(thermometer)
