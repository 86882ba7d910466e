"""Exports as gauges write them: what a client's layout lets pass, and what it must not."""

from __future__ import annotations

import io
import signal
import subprocess
import sys
from datetime import UTC, datetime
from typing import Any

import pytest

from service.layouts import Layout
from service.store.columns import to_time
from service.units import show_moment
from worker.intake.reading import read_table
from worker.intake.table import Table, Unreadable

NOW = datetime(2026, 11, 25, tzinfo=UTC)
COLUMNS = {"reference": "Auftrag", "tool": "Gerät", "taken_at": "Datum", "feature": "Maß", "value": "Wert"}
HEADER = "Auftrag;Gerät;Datum;Maß;Wert [mm];Position;Station"
ROW = "W1;H-1;01.03.2026 09:30;AD 1;97,861;links;x"


def read(*lines: str, **more: Any) -> Table:
    said = {"time_zone": "UTC", "timestamp": "%d.%m.%Y %H:%M", "feature_codes": {"AD 1": "piston.od"}} | more
    layout = Layout("hall-3", 1, **({"columns": COLUMNS} | said))
    return read_table(io.BytesIO("\n".join(lines).encode()), layout, NOW)


def told(table: Table) -> list[tuple[int, str | None, str]]:
    return [(fault.row, fault.column, fault.code) for fault in table.faults]


def units(table: Table) -> list[str]:
    return table.columns["unit"].words


def numbers(table: Table) -> list[float]:
    column = table.columns["value"]
    assert column.numbers is not None
    return [column.numbers[word].item() for word in column.index[~table.bad].tolist()]


def test_a_column_called_nearly_as_ours_is_not_ours() -> None:
    """Of columns that the layout does not name only those that are called exactly as ours are read."""
    assert set(read(HEADER, ROW).columns) == {"reference", "tool", "taken_at", "feature", "value", "unit"}
    table = read(HEADER.replace("Station", "station"), ROW)
    assert told(table) == [(2, "station", "not-a-number")]


def moments(table: Table) -> list[str]:
    column = table.columns["taken_at"]
    assert column.numbers is not None
    found = [to_time(column.numbers[word].item()) for word in column.index[~table.bad].tolist()]
    return [show_moment(moment) for moment in found if moment is not None]


DAY_AND_TIME = "Auftrag;Gerät;Datum;Uhrzeit;Maß;Wert [mm]"


def test_day_and_time_in_columns_of_their_own() -> None:
    """They are read as one text; where one of them is blank the row is told of, with what there was."""
    times = (("01.03.2026", "09:30"), ("01.03.2026 ", " 09:31"), ("02.03.2026", "09:30"), ("01.03.2026", ""), ("", ""))
    rows = [f"W{n};H-1;{day};{time};AD 1;97,861" for n, (day, time) in enumerate(times)]
    table = read(DAY_AND_TIME, *rows, columns=COLUMNS | {"time_of_day": "Uhrzeit"})
    assert moments(table) == ["2026-03-01T09:30:00Z", "2026-03-01T09:31:00Z", "2026-03-02T09:30:00Z"]
    assert told(table) == [(5, "taken_at", "bad-time"), (6, "taken_at", "required")]
    assert table.faults[0].text == "01.03.2026"
    assert "time_of_day" not in table.columns


@pytest.mark.parametrize(
    ("columns", "constants"),
    [
        ({"taken_at": "Datum"}, {"time_of_day": "12:00"}),
        ({"time_of_day": "Uhrzeit"}, {"taken_at": "01.03.2026"}),
        ({}, {"taken_at": "01.03.2026", "time_of_day": "12:00"}),
    ],
)
def test_day_or_time_that_the_layout_says(columns: dict[str, str], constants: dict[str, str]) -> None:
    """A file that has only one of them is read with the other as the layout says it; so is one that has neither."""
    named = {ours: theirs for ours, theirs in COLUMNS.items() if ours != "taken_at"} | columns
    row = "W1;H-1;01.03.2026;12:00;AD 1;97,861"
    assert moments(read(DAY_AND_TIME, row, columns=named, constants=constants)) == ["2026-03-01T12:00:00Z"]
    assert told(read(DAY_AND_TIME, row, columns=named, constants=constants, timestamp="%H")) == [
        (2, "taken_at", "bad-time")
    ]


def test_a_time_of_day_without_a_day() -> None:
    """The column of the day is missing, and said to be."""
    with pytest.raises(Unreadable) as refused:
        read(DAY_AND_TIME.replace("Datum", "D"), ROW, columns=COLUMNS | {"time_of_day": "Uhrzeit"})
    assert [(fault.column, fault.code) for fault in refused.value.faults] == [("taken_at", "column-missing")]


