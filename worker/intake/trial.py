"""What a layout would make of the first rows of a file: the text on standard input, a document on standard output.

python -m worker.intake.trial FOLDER < FILE      (FOLDER/layout.json says how to read it)
"""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Any, BinaryIO

import msgspec

from service import canonical, units
from service.layouts import Layout
from service.store.columns import to_time
from worker.intake.encoding import utf8_pieces
from worker.intake.groups import gather
from worker.intake.header import find_header
from worker.intake.lines import split_lines
from worker.intake.reading import read_table
from worker.intake.table import Column, RowFault, Table, Unreadable, storable

SHOWN = 20
MOST_FAULTS = 100


def try_layout(stream: BinaryIO, layout: Layout, *, is_cut: bool) -> dict[str, Any]:
    """Return what the rows of a file's beginning are read as.

    Parameters
    ----------
    stream : binary file
    layout : Layout
    is_cut : bool
        Whether the file goes on after these bytes: its last line is then left out.
    """
    text = b"".join(utf8_pieces(stream, layout.encoding))
    if is_cut:
        text = text[: (text.rfind(b"\n") if b"\n" in text else text.rfind(b"\r")) + 1]
    decoded = msgspec.structs.replace(layout, encoding="utf-8")
    try:
        header = find_header(split_lines(text), decoded)
        table = read_table(io.BytesIO(text), decoded)
    except Unreadable as unreadable:
        return _document(faults=unreadable.faults)
    found = table.faults + gather(table)[1]
    places = {ours: header.names[place] for ours, place in header.places.items()}
    return _document(
        header_row=header.line + 1,
        delimiter=header.delimiter,
        columns=places,
        unit=header.unit or layout.unit,
        total=table.total,
        rows=[_row(table, row) for row in range(min(SHOWN, len(table.line)))],
        faults=found,
    )


def _document(faults: list[RowFault], **read: Any) -> dict[str, Any]:
    nothing: dict[str, Any] = {
        "header_row": None, "delimiter": None, "columns": {}, "unit": None, "total": 0, "rows": [],
    }  # fmt: skip
    shown = [
        {
            "row": item.row,
            "column": item.column,
            "code": item.code,
            "message": item.message,
            "text": storable(item.text),
        }
        for item in sorted(faults)[:MOST_FAULTS]
    ]
    return nothing | read | {"faults": shown}


def _row(table: Table, row: int) -> dict[str, Any]:
    cells = {name: _cell(column, row) for name, column in table.columns.items()}
    shown = {name: value for name, value in cells.items() if value is not None}
    if isinstance(shown.get("value"), float):
        shown["value_mm"] = canonical.length_mm(shown["value"], shown.get("unit", "mm"))
    return {"row": int(table.line[row]), "faulty": bool(table.bad[row])} | shown


def _cell(column: Column, row: int) -> Any:
    word = int(column.index[row])
    if word < 0:
        return None
    if column.numbers is None:
        return column.words[word]
    number = column.numbers[word].item()
    if isinstance(number, float):
        return number
    moment = to_time(number)
    return None if moment is None else units.show_moment(moment)


def main(folder: Path) -> None:
    """Read the beginning of a file on standard input."""
    layout = msgspec.json.decode((folder / "layout.json").read_bytes(), type=Layout)
    document = try_layout(sys.stdin.buffer, layout, is_cut=(folder / "cut").exists())
    sys.stdout.buffer.write(msgspec.json.encode(document))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
