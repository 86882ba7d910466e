"""The outlook as a picture: three panels one above the other, told apart by line style, readable in grey."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

# Narrow and tall: as wide as a telephone, at a size of type that stays readable there.
WIDTH_IN, PANEL_IN, LEGEND_ROW_IN = 4.2, 2.7, 0.17
LEGEND_COLUMNS = 2
BANDS = 3  # more of them in one panel hide each other
STYLES = ("-", "--", "-.", ":", (0, (1, 1)), (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
MARKED_EVERY = 10  # of the points along a line
GREYS = ("#000000", "#444444", "#222222", "#666666")
BASIS = {"metres": "Metres ahead [m]", "hours": "Percussion hours ahead [h]"}


def draw_outlook(outlook: Mapping[str, Any]) -> bytes:
    """Return the outlook as SVG.

    Parameters
    ----------
    outlook : mapping
        As the route answers it.
    """
    # a second to import, and only this needs it
    from matplotlib.figure import Figure

    unit = outlook["unit"]
    panels = [
        ("Wear, share of what is allowed [%]", _shares(outlook["wear"], "allowed"), 100.0),
        (f"Clearance [{unit}]", [(row["fit_name"], row, row["discard"]) for row in outlook["clearances"]], None),
        ("Performance retained [%]", _performance(outlook["performance"]), None),
    ]
    shown = [panel for panel in panels if panel[1]] or panels[:1]
    heights = [PANEL_IN + LEGEND_ROW_IN * -(-len(rows) // LEGEND_COLUMNS) for _, rows, _ in shown]
    figure = Figure(figsize=(WIDTH_IN, 0.5 + sum(heights)), layout="constrained")
    figure.suptitle(f"Outlook of {outlook['tool']}", fontsize=12)
    places = figure.subplots(len(shown), 1, squeeze=False, height_ratios=heights)[:, 0]
    for axes, (title, rows, limit) in zip(places, shown, strict=True):
        _panel(axes, title, rows, limit, outlook["usage"])
        axes.set_xlabel(BASIS[outlook["basis"]], fontsize=9)
    file = io.BytesIO()
    title = f"Outlook of {outlook['tool']}"
    figure.savefig(file, format="svg", metadata={"Title": title, "Creator": None, "Date": None})
    return file.getvalue()


def _shares(rows: Sequence[Mapping[str, Any]], whole: str) -> list[tuple[str, Mapping[str, Any], float | None]]:
    """Each as a share of its own limit, so that a casing and a piston fit one scale."""
    return [(row["feature_name"], _times(row, 100.0 / row[whole]), None) for row in rows]


def _performance(row: Mapping[str, Any] | None) -> list[tuple[str, Mapping[str, Any], float | None]]:
    return [] if row is None else [("retained", _times(row, 100.0), 100.0 * row["service"])]


def _times(row: Mapping[str, Any], factor: float) -> dict[str, Any]:
    bands = {name: [None if x is None else x * factor for x in row[name]] for name in ("p10", "p50", "p90")}
    return bands | {"reached": row["reached"]}


def _panel(axes: Any, title: str, rows: Sequence[Any], limit: float | None, usage: Sequence[float]) -> None:
    banded = _nearest(rows)
    for n, (name, row, own_limit) in enumerate(rows):
        low, middle, high = ([float("nan") if x is None else x for x in row[p]] for p in ("p10", "p50", "p90"))
        look = {"color": GREYS[n % len(GREYS)], "linestyle": STYLES[n % len(STYLES)]}
        if n in banded:
            axes.fill_between(usage, low, high, color="#000000", alpha=0.10, linewidth=0)
        axes.plot(usage, middle, **look, **_marks(n, len(rows)), linewidth=1.4, label=name)
        if own_limit is not None:
            axes.axhline(own_limit, **look, linewidth=0.8)
    if limit is not None:
        axes.axhline(limit, color="#000000", linewidth=0.8)
    whose = f" of the {BANDS} nearest to it" if len(rows) > BANDS else ""
    axes.set_title(f"{title}\nmiddle; thin: limit; 80 % band{whose}", fontsize=9, loc="left")
    axes.tick_params(labelsize=8)
    axes.set_xlim(usage[0], usage[-1])
    if rows:
        columns = {"ncols": LEGEND_COLUMNS, "loc": "upper left", "bbox_to_anchor": (-0.04, -0.22), "handlelength": 3.5}
        axes.legend(fontsize=8, frameon=False, borderpad=0.2, labelspacing=0.3, **columns)
    else:
        axes.text(0.5, 0.5, "nothing is known yet", ha="center", transform=axes.transAxes, fontsize=9)


def _marks(n: int, lines: int) -> dict[str, Any]:
    """Marks that tell one of many lines apart, each line's a little further on."""
    if lines <= BANDS:
        return {}
    marks = {"marker": MARKERS[n % len(MARKERS)], "markersize": 4, "markerfacecolor": "white"}
    return marks | {"markevery": (n % MARKED_EVERY, MARKED_EVERY)}


def _nearest(rows: Sequence[Any]) -> set[int]:
    """The rows whose limit is most likely reached at the end of the picture."""
    order = sorted(range(len(rows)), key=lambda n: rows[n][1]["reached"][-1] or 0.0, reverse=True)
    return set(order[:BANDS])