@pytest.mark.timeout(20)
@pytest.mark.parametrize("many", [" ", "\u00a0", " (", "[ ", "_ ", "/ ", " , "])
def test_a_header_of_one_long_name(many: str) -> None:
    """A damaged header may be one name of nothing but blanks and brackets: it is read as fast as any other."""
    assert len(read(HEADER + ";x" + many * 40_000 + "y", ROW + ";z").line) == 1
    assert read(HEADER.replace("Wert [mm]", "Wert " + " " * 9 + "[\u00b5m]"), ROW).columns["unit"].words == ["um"]


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_delimiters_at_the_ends_of_lines(mark: str) -> None:
    """Delimiters with nothing behind them are no fields, on rows, on the header or on blank lines."""
    rows = (ROW, ROW + ";", ROW + ";;; ;", ";;;;;;;;", " ; ;", ROW + ";;x")
    table = read(*(line.replace(";", mark) for line in (HEADER, *rows)))
    assert (table.line.tolist(), told(table)) == ([2, 3, 4], [(7, None, "wrong-columns")])
    table = read(*(line.replace(";", mark) for line in (HEADER + ";;", ROW, ROW + ";;z", ROW.rpartition(";")[0])))
    assert (table.line.tolist(), told(table)) == ([2, 3], [(4, None, "wrong-columns")])


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("Wert [mm]", "mm"), ("Wert (µm)", "um"), ("Wert/inch", "in"), ("Wert in mm", "mm"), ("Wert, inch", "in"),
        ("Wert_um", "um"), ("WERT [MM]", "mm"), ("wert", None), ("Wert (inches)", "in"), ("Wert microns", "um"),
        ("Wert [millimetres]", "mm"), ("Wert [\u2033]", "in"), ("Wert\u00a0[mm]", "mm"),
    ],
)  # fmt: skip
def test_units_of_the_header(name: str, unit: str | None) -> None:
    """A unit behind the name of the column of values holds for all rows; without one they say none, which is mm."""
    table = read(HEADER.replace("Wert [mm]", name), ROW)
    assert told(table) == []
    assert ("unit" not in table.columns) if unit is None else (units(table) == [unit])


@pytest.mark.parametrize(("word", "unit"), [("µm", "um"), ("MM", "mm"), ("Inch", "in"), ("um", "um")])
def test_units_of_rows(word: str, unit: str) -> None:
    """A column of units may write them as gauges do."""
    table = read(
        HEADER.replace("Position", "Einheit"), ROW.replace("links", word), columns=COLUMNS | {"unit": "Einheit"}
    )
    assert (units(table), told(table)) == ([unit], [])


def test_one_row_does_not_decide_the_decimal_sign() -> None:
    """The decimal sign is the one that most rows have: the others are told, whichever come first."""
    table = read(HEADER, ROW.replace("97,861", "97.861"), ROW.replace("97,861", "1.097,861"), ROW, ROW, ROW)
    assert told(table) == [(2, "value", "not-a-number"), (3, "value", "not-a-number")]
    assert numbers(table) == [97.861] * 3
    assert table.faults[0].message == "must be a number; the decimal sign of this file is the comma"


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("9,7861E+01", 97.861), ("9,7861E\u2212001", 0.97861), ("\u00a0+97,861\u00a0", 97.861),
        ("\u221297,861", -97.861), ("97\u00a0861,5", 97861.5), ("0\u202f097\u2009861,5", 97861.5),
        ("-1\u00a0097,5", -1097.5),
    ],
)  # fmt: skip
def test_numbers_as_tables_write_them(text: str, number: float) -> None:
    """A power of ten, a minus sign of its own, no-break spaces: read, and a sign that tells the decimal sign."""
    table = read(HEADER, ROW.replace("97,861", text), constants={"kind": "deviation", "master": "RING-98"})
    assert (told(table), numbers(table)) == ([], [number])


def test_no_groups_but_of_three() -> None:
    """A no-break space anywhere else than between groups of three figures leaves the text no number."""
    rows = [ROW.replace("97,861", text) for text in ("97\u00a086,1", "9786\u00a0100", "97,861\u00a0500")]
    assert told(read(HEADER, *rows)) == [
        (2, "value", "not-a-number"),
        (3, "value", "not-a-number"),
        (4, "value", "not-a-number"),
    ]


def test_the_decimal_sign_of_traces() -> None:
    """In a file of traces alone it is their samples that tell the decimal sign."""
    columns = COLUMNS | {"trace": "Wert"}
    del columns["value"]
    table = read(HEADER, ROW.replace("97,861", "0,081 0,074 0,081"), columns=columns, constants={"kind": "trace"})
    assert (told(table), table.columns["trace"].words) == ([], ["0.081 0.074 0.081"])


@pytest.mark.parametrize(
    ("unit", "name", "held"), [("mm", "Wert [µm]", "um"), ("in", "Wert", "in"), ("mm", "Wert [in]", "in")]
)
def test_the_header_says_the_unit_rather_than_the_layout(unit: str, name: str, held: str) -> None:
    """A gauge that was switched over says so in its header; the unit of the layout is for files that say none."""
    assert units(read(HEADER.replace("Wert [mm]", name), ROW, unit=unit)) == [held]


