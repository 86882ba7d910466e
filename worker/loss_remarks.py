"""What has to be said with a leak or a loss (leakage method, section 3.3)."""

from __future__ import annotations

import numpy as np

from worker.group import Group
from worker.loss import Loss
from worker.method.leakage import TRANSITIONAL
from worker.method.observed_rate import disagrees, expected_ratio
from worker.observed import Observed
from worker.remarks import RemarkList


def loss_remarks(group: Group, loss: Loss, remarks: list[RemarkList]) -> None:
    """Remark on how far the losses of some rows carry.

    Parameters
    ----------
    group : Group
    loss : Loss
        Of some rows.
    remarks : list of RemarkList
        Of the same.
    """
    layout = group.layout
    nowhere = np.zeros(len(remarks), np.bool_)
    marks = (
        ("loss-by-rule-only", nowhere | (layout.type.loss_model == "flow" and not layout.by_flow)),
        ("loss-extrapolated", nowhere if loss.rule is None else loss.rule.extrapolated),
        ("loss-capped", nowhere if loss.flow is None else loss.flow.capped),
        ("compressor-too-small", nowhere if loss.flow is None else ~loss.flow.driven_new & np.isfinite(loss.flow.loss)),
    )
    for code, rows in marks:
        for at in np.flatnonzero(rows).tolist():
            remarks[at].add(code, "performance")
    if loss.leaks is None:
        return
    names = [layout.limit_name("fit", fit) for fit in layout.leak_fits.tolist()]
    measured = loss.measured[:, layout.leak_fits]
    for code, fits in (
        ("leak-transitional", loss.leaks.regime == TRANSITIONAL),
        ("leak-choked", loss.leaks.choked),
    ):
        for at, column in np.argwhere(fits & measured).tolist():
            remarks[at].add(code, names[column])


def observed_remarks(loss: Loss, observed: Observed, remarks: list[RemarkList]) -> None:
    """Remark where rates from the ledger and the loss from clearances do not go together, row by row."""
    ratio = observed.ratio
    expected = expected_ratio(loss.loss, observed.worn, observed.worn_as_new)
    apart = disagrees(ratio.retained, ratio.u, loss.loss, loss.u, observed.worn, observed.worn_as_new)
    for at in np.flatnonzero(apart).tolist():
        found, computed = 100.0 * float(ratio.retained[at]), 100.0 * float(expected[at])
        message = f"observed {found:.0f} % of the rate as new, {computed:.0f} % by the clearances then"
        pressures = float(ratio.pressure_bar[at]), float(ratio.baseline_pressure_bar[at])
        if np.isfinite(pressures).all():
            message += f"; {pressures[0]:.1f} bar against {pressures[1]:.1f} bar as new"
        remarks[at].add("performance-disagrees", "performance", message)
