"""Physical lines: a damaged one is told by its number, and every other one survives."""

from __future__ import annotations

import io
import random
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from service.layouts import BUILT_IN
from tests.plugins.exports import ROW, as_csv, rows
from worker.intake.encoding import utf8_pieces
from worker.intake.lines import LONGEST_LINE, read_rows, split_lines
from worker.intake.reading import read_table
from worker.intake.table import Table, Unreadable

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def read(content: bytes) -> Table:
    return read_table(io.BytesIO(content), BUILT_IN["plain"], NOW)


def flip_quote(line: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(line))
    return line[:place] + b'"' + line[place:]


def drop_field(line: bytes, chance: random.Random) -> bytes:
    return line.rpartition(b",")[0]


def add_field(line: bytes, chance: random.Random) -> bytes:
    return line + b"," * chance.randrange(1, 5)


def no_text(line: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(line))
    return line[:place] + chance.choice([b"\x00", b"\x07", b"\xff", b"\xc3\x28", b"\xed\xa0\x80"]) + line[place:]


def rubbish(line: bytes, chance: random.Random) -> bytes:
    return bytes(
        chance.choice([*range(1, 10), *range(11, 13), *range(14, 256)]) for _ in range(chance.randrange(1, 200))
    )


DAMAGE: list[Callable[[bytes, random.Random], bytes]] = [flip_quote, drop_field, add_field, no_text, rubbish]


def damaged(chance: random.Random, count: int) -> tuple[bytes, set[int]]:
    """A good file with some damaged lines, and the numbers of those."""
    lines = as_csv(rows(count)).rstrip(b"\n").split(b"\n")
    hit = set(chance.sample(range(1, len(lines)), chance.randrange(1, max(2, count // 4))))
    for index in hit:
        lines[index] = chance.choice(DAMAGE)(lines[index], chance)
    end = chance.choice([b"\n", b"\r\n", b"\r"])
    return end.join(lines) + chance.choice([b"", end]), {index + 1 for index in hit}


@pytest.mark.parametrize("seed", range(150))
def test_the_other_lines_survive(seed: int) -> None:
    """Of a good file with k damaged lines, every other line is read, and each damaged one has a fault of its own."""
    chance = random.Random(seed)
    content, hit = damaged(chance, chance.randrange(4, 40))
    table = read(content)
    good = set(table.line[~table.bad].tolist())
    lines = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
    assert good >= set(range(2, lines + (0 if content[-1:] in b"\r\n" else 1))) - hit
    assert {fault.row for fault in table.faults} <= hit  # a quotation mark about a whole field may do no harm
    assert table.total == len(good) + int(table.bad.sum()) + table.unread


@pytest.mark.parametrize("size", [1, 7, 64, 1000])
def test_pieces_do_not_show(size: int) -> None:
    """However a file is cut on its way, its lines and their numbers are the same."""
    lines = [f"{n},{'é' * (n % 40)}" for n in range(200)]
    for end in ("\n", "\r\n", "\r"):
        content = end.join(lines).encode()
        pieces = list(utf8_pieces(io.BytesIO(content), "utf-8", size))
        whole = b"".join(pieces)
        assert whole == content
        assert sum(len(split_lines(piece).start) for piece in pieces) == len(lines)


def test_an_endless_line() -> None:
    """A line without end is refused without being carried about."""
    content = b"a,b\n" + b"x" * (3 * LONGEST_LINE) + b"\n1,2\n"
    pieces = list(utf8_pieces(io.BytesIO(content), "utf-8", 4096))
    assert max(map(len, pieces)) < 2 * LONGEST_LINE
    codes = [fault.code for piece in pieces for fault in read_rows(split_lines(piece), ",", 2, 0).faults]
    assert codes == ["line-too-long"]


def test_quotes_as_they_should_be() -> None:
    """A quoted field may hold the delimiter and doubled quotation marks; the marks are no part of it."""
    row = ROW | {"inspector": '"A, ""B"""'}
    table = read(as_csv([row], row))
    assert table.columns["inspector"].words == ['A, "B"']
    assert not table.bad.any()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("97.8610", 97.861),
        ("+97.861", 97.861),
        ("9.7861e1", 97.861),
        (" 97.861\t", 97.861),
        ("0.1", 0.1),
        ("1e-320", 1e-320),
    ],
)
def test_numbers_as_floats_are_written(text: str, value: float) -> None:
    """A number of a file is the same double as in JSON."""
    table = read(as_csv([ROW | {"value": text}]))
    assert table.columns["value"].numbers is not None
    assert table.columns["value"].numbers.tolist() == [value]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("NaN", "not-finite"), ("-inf", "not-finite"), ("1e999", "not-finite"), ("97,861", "wrong-columns"),
        ("97 861", "not-a-number"), ("0x10", "not-a-number"), ("1_0", "not-a-number"), ("٣", "not-a-number"),
        ("9" * 65, "not-a-number"), ("1e7", "out-of-range"),
    ],
)  # fmt: skip
def test_what_is_no_number(text: str, code: str) -> None:
    """What JSON would not take as a finite number, a file's cell is not either."""
    assert [fault.code for fault in read(as_csv([ROW | {"value": text}])).faults] == [code]


def test_the_first_ten_thousand() -> None:
    """Of many faults the first 10,000 are kept; all rows are counted."""
    table = read(as_csv(ROW | {"value": "wide", "station": "0"} for _ in range(12_000)))
    assert (len(table.faults), int(table.bad.sum())) == (10_000, 12_000)
    assert [fault.row for fault in table.faults[:3]] == [2, 2, 3]
    assert table.faults[-1].row == 5_001


def test_no_header() -> None:
    """A file whose first line names none of the columns says which are missing."""
    with pytest.raises(Unreadable) as refused:
        read(b"1,2,3\n4,5,6\n")
    assert {fault.column for fault in refused.value.faults} == {"reference", "tool", "taken_at", "feature", "value"}


def test_millions_of_lines_that_are_no_rows() -> None:
    """A file of lines that are all no rows costs no more than their number: the first are told, all are counted."""
    table = read(as_csv([ROW]) + b"x\n" * 3_000_000)
    assert (table.unread, len(table.faults), len(table.line)) == (3_000_000, 10_000, 1)
