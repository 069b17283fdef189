"""How much coolant can flow at most, by the heat that there was and by how far inlet and outlet part.

Coolant that takes up the heat Q meanwhile carries V = Q/(ρ·c·∫(T_out − T_in)dt) past the sensors. What it took up is no
more than what arose and what the bodies gave off as they cooled. What arose is no more than what the battery gave and
the shaft did not take, whatever else it fed. Both with the doubt of their meters, this bounds the flow from above.
Nothing bounds it from below: heat may as well have stayed in the bodies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray, IndexArray
from logscope.checks.cooling.thermal_log import COOLANTS, DEVICES, ThermalLog
from logscope.physics.heating import stream_litres_per_min

_LEAST_S = 60.0  # of a stretch: long against the sensors' lags and the way round the loop
_METERS = 0.08  # of the power: voltage and current 1.5 % each, an inverter's torque 5 % (practice)
_REST_W = 300.0  # of a current meter that reads an ampere at rest (practice)
# The most that gives off heat as its temperature falls [J/K]: 60 kg of motor, 10 kg of heat sink, 2 L of coolant in
# them (practice).
_CAPACITY_J_PER_K = {"motor_temperature": 27e3, "inverter_temperature": 9e3, "coolant_temperature_out": 8e3}
_APART_K, _APART_COLD_K = 2.0, 1.0  # by which two sound sensors of one temperature differ; that agreed when cold
_COLD_K, _COLD_ROWS, _IDLE_A = 3.0, 5, 3.0  # a vehicle that stood: all temperatures together, before any load
_PARTS_K = 8.0  # more than sound loops leave between inlet and outlet, 2 to 5 K (practice)
_HARDLY_L_PER_MIN = 3.0  # pumps of drives move 6 to 20 L/min (practice): half of the lowest
_MOVES_K = 1.0  # in the whole log, beside one step: a sensor that is not stuck, under a load that warms the coolant
OPEN_C = 50.0  # of the outlet: thermostats of drives, where one is fitted, are open (practice)


@dataclass(frozen=True, slots=True)
class Parted:
    """Inlet and outlet that part by more than the heat explains, from, until [s].

    flow_L_per_min : the most that can flow; apart_K : outlet less inlet, mean, that is surely there
    heat_W : the most that the coolant took up, mean; outlet_C : highest
    moves : whether both sensors do; one that stands still may be stuck
    """

    start_s: float
    end_s: float
    flow_L_per_min: float
    apart_K: float
    heat_W: float
    outlet_C: float
    moves: bool

    @property
    def open(self) -> bool:
        """Whether a thermostat, where one is fitted, is open."""
        return self.outlet_C >= OPEN_C


def find_parted(log: ThermalLog) -> Parted | None:
    """The stretch that leaves the lowest flow, where that is hardly any; None elsewhere, or where too little is logged.

    Needs both coolant temperatures, those of motor and inverter, and the battery's power with the shaft's.
    """
    names = (*COOLANTS, *DEVICES)
    if "loss" not in log.heats or any(name not in log.temperatures for name in names):
        return None
    apart_K = log.temperatures[COOLANTS[0]] - log.temperatures[COOLANTS[1]]
    heat_W = log.heats["loss"] + _METERS * log.heats["power"] + _REST_W
    pumped = log.pumping if np.any(log.pumping) else np.ones(apart_K.size, np.bool_)
    known = np.logical_and.reduce([np.isfinite(log.temperatures[name]) for name in names])
    rows = pumped & known & np.isfinite(heat_W) & (heat_W > 0.0)  # a battery that is charged takes what no shaft gave
    offset_K, doubt_K = _offset(log)
    sure_K = apart_K - offset_K - doubt_K
    number = log.stretches(rows)
    runs = (np.flatnonzero(number == each) for each in range(1, int(number.max()) + 1))
    found = [parted for run in runs if (parted := _lowest(run, heat_W, sure_K, log)) is not None]
    best = min(found, key=lambda each: each.flow_L_per_min, default=None)
    return best if best is not None and best.flow_L_per_min <= _HARDLY_L_PER_MIN else None


def _offset(log: ThermalLog) -> tuple[float, float]:
    """By how much the two sensors differ when all is cold, before any load, and how well that is known [K]."""
    rounding = sum(log.rounding[name] for name in COOLANTS) / 2.0
    amps = log.heats.get("current")
    if amps is None:
        return 0.0, _APART_K + rounding
    loaded = np.flatnonzero(np.nan_to_num(amps) > _IDLE_A)
    start = slice(0, int(loaded[0]) if loaded.size else amps.size)
    cold = np.array([log.temperatures[name][start] for name in (*COOLANTS, *DEVICES)])
    cold = cold[:, np.isfinite(cold).all(axis=0)]
    if cold.shape[1] < _COLD_ROWS or float(np.ptp(np.median(cold, axis=1))) > _COLD_K + rounding:
        return 0.0, _APART_K + rounding
    return float(np.mean(cold[0] - cold[1])), _APART_COLD_K + rounding


def _lowest(rows: IndexArray, heat_W: FloatArray, sure_K: FloatArray, log: ThermalLog) -> Parted | None:
    """The stretch of one unbroken run of rows that leaves the lowest flow."""
    heat_J, apart_Ks = (log.step_s * np.cumsum(of[rows]) for of in (heat_W, sure_K))
    first, last = np.triu_indices(rows.size, max(round(_LEAST_S / log.step_s), 1))
    parts_Ks = apart_Ks[last] - apart_Ks[first]
    lasts_s = (last - first) * log.step_s
    clear = parts_Ks >= _PARTS_K * lasts_s
    if not clear.any():
        return None
    first, last, parts_Ks, lasts_s = first[clear], last[clear], parts_Ks[clear], lasts_s[clear]
    taken_J = heat_J[last] - heat_J[first]
    for name, capacity in _CAPACITY_J_PER_K.items():
        body = log.temperatures[name][rows]
        taken_J = taken_J + capacity * (np.maximum(body[first] - body[last], 0.0) + log.rounding[name])
    best = int(np.argmin(taken_J / parts_Ks))
    since, until = int(rows[first[best]]), int(rows[last[best]])
    outlet = log.temperatures[COOLANTS[0]][since : until + 1]
    return Parted(
        float(log.time_s[since]),
        float(log.time_s[until]),
        stream_litres_per_min(float(taken_J[best] / parts_Ks[best])),
        float(parts_Ks[best] / lasts_s[best]),
        float(taken_J[best] / lasts_s[best]),
        float(outlet.max()),
        all(
            float(np.nanmax(of) - np.nanmin(of)) >= _MOVES_K + log.rounding[name]
            for name in COOLANTS
            for of in [log.temperatures[name]]
        ),
    )
