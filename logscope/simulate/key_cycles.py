"""From key cycles to the stages of the high-voltage circuit, and what they truly were."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite, log

import numpy as np

from logscope.simulate.circuits import HighVoltage, Solution, Stage, resting_point, series_ohm, solve
from logscope.simulate.scenarios import KeyCycle
from logscope.simulate.truth import TruthEvent

_RELAY_OVERLAP_S = 0.3  # the relay opens this long after the contactor has closed
_CUT_OUT_SHARE = 0.9  # a converter stops this far below the voltage at which it starts
_FEW_VOLTS = 5.0  # of rise: the same as none
_RISING_SHARE = 0.02  # of pack voltage below the resting point: still rising
_EXPECTED_BAND = 0.2  # on the time constant, as in Hazel's vehicle file
_SAFE_V = 60.0  # upper end of voltage class A (ISO 6469-3)
_DISCHARGE_LIMIT_S = 300.0  # to the safe voltage, as in Hazel's vehicle file


@dataclass(frozen=True, slots=True)
class HighVoltageStory:
    """The solved circuit, its switches, when the contactor was commanded closed, and the truth of it."""

    solution: Solution
    stages: tuple[Stage, ...]
    closed: tuple[tuple[float, float], ...]
    truth: tuple[TruthEvent, ...]


def play(circuit: HighVoltage, cycles: Iterable[KeyCycle], end_s: float) -> HighVoltageStory:
    """Play the key cycles from a discharged link at 0 s to `end_s`.

    Raises ValueError where cycles overlap.
    """
    stages, closed, opened, truth = [Stage(0.0)], [], [], []
    for cycle in cycles:
        if cycle.relay_s <= stages[-1].start_s or cycle.off_s <= cycle.relay_s:
            raise ValueError("key cycles follow one another, each with relay_s < off_s")
        for attempt in range(cycle.retries + 1):
            begin_s = cycle.relay_s + attempt * (cycle.timeout_s + cycle.pause_s)
            charging = _charging_stage(cycle, begin_s)
            before = solve(circuit, stages, begin_s)
            begin_V = before.pieces[-1].last[0]
            close_s = _closing_time(circuit, charging, cycle, begin_V)
            relay_off_s = begin_s + min(cycle.drop_out_s, cycle.timeout_s)
            dropped_out = cycle.drop_out_s < cycle.timeout_s
            truth.append(_precharge_truth(circuit, charging, begin_V, close_s, relay_off_s, dropped_out))
            if close_s is None:
                stages += [charging, Stage(relay_off_s)]
                continue
            stages += [
                charging,
                Stage(close_s, relay=True, contactor=True),
                Stage(close_s + _RELAY_OVERLAP_S, contactor=True),
            ]
            closed.append((close_s, min(cycle.off_s, end_s)))
            if cycle.off_s < end_s and cycle.welded:
                truth.append(TruthEvent("dc_link.stays_live", cycle.off_s, end_s, cause="welded"))
            elif cycle.off_s < end_s:
                stages.append(Stage(cycle.off_s))
                opened.append(cycle.off_s)
            break
    solution = solve(circuit, stages, end_s)
    truth += _discharge_truth(circuit, solution, opened, stages, end_s)
    return HighVoltageStory(solution, tuple(stages), tuple(closed), tuple(truth))


def _charging_stage(cycle: KeyCycle, begin_s: float) -> Stage:
    return Stage(
        begin_s,
        relay=True,
        resistance_ohm=cycle.resistance_ohm,
        parallel_ohm=cycle.parallel_ohm,
        power_W=cycle.power_W,
        cut_in_V=cycle.cut_in_V,
        cut_out_V=cycle.cut_in_V * _CUT_OUT_SHARE,
    )


def _closing_time(circuit: HighVoltage, charging: Stage, cycle: KeyCycle, begin_V: float) -> float | None:
    """When the contactor closes [s]: the threshold within the relay's time, then the delay."""
    begin_s = charging.start_s
    relay_off_s = begin_s + min(cycle.drop_out_s, cycle.timeout_s)
    alone = solve(circuit, (charging,), relay_off_s, start_V=begin_V)
    reached = alone.crossing(cycle.close_fraction * circuit.open_circuit_V)
    return None if reached is None else reached + cycle.close_delay_s


def _precharge_truth(
    circuit: HighVoltage,
    charging: Stage,
    begin_V: float,
    close_s: float | None,
    relay_off_s: float,
    dropped_out: bool,
) -> TruthEvent:
    end_s = relay_off_s if close_s is None else close_s
    pack_V = circuit.open_circuit_V
    end_V = solve(circuit, (charging,), end_s, start_V=begin_V).pieces[-1].last[0]
    rest, tau = resting_point(circuit, charging)
    parameters = {
        "time_constant_s": tau,
        "start_voltage_V": begin_V,
        "end_voltage_V": end_V,
        "pack_voltage_V": pack_V,
        "fraction_reached": end_V / pack_V,
    }
    if close_s is None:
        rising = charging.power_W == 0 and rest - end_V > _RISING_SHARE * pack_V
        kind = "precharge.interrupted" if dropped_out or rising else "precharge.stalled"
        if end_V - begin_V < _FEW_VOLTS:
            kind = "precharge.no_rise"
        return TruthEvent(kind, charging.start_s, end_s, parameters=parameters)
    parameters |= {"fraction_at_close": end_V / pack_V, "close_difference_V": pack_V - end_V}
    ratio = tau / (circuit.resistance_ohm * circuit.capacitance_F)
    kind = "precharge.complete"
    if series_ohm(circuit, charging) < 0.01 * circuit.resistance_ohm:
        kind = "precharge.bypassed"
    elif end_V < 0.95 * pack_V:
        kind = "precharge.closed_early"
    elif ratio > 1 + _EXPECTED_BAND:
        kind = "precharge.slow"
    elif ratio < 1 - _EXPECTED_BAND:
        kind = "precharge.fast"
    return TruthEvent(kind, charging.start_s, end_s, parameters=parameters)


def _discharge_truth(
    circuit: HighVoltage,
    solution: Solution,
    opened: Iterable[float],
    stages: Iterable[Stage],
    end_s: float,
) -> list[TruthEvent]:
    """What the link did after each opening of the contactor, until the next stage or the end."""
    events = []
    starts = [stage.start_s for stage in stages]
    for off_s in opened:
        until_s = min((s for s in starts if s > off_s), default=end_s)
        begin_V, last_V = solution.sample(np.array([off_s, until_s - 1e-6])).link_V
        tau = circuit.bleeder_ohm * circuit.capacitance_F
        parameters = {"start_voltage_V": float(begin_V), "end_voltage_V": float(last_V)}
        kind = "dc_link.stays_live"
        if isfinite(tau):
            safe_s = tau * log(begin_V / _SAFE_V)
            parameters |= {"time_constant_s": tau, "time_to_60V_s": safe_s}
            kind = "dc_link.slow_discharge" if safe_s > _DISCHARGE_LIMIT_S else "dc_link.discharged"
        events.append(TruthEvent(kind, off_s, until_s, parameters=parameters))
    return events
