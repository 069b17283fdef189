"""The temperatures of a drive: its losses, its pump and the air that its speed gives."""

from __future__ import annotations

import numpy as np

from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.thermal import Temperatures, temperatures, with_faults


def drive_temperatures(drive: Drive) -> Temperatures:
    """The true temperatures of a drive; the pump has its supply while the main contactor is closed."""
    pumping = np.zeros(drive.rows.shape[0])
    for begin_s, end_s in drive.high_voltage.closed:
        pumping[round(begin_s / ROW_S) : round(end_s / ROW_S)] = 1.0
    return temperatures(drive.column("current_A"), ROW_S, drive.scenario.cooling, drive.column("speed_kmh"), pumping)


def sensed_temperatures(drive: Drive) -> Temperatures:
    """The same as the drive's sensors show them."""
    cooling = drive.scenario.cooling
    return with_faults(drive_temperatures(drive).sensed(cooling.sensor_s), cooling.sensors)
