"""The battery check: resistance, sag, power left, and energy."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.pack.energy import LEAST_KM, Energy, find_energy
from logscope.checks.pack.load import Load, load_at
from logscope.checks.pack.resistance import Resistance, find_resistance
from logscope.checks.pack.sag import Sag, find_sag
from logscope.checks.pack.words import energy_words, resistance_words, undetermined_words
from logscope.checks.wording import Words
from logscope.findings import (
    CAUTION_HV,
    Chart,
    Evidence,
    Finding,
    Level,
    Mark,
    Measured,
    NothingToCheck,
    Series,
    Severity,
    Style,
)
from logscope.observations.observations import Observations
from logscope.signals import Signals
from logscope.statistics.integral import Integral
from logscope.vehicle import Vehicle

_POINTS = 1500  # in the chart of voltage against current
_LEAST_WH = 1.0  # less drawn is a standing vehicle
_PARTS = ("battery_voltage", "battery_current")


def pack(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge the battery under load.

    Needs `battery_voltage` and `battery_current`; speed for the energy per km. Raises MissingPart, or NothingToCheck
    where the two hold no common stretch.
    """
    load = load_at(signals)
    if load.time_s.size < 3:
        raise NothingToCheck("battery voltage and current are never logged at the same time")
    found = find_resistance(signals)
    energy = find_energy(load, signals, vehicle)
    findings = [_undetermined(load) if found is None else _resistance(found, vehicle)]
    if energy.drawn.value + energy.returned.value >= _LEAST_WH:
        findings.append(_energy(energy, load))
    return findings


def _resistance(found: Resistance, vehicle: Vehicle) -> Finding:
    slope, pulses, least_v = found.slope, found.pulses, vehicle.limits.battery_min_V
    sag = find_sag(found, least_v)
    agree = None if pulses is None else pulses.low <= slope.high and slope.low <= pulses.high
    close = sag.power_left is not None and (sag.power_left.low or 0.0) <= 0
    measured = {
        "resistance_ohm": Measured(slope.value, "ohm", slope.low, slope.high),
        "span_s": Measured(found.span_s, "s"),
        "open_circuit_V": sag.open_circuit,
        "peak_power_W": Measured(sag.power_w, "W"),
        "sag_V": sag.sag,
    }
    if sag.power_left is not None:
        measured["power_left_W"] = sag.power_left
    if pulses is not None:
        measured["pulse_resistance_ohm"] = Measured(pulses.value, "ohm", pulses.low, pulses.high)
        measured["pulse_count"] = Measured(float(pulses.ohms.size), "1")
    severity = Severity.WARNING if close else Severity.GOOD
    return _finding(
        "resistance",
        severity,
        resistance_words(found, sag, least_v, agree),
        (sag.time_s, sag.time_s),
        measured,
        _evidence(found, sag, least_v),
    )


def _evidence(found: Resistance, sag: Sag, least_v: float | None) -> Evidence:
    load, slope = found.load, found.slope
    stride = -(-load.time_s.size // _POINTS)
    amps: FloatArray = np.array([min(0.0, float(load.amps.min())), float(load.amps.max())])
    line = (sag.open_circuit.value or 0.0) - slope.value * amps
    chart = Chart(
        "battery current, positive while discharging",
        "A",
        "battery voltage",
        "V",
        (
            Series("samples", load.amps[::stride], load.volts[::stride], style=Style.POINTS),
            Series("open-circuit voltage less current times resistance, at the highest power", amps, line),
        ),
    )
    levels = () if least_v is None else (Level(least_v, "lowest permitted, battery_min_V", "battery_voltage"),)
    window = (sag.time_s - 5.0, sag.time_s + 5.0)
    return Evidence(marks=(Mark(sag.time_s, "highest power"),), levels=levels, window=window, charts=(chart,))


def _undetermined(load: Load) -> Finding:
    span_a = float(np.ptp(load.amps))
    words = undetermined_words(f"here it moves within {span_a:.3g} A, sampled every {load.period_s * 1e3:.3g} ms")
    span = (float(load.time_s[0]), float(load.time_s[-1]))
    return _finding("undetermined", Severity.INFO, words, span, {"current_span_A": Measured(span_a, "A")}, Evidence())


def _energy(energy: Energy, load: Load) -> Finding:
    drawn, returned = energy.drawn, energy.returned
    share = Measured(None, "%")
    if drawn.low > 0 and returned.high < drawn.low:  # else it is downhill or a charge, and the share says nothing
        share = Measured(
            100 * returned.value / drawn.value,
            "%",
            100 * max(returned.low, 0.0) / drawn.high,
            100 * returned.high / drawn.low,
        )
    measured = {
        "drawn_Wh": _limits(drawn, "Wh"),
        "returned_Wh": _limits(returned, "Wh"),
        "returned_percent": share,
    }
    if energy.charged.value > 0:
        measured["charged_standing_Wh"] = _limits(energy.charged, "Wh")
    consumption = None
    if energy.way is not None:
        measured["way_km"] = _limits(energy.way, "km")
        if energy.way.low >= LEAST_KM:
            used = (drawn.value - returned.value, drawn.low - returned.high, drawn.high - returned.low)
            value, low, high = (
                wh / km for wh, km in zip(used, (energy.way.value, energy.way.high, energy.way.low), strict=True)
            )
            consumption = Measured(value, "Wh/km", low, high)
            measured["consumption_Wh_per_km"] = consumption
    span = (float(load.time_s[0]), float(load.time_s[-1]))
    return _finding("energy", Severity.INFO, energy_words(energy, consumption, share), span, measured, Evidence())


def _limits(integral: Integral, unit: str) -> Measured:
    return Measured(integral.value, unit, max(integral.low, 0.0), integral.high)


def _finding(
    outcome: str,
    severity: Severity,
    words: Words,
    span: tuple[float, float],
    measured: dict[str, Measured],
    evidence: Evidence,
) -> Finding:
    return Finding(
        kind=f"battery.{outcome}",
        severity=severity,
        start_s=span[0],
        end_s=span[1],
        title=words.title,
        explanation=words.explanation,
        method=words.method,
        next_step=words.next_step,
        caution=CAUTION_HV if words.hands_near_hv else "",
        parts=_PARTS,
        measured=measured,
        evidence=evidence,
    )
