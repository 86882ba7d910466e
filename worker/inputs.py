"""What a batch of tools is computed from, read in one transaction that sees one state."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.store import assessment_inputs as store
from service.store.archive import archived_years
from service.store.assessment_inputs import Columns, InspectionRow, ToolRow, UsageRow, Wanted
from service.store.claims import ClaimedTool
from service.store.codes import code_ids
from service.store.columns import to_micros
from service.store.pool import Connection
from worker.as_of import Basis, bases
from worker.batch import Batch, Instruments, Measured
from worker.layout import lay_out_type
from worker.reference import Reference, TypeKey, get_model, read_reference, with_learned_ground
from worker.timeline import lay_out
from worker.wear_model import CATALOGUE

Ints = NDArray[np.int64]


def load_past(conn: Connection[Any], tools: Sequence[int], type_id: int) -> tuple[Batch, TypeKey]:
    """Read what was measured of all tools of a type, and under which newest revision; nothing is to be computed."""
    rows = {row.tool_id: row for row in store.list_tools(conn, list(tools))}
    fittings = store.list_fittings(conn, list(rows), ())
    elsewhere = sorted({row.tool_id for row in fittings} - rows.keys())
    every = rows | {row.tool_id: row for row in store.list_tools(conn, elsewhere)}
    inspections = store.list_inspections(conn, list(every))
    past = [n for n, row in enumerate(inspections) if row.assessment_version is not None and row.state != "failed"]
    sizes = store.read_sizes(conn, _wanted(inspections, past, of_assessment=True))
    sizes["inspection"] = np.array(past, np.int64)[sizes["inspection"]]
    _, revision, _ = read_reference(conn, {type_id}).newest()[type_id]
    key = (type_id, revision, CATALOGUE)
    layout = lay_out_type(store.get_tool_type(conn, type_id, revision))
    batch = Batch(
        now=conn.execute("SELECT now()").fetchall()[0][0],
        claimed={},
        tools=every,
        inspections=inspections,
        of_tool=_by_tool(inspections),
        basis=[],
        compute=[],
        rank=_ranks(inspections),
        measured=Measured({}, {}, {}, {}),
        instruments=Instruments({}, {}, {}),
        timeline=lay_out(every.values(), fittings, inspections),
        usage=_usage(store.list_usage(conn, list(every))),
        sizes=sizes,
        clearances={},
        components={},
        statuses={},
        layouts={key: layout},
        models={},
        codes=code_ids(conn, {feature.code for feature in layout.type.features}),
        newest={type_id: key},
        remarked={},
    )
    return batch, key


def load(conn: Connection[Any], claimed: Sequence[ClaimedTool]) -> Batch:
    """Read a claimed batch.

    Parameters
    ----------
    conn : Connection
        In a transaction of its own, repeatable read.
    claimed : sequence of ClaimedTool
        The tools to compute, each from a time on.
    """
    now: datetime = conn.execute("SELECT now()").fetchall()[0][0]
    tools = {row.tool_id: row for row in store.list_tools(conn, [tool.tool_id for tool in claimed])}
    by_id = {tool.tool_id: tool for tool in claimed if tool.tool_id in tools}  # one may be deleted by now
    own = store.list_inspections(conn, list(tools))
    due = _due(own, by_id, archived_years(conn))
    fresh = set(due)
    stored, judged = _past(own, fresh), due + _remeasured(own, due)
    sizes = _read_sizes(conn, own, stored)
    compared = _compared(own, due, sizes)
    needed = judged + [n for n in compared if n not in set(judged)]
    readings = store.read_readings(conn, _wanted(own, needed, of_assessment=False))
    named = {int(c) for c in np.unique(readings["component_id"][readings["inspection"] < len(judged)]) if c >= 0}
    fittings = store.list_fittings(conn, list(tools), named)
    components = named | {row.component_id for row in fittings if row.component_id is not None}
    elsewhere = {row.tool_id for row in fittings} - tools.keys()
    if components:
        elsewhere |= set(store.list_measuring_tools(conn, components, list(tools)))
    context = {row.tool_id: row for row in store.list_tools(conn, list(elsewhere))} if elsewhere else {}
    inspections = own + (store.list_inspections(conn, list(context)) if context else [])
    every = tools | context
    of_tool = _by_tool(inspections)
    past = _past(inspections, fresh)
    if len(past) > len(stored):
        more = _read_sizes(conn, inspections, past[len(stored) :])
        sizes = {name: np.concatenate([column, more[name]]) for name, column in sizes.items()}
    clearances = store.read_clearances(conn, _wanted(inspections, past, of_assessment=True))
    clearances["inspection"] = np.array(past, np.int64)[clearances["inspection"]]
    reference = read_reference(conn, {tool.tool_type_id for tool in every.values()})
    basis = _all_bases(every, inspections, of_tool, reference)
    batch = Batch(
        now=now,
        claimed=by_id,
        tools=every,
        inspections=inspections,
        of_tool=of_tool,
        basis=basis,
        compute=due,
        rank=_ranks(inspections),
        measured=_measured(conn, own, needed, readings),
        instruments=_instruments(conn, readings),
        timeline=lay_out(every.values(), fittings, inspections),
        usage=_usage(store.list_usage(conn, list(every))),
        sizes=sizes,
        clearances=clearances,
        components=store.list_components(conn, components) if components else {},
        statuses=store.list_statuses(conn, list(tools)),
        layouts={},
        models={},
        codes={},
        remarked=_remarked(conn, own, fresh),
        newest=reference.newest(),
        compared=compared,
    )
    _read_types(conn, batch)
    _read_site_ground(conn, batch)
    return batch


def _due(own: Sequence[InspectionRow], claimed: dict[int, ClaimedTool], archived: frozenset[int]) -> list[int]:
    """Rows to compute: from the time concerned on, and whatever was never assessed; what failed is skipped.

    What was assessed in a year that is archived by now keeps its assessment: its readings are not here to compute it.
    """
    return [
        n
        for n, row in enumerate(own)
        if row.state != "failed"
        and (row.assessment_version is None or to_micros(row.taken_at) >= claimed[row.tool_id].since)
        and not (archived and row.taken_at.year in archived)
    ]


def _remeasured(own: Sequence[InspectionRow], due: Sequence[int]) -> list[int]:
    """Rows that are measured again by one of those due, and are not due themselves."""
    again = {own[n].remeasures for n in due} - {None}
    known = set(due)
    return [n for n, row in enumerate(own) if row.inspection_id in again and n not in known and row.state != "failed"]


def _past(inspections: Sequence[InspectionRow], fresh: set[int]) -> list[int]:
    """Rows that stand as they were assessed."""
    return [
        n
        for n, row in enumerate(inspections)
        if n not in fresh and row.assessment_version is not None and row.state != "failed"
    ]


def _read_sizes(conn: Connection[Any], inspections: Sequence[InspectionRow], rows: Sequence[int]) -> Columns:
    sizes = store.read_sizes(conn, _wanted(inspections, rows, of_assessment=True))
    sizes["inspection"] = np.array(rows, np.int64)[sizes["inspection"]]
    return sizes


def _compared(own: Sequence[InspectionRow], due: Sequence[int], sizes: Columns) -> list[int]:
    """Rows that hold the newest size of a feature that is to be believed, before anything of its tool is computed."""
    first: dict[int, int] = {}
    for n in due:
        first.setdefault(own[n].tool_id, n)
    until = np.array([first.get(row.tool_id, -1) for row in own], np.int64)
    tool = np.array([row.tool_id for row in own], np.int64)
    at = sizes["inspection"].astype(np.int64)
    usable = np.flatnonzero((at < until[at]) & ~sizes["blocked"].astype(np.bool_) & (sizes["position"] > 0))
    names = [tool[at[usable]], *(sizes[name][usable].astype(np.int64) for name in ("feature_id", "position"))]
    # rows come in the order of time: of each feature the last one counts
    _, last = np.unique(np.stack(names)[:, ::-1], axis=1, return_index=True)
    return sorted(set(at[usable][::-1][last].tolist()))


def _wanted(inspections: Sequence[InspectionRow], rows: Iterable[int], of_assessment: bool) -> Wanted:
    chosen = [inspections[n] for n in rows]
    versions = [(row.assessment_version or 0) if of_assessment else row.inspection_version for row in chosen]
    return Wanted([row.taken_at for row in chosen], [row.inspection_id for row in chosen], versions)


def _by_tool(inspections: Sequence[InspectionRow]) -> dict[int, list[int]]:
    rows: dict[int, list[int]] = {}
    for n, inspection in enumerate(inspections):
        rows.setdefault(inspection.tool_id, []).append(n)
    return rows


def _all_bases(
    tools: dict[int, ToolRow],
    inspections: Sequence[InspectionRow],
    of_tool: dict[int, list[int]],
    reference: Reference,
) -> list[Basis]:
    found: list[Basis] = []
    for tool_id, rows in of_tool.items():
        type_id = tools[tool_id].tool_type_id
        revisions, models = reference.revisions[type_id], reference.models.get(type_id, [])
        found += bases([inspections[n] for n in rows], revisions, models)
    return found


def _ranks(inspections: Sequence[InspectionRow]) -> Ints:
    order = sorted(
        range(len(inspections)),
        key=lambda n: (inspections[n].taken_at, inspections[n].stage, inspections[n].reference, n),
    )
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    return rank


def _measured(
    conn: Connection[Any], own: Sequence[InspectionRow], needed: Sequence[int], readings: Columns
) -> Measured:
    wanted = _wanted(own, needed, of_assessment=False)
    traces: dict[tuple[int, int], list[float]] = {}
    if (readings["kind"] == 2).any():
        traces = {(needed[n], ordinal): samples for n, ordinal, samples in store.list_traces(conn, wanted)}
    setups: dict[tuple[int, int, int], int] = {}
    returns: dict[tuple[int, int, int], float] = {}
    if (readings["setup"] != 0).any():
        for row in store.list_setups(conn, wanted):
            setups[needed[row.inspection], row.setup, row.gauge_id] = row.readings_at_zero
            if row.return_reading is not None:
                returns[needed[row.inspection], row.setup, row.gauge_id] = row.return_reading
    sources = {(needed[row.inspection], row.source): row for row in store.list_sources(conn, wanted)}
    readings["inspection"] = np.array(needed, np.int64)[readings["inspection"]]
    return Measured(readings, traces, sources, setups, returns)


def _instruments(conn: Connection[Any], readings: Columns) -> Instruments:
    gauges = [int(g) for g in np.unique(readings["gauge_id"]) if g >= 0]
    masters = [int(m) for m in np.unique(readings["master_id"]) if m >= 0]
    found = Instruments({}, {}, {})
    if gauges:
        for gauge in store.list_gauges(conn, gauges):
            found.gauges.setdefault(gauge.gauge_id, []).append(gauge)
        for certificate in store.list_gauge_certificates(conn, gauges):
            found.gauge_certificates.setdefault(certificate.gauge_id, []).append(certificate)
    if masters:
        for master in store.list_masters(conn, masters):
            found.masters.setdefault(master.master_id, []).append(master)
    return found


def _remarked(conn: Connection[Any], own: Sequence[InspectionRow], due: Iterable[int]) -> dict[int, list[str]]:
    """Codes of what was remarked on each tool's newest inspection, where that is not computed now."""
    newest = {row.tool_id: n for n, row in enumerate(own) if row.state != "failed"}
    kept = set(newest.values()) - set(due)
    return store.list_remarks(conn, [own[n].inspection_id for n in kept]) if kept else {}


