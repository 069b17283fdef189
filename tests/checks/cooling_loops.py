"""Made temperatures of a cooled drive: bodies of known constants, and what the cooling check finds in them.

The bodies are lumped capacities (any textbook of heat transfer), integrated in steps of 0.1 s; no part of the check or
of the simulator is used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from motor_traces import part, signals
from one_check import findings_of

from logscope.checks.cooling.check import cooling
from logscope.findings import Finding
from logscope.signals import Part
from logscope.vehicle import Cooling, Limits, Vehicle

HAZEL = Vehicle(
    limits=Limits(motor_temperature_C=140, inverter_temperature_C=85),
    cooling=Cooling(continuous_current_A=150),
)
_TICK_S = 0.1
PLATE_S, WINDING_S = 45.0, 400.0
_PLATE_K_PER_A, _WINDING_K_PER_A2 = 0.06, 0.0009


@dataclass(frozen=True)
class Loop:
    """A drive of `end_s` with presses drawn by `seed`; flow by its stretches (from, until, share), else 1."""

    end_s: float = 600.0
    seed: int = 1
    flow: tuple[tuple[float, float, float], ...] = ()
    hardest_A: float = 320.0
    ambient_C: float = 18.0


def played(loop: Loop) -> dict[str, np.ndarray]:
    """Current [A] and temperatures [°C] every 0.1 s."""
    rng = np.random.default_rng(loop.seed)
    time_s = np.arange(0.0, loop.end_s, _TICK_S)
    amps = np.zeros(time_s.size)
    at_s = 20.0
    while at_s < loop.end_s:
        until_s = at_s + rng.uniform(10.0, 50.0)
        amps[(time_s >= at_s) & (time_s < until_s)] = rng.uniform(0.2, 1.0) * loop.hardest_A
        at_s = until_s + rng.uniform(5.0, 40.0)
    wet = np.ones(time_s.size)
    for since_s, until_s, share in loop.flow:
        wet[(time_s >= since_s) & (time_s < until_s)] = share
    plate, winding, warm = (np.full(time_s.size, loop.ambient_C) for _ in range(3))
    for row in range(1, time_s.size):
        k = row - 1
        to_plate, to_winding = plate[k] - warm[k], winding[k] - warm[k]
        plate[row] = plate[k] + _TICK_S / PLATE_S * (_PLATE_K_PER_A * amps[k] - wet[k] * to_plate)
        winding[row] = winding[k] + _TICK_S / WINDING_S * (_WINDING_K_PER_A2 * amps[k] ** 2 - wet[k] * to_winding)
        taken_up = wet[k] * (1.3e-3 * to_plate + 0.8e-3 * to_winding)
        warm[row] = warm[k] + _TICK_S * (taken_up - 4e-3 * wet[k] * (warm[k] - loop.ambient_C))
    return {"time_s": time_s, "amps": amps, "plate": plate, "winding": winding, "coolant": warm}


def logged(loop: Loop = Loop(), period_s: float = 1.0, step_K: float = 1.0, **more: Part) -> list[Part]:
    """The parts as a logger keeps them: temperatures at `period_s` in steps of `step_K`."""
    made = played(loop)
    every = round(period_s / _TICK_S)
    rows = slice(3, None, every)

    def celsius(name: str, of: str) -> Part:
        value = np.round(made[of][rows] / step_K) * step_K
        return replace(part(name, made["time_s"][rows], value), step=step_K)

    parts = {
        "motor_current": part("motor_current", made["time_s"], made["amps"]),
        "motor_temperature": celsius("motor_temperature", "winding"),
        "inverter_temperature": celsius("inverter_temperature", "plate"),
        "coolant_temperature": celsius("coolant_temperature", "coolant"),
    }
    return list({**parts, **more}.values())


def found(parts: list[Part], vehicle: Vehicle = HAZEL) -> dict[str, Finding]:
    return {finding.kind: finding for finding in findings_of(cooling, signals(*parts), vehicle)}


def state(name: str, end_s: float, on: bool) -> Part:
    time_s = np.arange(0.0, end_s, 0.5)
    value = np.full(time_s.size, float(on))
    return replace(part(name, time_s, value), on=value > 0)
