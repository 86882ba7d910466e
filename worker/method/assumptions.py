"""What a catalogue entry assumes where nothing is known, as a row of parameters (method page "sizes" S11, S12)."""

from __future__ import annotations

import numpy as np

from service.catalogue import ToolType
from worker.method.influences import GAUGE_KINDS
from worker.method.readings import Parameters


def parameters_of(tool_type: ToolType) -> Parameters:
    """The one parameter row of a revision.

    Parameters
    ----------
    tool_type : ToolType
    """
    assumed, doubt = tool_type.assumed_uncertainty, tool_type.temperature
    return Parameters(
        random=np.array([[assumed.random[kind] for kind in GAUGE_KINDS]]),
        calibration=np.array([[assumed.calibration[kind] for kind in GAUGE_KINDS]]),
        assumed_nu=np.array([assumed.degrees_of_freedom], np.float64),
        assumed_allowed=np.array([assumed.allowed]),
        room_half_width=np.array([doubt.room_half_width_c]),
        between_half_width=np.array([doubt.between_objects_half_width_c]),
        part_u=np.array([doubt.part_u_c]),
        master_u=np.array([doubt.master_u_c]),
        gauge_u=np.array([doubt.gauge_u_c]),
        thermometer_u=np.array([doubt.thermometer_u_c]),
        expansion_half_width=np.array([doubt.expansion_half_width_per_k]),
    )
