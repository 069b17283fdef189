"""What a drive's cooling truly did: flow, pump, sensors, held-back torque, and the constants of its bodies."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from logscope.simulate.drive import Drive
from logscope.simulate.drive_heat import drive_temperatures
from logscope.simulate.thermal import STEP_S, Chain, SensorFault, Temperatures, losses
from logscope.simulate.truth import TruthEvent

_NO_FLOW = 0.05  # of the flow: less carries next to nothing
_SHOWS_K, _SHOWS_S = 15.0, 40.0  # a heat sink so much above the coolant, for so long, as far as a log can show it
_MOVES_K = 28.0  # of another device, beside a sensor that is stuck, at any resolution
_PARTS_K = 2.5  # of inlet and outlet, to see which is which
_WARM_C = 47.0  # below it a pump may well be off, whatever warms
_DRY_FLOW = 0.4  # with more of the flow the pump's current hardly falls
_USUAL_S = 20.0  # of its usual current, before what is less can be known
_REFERENCE_A = 100.0


def cooling_truth(drive: Drive) -> Iterator[TruthEvent]:
    """All events of the cooling, on the drive's clock."""
    cooling, heat = drive.scenario.cooling, drive_temperatures(drive)
    if not drive.high_voltage.closed:
        return
    begin_s, end_s = drive.high_voltage.closed[0][0], drive.high_voltage.closed[-1][1]
    spans = [*cooling.pump_off, *cooling.pump_dead, *(cooling.air_lock if cooling.air_flow < _NO_FLOW else ())]
    lost = [(max(since_s, begin_s), min(until_s, end_s)) for since_s, until_s in spans]
    shown = [span for span in lost if _shows(heat, *span)]
    kind = "cooling.air" if len(lost) > 1 else "cooling.no_flow"
    yield from (TruthEvent(kind, *span, parameters={"highest_excess_K": _excess(heat, *span)}) for span in shown)
    whole = any(since_s <= begin_s and until_s >= end_s for since_s, until_s in cooling.pump_off)
    warm = _warmed(heat) > _SHOWS_K and max(heat.inverter.max(), heat.motor.max()) > _WARM_C
    if whole and warm:
        yield TruthEvent("cooling.pump_off", begin_s, end_s)
    for since_s, until_s in cooling.pump_dead:
        all_along = {"lasts_all_along": float(since_s <= begin_s and until_s >= end_s), "warm": float(warm)}
        yield TruthEvent("cooling.pump_stopped", max(since_s, begin_s), min(until_s, end_s), parameters=all_along)
    dry = [(max(a, begin_s), min(b, end_s)) for a, b in cooling.air_lock] if cooling.air_flow < _DRY_FLOW else []
    if end_s - begin_s - sum(b - a for a, b in dry) > max(_USUAL_S, 0.3 * (end_s - begin_s)):
        yield from (TruthEvent("cooling.pump_dry", a, b) for a, b in dry)
    for fault in cooling.sensors:
        name = "stuck" if fault.stuck else "swapped" if fault.reads else "offset"
        if _is_seen(fault, heat):
            yield TruthEvent(f"cooling.sensor_{name}", max(fault.start_s, 0.0), drive.scenario.duration_s)
    held = drive.scenario.derating.at(heat.time_s) < 1.0
    if held.any():
        at_s = heat.time_s[held]
        yield TruthEvent("cooling.derating", float(at_s[0]), float(at_s[-1]))


def body_constants(chain: Chain, current_A: float = _REFERENCE_A) -> dict[str, dict[str, float]]:
    """Time constant [s] and rise [K] at a current above the coolant that leaves the devices, of motor and inverter.

    The heat sink's constant is the slower one of junction and sink together.
    """
    junction, sink = chain.junction_W_per_K, chain.sink_W_per_K
    chained = np.array(
        [
            [-junction / chain.junction_J_per_K, junction / chain.junction_J_per_K],
            [junction / chain.sink_J_per_K, -(junction + sink) / chain.sink_J_per_K],
        ]
    )
    motor_W, inverter_W = losses(np.full(1, current_A), STEP_S)
    slowest = float(np.linalg.eigvals(chained).real.max())
    return {
        "cooling.motor": {
            "time_constant_s": chain.winding_J_per_K / chain.winding_W_per_K,
            f"rise_at_{current_A:.0f}A_K": float(motor_W[0]) / chain.winding_W_per_K,
        },
        "cooling.inverter": {
            "time_constant_s": -1.0 / slowest,
            f"rise_at_{current_A:.0f}A_K": float(inverter_W[0]) / sink,
        },
    }


def _is_seen(fault: SensorFault, heat: Temperatures) -> bool:
    """Whether anything in the drive contradicts a faulty sensor; of two that are swapped one is named."""
    if fault.stuck:
        other = heat.motor if fault.node == "inverter" else heat.inverter
        return float(np.ptp(other[heat.time_s > fault.start_s])) > _MOVES_K
    if fault.reads is None:
        return True
    return fault.node == "jacket" and float(np.quantile(heat.jacket - heat.coolant, 0.8)) > _PARTS_K


def _shows(heat: Temperatures, since_s: float, until_s: float) -> bool:
    return until_s - since_s >= _SHOWS_S and _excess(heat, since_s, until_s) > _SHOWS_K


def _excess(heat: Temperatures, since_s: float, until_s: float) -> float:
    inside = (heat.time_s >= since_s) & (heat.time_s <= until_s)
    return float(np.max((heat.inverter - heat.coolant)[inside], initial=0.0))


def _warmed(heat: Temperatures) -> float:
    return float(max(heat.inverter.max() - heat.inverter[0], heat.motor.max() - heat.motor[0]))
