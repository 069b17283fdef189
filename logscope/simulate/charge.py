"""The pack's charge level, and a charger with constant current, then constant voltage.

The open-circuit voltage rises in a straight line with the charge level, which holds for the middle and
upper part of the cells' range. The charger reaches the pack by its own contactor, so that the DC link
stays out of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import NamedTuple

import numpy as np

from logscope.arrays import FloatArray

STEP_S = 0.1
OFF, CONSTANT_CURRENT, CONSTANT_VOLTAGE, DONE, STOPPED = 0.0, 1.0, 2.0, 3.0, 4.0


@dataclass(frozen=True, slots=True)
class Pack:
    """Charge of a full pack, its level at the drive's beginning (0–1), and what the level adds in voltage."""

    capacity_Ah: float = 40.0
    level: float = 0.71
    volts_per_level: float = 35.0

    @property
    def volts_per_coulomb(self) -> float:
        """Change of the open-circuit voltage for each ampere-second that is put in."""
        return self.volts_per_level / (self.capacity_Ah * 3600.0)


@dataclass(frozen=True, slots=True)
class Charge:
    """A charge from `start_s` on.

    current_A, voltage_V : what is asked of the charger; end_A : at which it is full
    ramp_A_per_s : how fast the charger raises its current; after_s : how long it listens when it is done
    voltage_error : of the charger's own meter, as a share: it regulates to a wrong voltage
    current_share : of the current asked for that the charger can give
    stops_s : when it stops by itself, whatever the pack's state
    """

    start_s: float
    current_A: float = 20.0
    voltage_V: float = 333.0
    end_A: float = 12.0
    ramp_A_per_s: float = 4.0
    after_s: float = 10.0
    voltage_error: float = 0.0
    current_share: float = 1.0
    stops_s: float = inf


class Session(NamedTuple):
    """A charge as it went, a value each 0.1 s: current [A], voltage [V], what was charged [As], state."""

    time_s: FloatArray
    current: FloatArray
    voltage: FloatArray
    charged_As: FloatArray
    state: FloatArray


def play_charge(charge: Charge, pack: Pack, open_circuit_V: float, pack_ohm: float, end_s: float) -> Session:
    """Play a charge of a pack whose open-circuit voltage is `open_circuit_V` when it begins.

    CC: I = I_set; CV: I = (V_set − OCV)/R; each for as long as it is the smaller of the two.
    """
    time_s = np.arange(charge.start_s, end_s, STEP_S)
    current, voltage, charged, state = (np.zeros(time_s.size) for _ in range(4))
    target_V = charge.voltage_V * (1.0 + charge.voltage_error)
    amps, total, now = 0.0, 0.0, CONSTANT_CURRENT
    last = time_s.size
    for row, at_s in enumerate(time_s):
        ocv = open_circuit_V + pack.volts_per_coulomb * total
        if now in (CONSTANT_CURRENT, CONSTANT_VOLTAGE):
            allowed = max((target_V - ocv) / pack_ohm, 0.0)
            asked = min(amps + charge.ramp_A_per_s * STEP_S, charge.current_A * charge.current_share)
            amps, now = (allowed, CONSTANT_VOLTAGE) if allowed <= asked else (asked, CONSTANT_CURRENT)
            if at_s >= charge.stops_s:
                amps, now = 0.0, STOPPED
            elif now == CONSTANT_VOLTAGE and amps <= charge.end_A:
                amps, now = 0.0, DONE
            if now in (DONE, STOPPED):
                last = row + round(charge.after_s / STEP_S)
        current[row], voltage[row], charged[row], state[row] = amps, ocv + amps * pack_ohm, total, now
        total += amps * STEP_S
    return Session(*(column[:last] for column in (time_s, current, voltage, charged, state)))