def _usage(rows: Iterable[UsageRow]) -> dict[int, list[UsageRow]]:
    by_tool: dict[int, list[UsageRow]] = {}
    for row in rows:
        by_tool.setdefault(row.tool_id, []).append(row)
    return by_tool


def _read_types(conn: Connection[Any], batch: Batch) -> None:
    """Read the revisions that are needed, and the numbers of their features, fits and limits."""
    wanted = {batch.type_key(n) for n in batch.compute}
    for tool_id in batch.claimed.keys() & batch.tools.keys():
        wanted.add(batch.newest[batch.tools[tool_id].tool_type_id])
    names: set[str] = set()
    for key in wanted:
        model = get_model(conn, key)
        layout = lay_out_type(with_learned_ground(store.get_tool_type(conn, *key[:2]), model))
        batch.layouts[key] = layout
        if model is not None:
            batch.models[key] = model
        names.update(layout.limit_names)
        names.update(feature.code for feature in layout.type.features)
        names.update(fit.code for fit in layout.type.fits)
    batch.codes = code_ids(conn, names)


def _read_site_ground(conn: Connection[Any], batch: Batch) -> None:
    """Read what a site works on, for its tools that have no ground on record."""
    asked: dict[tuple[int, str], tuple[int, datetime]] = {}
    for tool_id in batch.claimed.keys() & batch.tools.keys():
        usage = batch.usage.get(tool_id, ())
        if any(amount.get("ground") for row in usage for amount in row.amounts):
            continue
        site = batch.tools[tool_id].site_id
        asked[tool_id, ""] = site, batch.now
        for n in batch.of_tool.get(tool_id, ()):
            if n in batch.due:
                row = batch.inspections[n]
                asked[tool_id, str(row.inspection_id)] = site, row.taken_at
    if not asked:
        return
    basis = {layout.type.life_basis for layout in batch.layouts.values()}
    mixes = store.site_ground(conn, list(asked.values()), min(basis))
    batch.site_ground = {key: mix for key, mix in zip(asked, mixes, strict=True) if mix}