def test_a_code_the_layout_lacks() -> None:
    """What is neither a code of the layout nor a feature of ours is `unknown-feature`."""
    assert told(read(HEADER, ROW.replace("AD 1", "AD 1.5"), ROW)) == [(2, "feature", "unknown-feature")]
    assert told(read(HEADER, ROW.replace("AD 1", "piston.od"))) == []


def test_a_time_without_offset_needs_a_zone() -> None:
    """A time that says no offset is refused where the layout gives no zone; one that says it is not."""
    assert told(read(HEADER, ROW, time_zone=None)) == [(2, "taken_at", "bad-time")]
    with_offset = ROW.replace("09:30", "09:30 +0800")
    assert told(read(HEADER, with_offset, time_zone=None, timestamp="%d.%m.%Y %H:%M %z")) == []


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_byte_of_utf_16_is_lost(encoding: str, end: str) -> None:
    """A byte that is lost spoils its own line; the lines after it are in step again."""
    lines = [line.encode(encoding) for line in (HEADER, ROW, ROW, ROW, ROW)]
    lines[2] = lines[2][:31] + lines[2][32:]
    content = end.encode(encoding).join(lines)
    layout = Layout("x", 1, columns=COLUMNS, time_zone="UTC", timestamp="%d.%m.%Y %H:%M", feature_codes={"AD 1": "a.b"})
    table = read_table(io.BytesIO(content), layout, NOW)
    assert table.line.tolist() == [2, 4, 5]
    assert told(table) in ([(3, None, "bad-encoding")], [(3, None, "binary")])


def test_bytes_that_cp1252_does_not_know() -> None:
    """A byte that the encoding does not know spoils its line, and is not taken for another character."""
    content = "\n".join((HEADER, ROW, ROW, ROW)).encode("cp1252").replace(b"W1", b"W\x81", 1)
    for encoding in ("auto", "cp1252"):
        layout = Layout("x", 1, columns=COLUMNS, time_zone="UTC", timestamp="%d.%m.%Y %H:%M", encoding=encoding)
        assert (2, None, "bad-encoding") in told(read_table(io.BytesIO(content), layout, NOW))


def test_a_header_that_is_missing() -> None:
    """Each column that is needed and missing is named as the file should call it."""
    header = HEADER.replace("Maß", "Merkmal")
    with pytest.raises(Unreadable) as refused:
        read(header, ROW)
    assert [(fault.column, fault.message, fault.text) for fault in refused.value.faults] == [
        ("feature", "the column Maß is missing", header)
    ]


@pytest.mark.parametrize(
    ("content", "row", "code", "words"),
    [
        (HEADER.replace("Wert [mm]", '"Wert\n[mm]"') + "\n" + ROW, 1, "broken-quote", "a name may not go on"),
        ("PK\x03\x04\x14\0[Content_Types].xml\n\x01", 1, "binary", "save it as CSV"),
    ],
)
def test_a_header_that_cannot_be_one(content: str, row: int, code: str, words: str) -> None:
    """A name with a line end in it, and a workbook, are called what they are, not faults of every row."""
    with pytest.raises(Unreadable) as refused:
        read(content)
    (fault,) = refused.value.faults
    assert (fault.row, fault.code, words in fault.message) == (row, code, True)


@pytest.mark.parametrize("end", ["\x1a", "\x0c", ";;\x1a"])
def test_marks_of_the_end(end: str) -> None:
    """The end of a page or file, as old programs mark it, is no row."""
    table = read(HEADER, ROW, end, ROW, end)
    assert (table.line.tolist(), told(table)) == ([2, 4], [])


@pytest.mark.parametrize(
    ("text", "moment", "words"),
    [
        ("04.10.2026 01:59", "2026-10-03T16:29:00Z", None),
        ("04.10.2026 02:30", None, "the clock of Australia/Adelaide skipped this time when it was put forward"),
        ("04.10.2026 03:00", "2026-10-03T16:30:00Z", None),
        ("05.04.2026 02:30", "2026-04-04T16:00:00Z", None),  # comes twice: the first
        ("05.04.2026 03:00", "2026-04-04T17:30:00Z", None),
        ("01.03.0001 00:30", None, "must be a time such as 25.11.2026 00:00"),
        ("01.03.0202 09:30", None, "must be a time such as 25.11.2026 00:00"),
    ],
)
def test_local_times(text: str, moment: str | None, words: str | None) -> None:
    """A local time is its zone's: one that the clock skipped is a fault, of an hour shown twice the first holds."""
    table = read(HEADER, ROW.replace("01.03.2026 09:30", text), time_zone="Australia/Adelaide")
    assert [fault.message for fault in table.faults] == ([] if words is None else [words])
    if moment is not None:
        column = table.columns["taken_at"].numbers
        assert column is not None and show_moment(to_time(column[0].item())) == moment  # type: ignore[arg-type]


def test_a_reading_that_would_never_end() -> None:
    """The process that reads a file is ended by the kernel once it has used the processor time that it may."""
    endless = "from worker.intake import parse_process as p\np.limit_cpu(1)\nwhile True: pass"
    assert subprocess.run([sys.executable, "-c", endless], check=False, timeout=60).returncode == -signal.SIGKILL
