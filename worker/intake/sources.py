"""Groups of a file as sources of inspections that are there already: the very rows a document would have brought."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from service import canonical
from service.store.codes import code_ids
from service.store.columns import EPOCH, MICROSECOND
from service.store.gauge_exports import ClaimedExport
from service.store.pool import Connection
from service.store.sources import Content, ReadingRow, Source
from worker.intake.digests import lengths, setups_of
from worker.intake.file import File
from worker.intake.groups import Groups, number_said, said
from worker.intake.references import index_of
from worker.intake.rows import amounts_json, check_rows, setup_rows, trace_in_mm
from worker.intake.table import Table

Ints = NDArray[np.int64]


def sources_of(
    conn: Connection,
    export: ClaimedExport,
    file: File,
    groups: Groups,
    digests: Sequence[bytes],
    components: Mapping[str, int],
) -> list[Source]:
    """Return the source that each group is, without what it measures again.

    Parameters
    ----------
    conn : Connection
        Features the store has no number for yet get one.
    export : ClaimedExport
    file : File
    groups : Groups
        Of its rows.
    digests : sequence of bytes
        Of each group.
    components : mapping
        The id of each component that they name.
    """
    contents = _contents(conn, file, groups, components)
    return [
        _source(file.table, groups, place, content, digest, export)
        for place, (digest, content) in enumerate(zip(digests, contents, strict=True))
    ]


def _source(table: Table, groups: Groups, place: int, content: Content, digest: bytes, export: ClaimedExport) -> Source:
    def once(name: str) -> int:
        return int(groups.once[name][place]) if name in groups.once else -1

    usage = amounts_json(table, groups, place)
    return Source(
        reference=table.columns["reference"].words[groups.reference[place]],
        stage=canonical.STAGES[groups.stage[place]],
        taken_at=EPOCH + int(groups.taken_at[place]) * MICROSECOND,
        digest=digest,
        content=content,
        inspector=said(table.columns.get("inspector"), once("inspector")),
        thermometer=said(table.columns.get("thermometer"), once("thermometer")),
        thermometer_u_c=number_said(table.columns.get("thermometer_u_c"), once("thermometer_u_c")),
        usage=None if usage is None else msgspec.json.decode(usage),
        export_id=export.export_id,
    )


def _contents(conn: Connection, file: File, groups: Groups, components: Mapping[str, int]) -> list[Content]:
    bounds = list(zip(groups.start[:-1].tolist(), groups.start[1:].tolist(), strict=True))
    if "check" in file.table.columns:
        checks = check_rows(file.table, groups)
        return [Content(checks=checks[low:high]) for low, high in bounds]
    readings = _reading_rows(conn, file, groups.row, components)
    setups = setups_of(file.table, groups)
    return [
        Content(readings=readings[low:high], setups=setup_rows(setups.get(place, set())))
        for place, (low, high) in enumerate(bounds)
    ]


def _reading_rows(conn: Connection, file: File, rows: Ints, components: Mapping[str, int]) -> list[ReadingRow]:
    table, references = file.table, file.references
    feature, tool = index_of(table, "feature")[rows], index_of(table, "tool")[rows]
    once = references.quantity[references.type_of_tool[tool], feature] == 1
    positions = _whole(table, "position", rows)
    units = [unit or "mm" for unit in _texts(table, "unit", rows)]
    values = _figures(table, "value", rows)
    columns = (
        _feature_ids(conn, table, feature),
        [None if alone else number for alone, number in zip(once.tolist(), positions, strict=True)],
        [None if serial is None else components[serial] for serial in _texts(table, "component", rows)],
        _whole(table, "station", rows),
        _figures(table, "orientation", rows),
        [canonical.KINDS.index(kind or "size") for kind in _texts(table, "kind", rows)],
        _in_mm(table, rows, values),
        _traces(table, rows, units),
        [None if unit == "mm" else value for unit, value in zip(units, values, strict=True)],
        [None if unit == "mm" else unit for unit in units],
        _ids(table, "gauge", references.gauge_id, rows),
        _ids(table, "master", references.master_id, rows),
        _texts(table, "setup", rows),
        _figures(table, "temperature_c", rows),
        _figures(table, "reference_temperature_c", rows),
    )
    return [ReadingRow(1, *cells) for cells in zip(*columns, strict=True)]


def _texts(table: Table, name: str, rows: Ints) -> list[str | None]:
    column = table.columns.get(name)
    return [said(column, word) for word in index_of(table, name)[rows].tolist()]


def _figures(table: Table, name: str, rows: Ints) -> list[float | None]:
    column = table.columns.get(name)
    return [number_said(column, word) for word in index_of(table, name)[rows].tolist()]


def _whole(table: Table, name: str, rows: Ints) -> list[int | None]:
    return [None if number is None else int(number) for number in _figures(table, name, rows)]


def _ids(table: Table, name: str, ids: NDArray[np.int32], rows: Ints) -> list[int | None]:
    index = index_of(table, name)[rows]
    return [found if word >= 0 else None for word, found in zip(index.tolist(), ids[index].tolist(), strict=True)]


def _feature_ids(conn: Connection, table: Table, feature: NDArray[np.int32]) -> list[int]:
    names = table.columns["feature"].words
    ids = code_ids(conn, (names[word] for word in np.unique(feature).tolist()))
    return [ids[names[word]] for word in feature.tolist()]


def _in_mm(table: Table, rows: Ints, values: Sequence[float | None]) -> list[float | None]:
    number, figures, units = lengths(table, rows)
    in_mm = [canonical.length_mm(figure, unit) for figure, unit in zip(figures, units, strict=True)]
    return [None if value is None else in_mm[which] for value, which in zip(values, number.tolist(), strict=True)]


def _traces(table: Table, rows: Ints, units: Sequence[str]) -> list[list[float] | None]:
    return [
        None if cell is None else trace_in_mm(cell, unit)
        for cell, unit in zip(_texts(table, "trace", rows), units, strict=True)
    ]
