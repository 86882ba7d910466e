"""Lengths and times at the edge."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.units import exact_mm, from_mm, read_moment, show_moment, to_mm


def test_the_inch_is_exact() -> None:
    """1 in = 25.4 mm, 1 mm = 1000 um; a power converts areas."""
    assert (to_mm(1.0, "in"), to_mm(35.0, "um"), to_mm(2.5, "mm")) == (25.4, 0.035, 2.5)
    assert to_mm(1.0, "in", 2) == pytest.approx(645.16, rel=1e-15)
    assert from_mm(645.16, "in", 2) == pytest.approx(1.0, rel=1e-15)


@given(st.floats(-1e5, 1e5), st.sampled_from(["mm", "in", "um"]))
def test_there_and_back(value: float, unit: str) -> None:
    """A length comes back from another unit within the last digits."""
    assert from_mm(to_mm(value, unit), unit) == pytest.approx(value, rel=1e-15, abs=1e-300)


@given(st.lists(st.floats(-1e5, 1e5), min_size=1), st.sampled_from(["mm", "in", "um"]))
def test_arrays_and_scalars_agree(values: list[float], unit: str) -> None:
    """JSON and CSV give the same last digit: an array converts as its members do."""
    assert to_mm(np.array(values), unit).tolist() == [to_mm(value, unit) for value in values]


@pytest.mark.parametrize(
    ("value", "unit", "exact"),
    [
        (3.8, "in", "96.52"),
        ("96.520", "mm", "96.52"),
        (96.52, "mm", "96.52"),
        (35, "um", "0.035"),
        (-0.0, "mm", "0"),
        (100.0, "mm", "100"),
    ],
)
def test_exact_lengths(value: float | str, unit: str, exact: str) -> None:
    """One length has one exact form, whatever unit or spelling it came in."""
    assert exact_mm(value, unit) == Decimal(exact)
    assert str(exact_mm(value, unit)) == exact


@pytest.mark.parametrize(
    ("text", "iso"),
    [
        ("2026-03-01T09:30:00+10:00", "2026-02-28T23:30:00Z"),
        ("2026-03-01t09:30:00z", "2026-03-01T09:30:00Z"),
        ("2026-03-01 09:30:00.5-00:30", "2026-03-01T10:00:00.500000Z"),
        ("2026-03-01T09:30:00.123456789Z", "2026-03-01T09:30:00.123456Z"),
        ("2024-02-29T23:59:59Z", "2024-02-29T23:59:59Z"),
    ],
)
def test_times_go_out_in_utc(text: str, iso: str) -> None:
    """A time with its offset goes out in UTC, with microseconds only where there are any."""
    moment = read_moment(text)
    assert moment is not None and moment.tzinfo is UTC
    assert show_moment(moment) == iso


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-03-01",
        "2026-03-01T09:30:00",
        "2026-03-01T09:30Z",
        "20260301T093000Z",
        "2026-02-30T09:30:00Z",
        "2026-03-01T24:00:00Z",
        "2026-03-01T09:30:60Z",
        "2026-03-01T09:30:00+25:00",
        "2026-03-01T09:30:00+1000",
        "0001-01-01T00:00:00+10:00",
        "9999-12-31T23:59:59-10:00",
        "1900-01-01T00:00:00Z",
        "2026-W09-7T09:30:00Z",
        "٢٠٢٦-03-01T09:30:00Z",
        "2026-03-01T09:30:00Z\n",
    ],
)
def test_what_is_no_time(text: str) -> None:
    """A time without offset, of another form, or of another age is none."""
    assert read_moment(text) is None


def test_now_is_a_time() -> None:
    """What the service shows it also reads."""
    now = datetime.now(UTC)
    assert read_moment(show_moment(now)) == now
