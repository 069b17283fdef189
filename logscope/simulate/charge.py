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

from logscope.arrays import BoolArray, FloatArray

STEP_S = 0.1
PLUGGED_S, PRECHARGE_S = 3.0, (1.5, 0.5)  # before the charge: plugged in; its output is raised to the pack's
SPREAD_K = 1.0  # between the coldest and the hottest place of a pack at rest
OFF, CONSTANT_CURRENT, CONSTANT_VOLTAGE, DONE, STOPPED = 0.0, 1.0, 2.0, 3.0, 4.0


@dataclass(frozen=True, slots=True)
class Pack:
    """Charge of a full pack, its level at the drive's beginning (0–1), and what the level adds in voltage.

    heat_J_per_K : of what its loss warms, in a closed box; by default 150 kg of cells
    """

    capacity_Ah: float = 40.0
    level: float = 0.71
    volts_per_level: float = 35.0
    heat_J_per_K: float = 130e3

    @property
    def volts_per_coulomb(self) -> float:
        """Change of the open-circuit voltage for each ampere-second that is put in."""
        return self.volts_per_level / (self.capacity_Ah * 3600.0)


def hottest_place(surroundings_C: FloatArray | float, warmer_K: FloatArray | float) -> FloatArray | float:
    """The hottest place of a pack that its loss has warmed by so much in the middle [°C]."""
    return surroundings_C + SPREAD_K + 1.15 * warmer_K


@dataclass(frozen=True, slots=True)
class Charge:
    """A charge from `start_s` on, plugged in before.

    current_A, voltage_V : what is asked of the charger; end_A : at which it is full
    ramp_A_per_s : how fast the charger raises its current; after_s : how long it listens when it is done
    load_A : what a converter or heater takes meanwhile, so that the battery gets less
    voltage_error : of the charger's own meter, as a share: it regulates to a wrong voltage
    regulates_off_V : by which it misses the voltage, and its meter shows so
    current_share : of the current asked for that the charger gives; most_W : of its output, its limit of power
    stops_s : when it stops by itself, whatever the pack's state
    ends_at_V, ends_at_C : of the pack, at which the request is withdrawn
    request_ends_s : when it is for another reason
    fault_s : when the charger reports a fault, and stops `obeys_s` later
    starts : whether it ever gives current, plugged in and asked
    obeys_s : after which the charger follows a request; infinite where it never does
    request_silent_s : when the request is no longer sent; `hears_s` later the charger stops
    supply_lost_s : when the mains fail; unplugged_s : when the plug is pulled, the current ending `arc_s` later
    """

    start_s: float
    current_A: float = 20.0
    voltage_V: float = 333.0
    end_A: float = 12.0
    ramp_A_per_s: float = 4.0
    after_s: float = 10.0
    load_A: float = 0.0
    voltage_error: float = 0.0
    regulates_off_V: float = 0.0
    current_share: float = 1.0
    most_W: float = inf
    starts: bool = True
    stops_s: float = inf
    fault_s: float = inf
    ends_at_V: float = inf
    ends_at_C: float = inf
    request_ends_s: float = inf
    obeys_s: float = 0.3
    request_silent_s: float = inf
    hears_s: float = 2.0
    supply_lost_s: float = inf
    unplugged_s: float = inf
    arc_s: float = 1.5

    def ends_s(self, withdrawn_s: float) -> float:
        """When the charger stops, a request being withdrawn at `withdrawn_s`, unless the pack is full before."""
        return min(
            self.stops_s,
            self.fault_s + self.obeys_s,
            withdrawn_s + self.obeys_s,
            self.request_silent_s + self.hears_s,
            self.supply_lost_s,
            self.unplugged_s + self.arc_s,
        )


class Session(NamedTuple):
    """A charge as it went, a value each 0.1 s from the plug on.

    current : of the charger [A]; pack_A : into the pack [A]; voltage : of the pack [V]; output_V : of the charger [V]
    charged_As : what the pack got [As]; state : of the charger; target_A, target_V : what is asked for
    fed : whether the mains are there (0 or 1)
    """

    time_s: FloatArray
    current: FloatArray
    pack_A: FloatArray
    voltage: FloatArray
    output_V: FloatArray
    charged_As: FloatArray
    state: FloatArray
    target_A: FloatArray
    target_V: FloatArray
    fed: FloatArray

    @property
    def charging(self) -> BoolArray:
        """Whether the charger delivers current, shape (n,)."""
        return self.current > 0.0


def play_charge(
    charge: Charge, pack: Pack, open_circuit_V: float, pack_ohm: float, end_s: float, surroundings_C: float = 18.0
) -> Session:
    """Play a charge of a pack whose open-circuit voltage is `open_circuit_V` when it begins.

    CC: I = I_set; CV: I = (V_set − OCV)/R; each for as long as it is the smaller of the two. What a load takes comes on
    top of the latter.
    """
    time_s = np.arange(max(charge.start_s - PLUGGED_S, 0.0), end_s, STEP_S)
    columns = np.zeros((len(Session._fields) - 1, time_s.size))
    current, into, voltage, output, charged, state, target_A, target_V, fed = columns
    set_V = charge.voltage_V * (1.0 + charge.voltage_error) + charge.regulates_off_V
    amps, total, warmer_K, now, withdrawn_s = 0.0, 0.0, 0.0, OFF, charge.request_ends_s
    last, load_A = time_s.size, 0.0
    for row, at_s in enumerate(time_s):
        ocv = open_circuit_V + pack.volts_per_coulomb * total
        if now == OFF and charge.starts and at_s >= charge.start_s - STEP_S / 2:
            now, load_A = CONSTANT_CURRENT, charge.load_A
        if now in (CONSTANT_CURRENT, CONSTANT_VOLTAGE):
            allowed = max((set_V - ocv) / pack_ohm + load_A, 0.0)
            most_A = min(charge.current_A * charge.current_share, charge.most_W / (ocv + (amps - load_A) * pack_ohm))
            asked = min(amps + charge.ramp_A_per_s * STEP_S, most_A)
            amps, now = (allowed, CONSTANT_VOLTAGE) if allowed <= asked else (asked, CONSTANT_CURRENT)
            if ocv + (amps - load_A) * pack_ohm >= charge.ends_at_V:
                withdrawn_s = min(withdrawn_s, at_s)
            if hottest_place(surroundings_C, warmer_K) >= charge.ends_at_C:
                withdrawn_s = min(withdrawn_s, at_s)
            if at_s >= charge.ends_s(withdrawn_s):
                amps, now = 0.0, STOPPED
            elif now == CONSTANT_VOLTAGE and amps - load_A <= charge.end_A:
                amps, now = 0.0, DONE
            if now in (DONE, STOPPED):
                last, load_A = row + round(charge.after_s / STEP_S), 0.0
        into[row], current[row], charged[row], state[row] = amps - load_A, amps, total, now
        voltage[row] = ocv + into[row] * pack_ohm
        precharged = np.clip((at_s - charge.start_s + PRECHARGE_S[0]) / (PRECHARGE_S[0] - PRECHARGE_S[1]), 0.0, 1.0)
        output[row] = voltage[row] * precharged
        asks = at_s < withdrawn_s and now != DONE
        target_A[row], target_V[row] = charge.current_A * asks, charge.voltage_V * asks
        fed[row] = at_s < charge.supply_lost_s
        total += into[row] * STEP_S
        warmer_K += pack_ohm * into[row] ** 2 * STEP_S / pack.heat_J_per_K
    return Session(time_s[:last], *columns[:, :last])
