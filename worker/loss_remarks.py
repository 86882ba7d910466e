"""What has to be said with a leak or a loss (leakage method, section 3.3)."""

from __future__ import annotations

import numpy as np

from worker.group import Group
from worker.loss import Loss
from worker.method.leakage import TRANSITIONAL
from worker.method.observed_rate import disagrees
from worker.observed import Observed
from worker.remarks import RemarkList


def loss_remarks(group: Group, loss: Loss, at: int, remarks: RemarkList) -> None:
    """Remark on how far the loss of one row carries.

    Parameters
    ----------
    group : Group
    loss : Loss
        Of some rows.
    at : int
        Which of them.
    remarks : RemarkList
        Of that row.
    """
    layout = group.layout
    if layout.type.loss_model == "flow" and not layout.by_flow:
        remarks.add("loss-by-rule-only", "performance")
    if loss.rule is not None and loss.rule.extrapolated[at]:
        remarks.add("loss-extrapolated", "performance")
    if loss.flow is not None and loss.flow.capped[at]:
        remarks.add("loss-capped", "performance")
    if loss.leaks is None:
        return
    marks = (
        ("leak-transitional", loss.leaks.regime[at] == TRANSITIONAL),
        ("leak-choked", loss.leaks.choked[at]),
    )
    measured = loss.measured[at, layout.leak_fits]
    for code, mask in marks:
        for column in np.flatnonzero(mask & measured).tolist():
            fit = int(layout.leak_fits[column])
            remarks.add(code, layout.limit_name("fit", fit))


def observed_remarks(loss: Loss, observed: Observed, remarks: list[RemarkList]) -> None:
    """Remark where rates from the ledger and the loss from clearances do not go together, row by row."""
    ratio = observed.ratio
    for at in np.flatnonzero(disagrees(ratio.retained, ratio.u, loss.loss, loss.u)).tolist():
        found, computed = 100.0 * float(ratio.retained[at]), 100.0 * (1.0 - float(loss.loss[at]))
        message = f"observed {found:.0f} % of the rate as new, {computed:.0f} % by the clearances"
        pressures = float(ratio.pressure_bar[at]), float(ratio.baseline_pressure_bar[at])
        if np.isfinite(pressures).all():
            message += f"; {pressures[0]:.1f} bar against {pressures[1]:.1f} bar as new"
        remarks[at].add("performance-disagrees", "performance", message)
