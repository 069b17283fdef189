"""The battery check: resistance, sag, power left, and energy."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.assemble import assemble
from logscope.checks.battery.energy import LEAST_KM, Energy, find_energy
from logscope.checks.battery.load import LAG_KNOWN, LAG_OPEN, load_at
from logscope.checks.battery.resistance import SPAN_S, Resistance, find_resistance
from logscope.checks.battery.sag import Sag, find_sag
from logscope.checks.wording import Words, number, seconds
from logscope.findings import (
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
from logscope.observations.under_load import UnderLoad
from logscope.quantities import quantity_text, value_text
from logscope.signals import Signals
from logscope.statistics.integral import Integral
from logscope.vehicle import Vehicle

_POINTS = 1500  # in the chart of voltage against current
_LEAST_WH = 1.0  # less drawn is a standing vehicle
_PARTS = ("battery_voltage", "battery_current")


def battery(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge the battery under load.

    Needs `battery_voltage` and `battery_current`; speed for the energy per km. Raises MissingPart, or NothingToCheck
    where the two hold no common stretch.
    """
    signals = signals.unbunched()
    load = load_at(signals)
    if load.time_s.size < 3:
        raise NothingToCheck("battery voltage and current are never logged at the same time")
    found = find_resistance(signals)
    by_line = found is not None and not found.by_steps
    lag_s = found.load.lag_s if found is not None else 0.0
    energy = find_energy(lag_s, (LAG_KNOWN if by_line else LAG_OPEN) * load.period_s, signals, vehicle)
    findings = [_undetermined(load, signals) if found is None else _resistance(found, signals, vehicle)]
    if energy.drawn.value + energy.returned.value >= _LEAST_WH:
        findings.append(_energy(energy, load, signals))
    return findings


def _resistance(found: Resistance, signals: Signals, vehicle: Vehicle) -> Finding:
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
    return assemble(
        "battery.resistance",
        severity,
        resistance_words(found, sag, least_v, agree),
        [(sag.time_s, sag.time_s)],
        measured,
        _PARTS,
        signals,
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
    levels = () if least_v is None else (Level(least_v, "lowest permitted", "battery_voltage"),)
    window = (sag.time_s - 5.0, sag.time_s + 5.0)
    return Evidence(marks=(Mark(sag.time_s, "highest power"),), levels=levels, window=window, charts=(chart,))


def _undetermined(load: UnderLoad, signals: Signals) -> Finding:
    span_a = float(np.ptp(load.amps))
    words = undetermined_words(f"here it moves within {span_a:.3g} A, sampled every {load.period_s * 1e3:.3g} ms")
    span = (float(load.time_s[0]), float(load.time_s[-1]))
    measured = {"current_span_A": Measured(span_a, "A")}
    return assemble("battery.undetermined", Severity.INFO, words, [span], measured, _PARTS, signals)


def _energy(energy: Energy, load: UnderLoad, signals: Signals) -> Finding:
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
    words = energy_words(energy, consumption, share)
    return assemble("battery.energy", Severity.INFO, words, [span], measured, _PARTS, signals)


def _limits(integral: Integral, unit: str) -> Measured:
    return Measured(integral.value, unit, max(integral.low, 0.0), integral.high)


_COMPARE = (
    "Keep this log and compare later ones at the same temperature and charge: a resistance that grows points to "
    "ageing cells, one that jumps to a joint."
)


def resistance_words(found: Resistance, sag: Sag, least_v: float | None, agree: bool | None) -> Words:
    """The resistance, and what it does to voltage and power."""
    slope, load, pulses = found.slope, found.load, found.pulses
    ohms = Measured(slope.value, "ohm", slope.low, slope.high)
    span, power = seconds(found.span_s), quantity_text(Measured(sag.power_w, "W"))
    method = [
        f"From changes within {span}. Slower processes in the cells add to it: a 10 s or 18 s pulse gives a larger "
        "figure.",
        f"Voltage every {seconds(load.period_s)} against current, the current shifted {seconds(abs(load.lag_s))} "
        f"{'earlier' if load.lag_s >= 0 else 'later'}, where the two match best.",
    ]
    if found.by_steps:
        method = [
            f"From {slope.clusters} clear step{'s' * (slope.clusters != 1)} of current within {span}: change of "
            "voltage over change of current. The log holds too few changes for more. Slower processes in the cells "
            "add to it."
        ]
    if pulses is not None:
        apart = "which agrees" if agree else "which does not agree: check whether voltage and current belong together"
        step = quantity_text(Measured(pulses.value, "ohm", pulses.low, pulses.high))
        one = pulses.ohms.size == 1
        method.append(
            f"{pulses.ohms.size} clean step{'' if one else 's'} of current give{'s' if one else ''} {step} after "
            f"{seconds(pulses.after_s)}, {apart}."
        )
    enough = sag.power_left is None or (sag.power_left.low or 0.0) > 0
    return Words(
        f"Battery resistance: {quantity_text(Measured(slope.value, 'ohm'))} within {span}, "
        f"{value_text(Measured(sag.sag.value or 0.0, 'V'))} sag at {power}",
        f"Within {span}: {quantity_text(ohms)}. At the highest power, {power} at {sag.time_s:.2f} s, the voltage "
        f"sags to {number(sag.volts)} V. {_left(sag, least_v)}",
        _COMPARE
        if enough
        else "Do not raise the power, and lower it before you drive with an emptier or colder pack: the lowest "
        f"permitted voltage is near. {_COMPARE}",
        method=" ".join(method),
    )


def _left(sag: Sag, least_v: float | None) -> str:
    left = sag.power_left
    if left is None or least_v is None or left.value is None or left.low is None or left.high is None:
        return "Power left: unknown without battery_min_V in the vehicle file."
    return f"Extrapolated power left before {number(least_v)} V: {quantity_text(left)}, less for a longer pull."


def undetermined_words(why: str) -> Words:
    """No resistance can be given."""
    return Words(
        "Battery resistance: cannot be determined from this log",
        f"It needs changes of current within about {seconds(SPAN_S)} that move the voltage beyond its noise and "
        f"resolution; {why}.",
        "Record battery voltage and current every 10 to 100 ms over some firm presses of the pedal.",
        hands_near_hv=False,
    )


def energy_words(energy: Energy, consumption: Measured | None, share: Measured) -> Words:
    """Energy drawn, put back and per km."""
    drawn, returned = energy.drawn, energy.returned
    amounts = (
        f"{quantity_text(Measured(drawn.value, 'Wh', drawn.low, drawn.high))} drawn, "
        f"{quantity_text(Measured(returned.value, 'Wh'))} returned by braking"
    )
    title, said = f"Energy: {quantity_text(Measured(drawn.value, 'Wh'))} drawn", [f"{amounts}."]
    if consumption is not None and energy.way is not None:
        title = f"Consumption: {quantity_text(Measured(consumption.value, 'Wh/km'))}"
        said.append(f"Distance: {number(energy.way.value)} km, by {energy.way_by}.")
        if share.value is not None:
            said.append(f"{quantity_text(share)} of the energy drawn was returned.")
    elif energy.way is not None:
        said.append(f"Distance: {number(energy.way.value)} km, too short for a consumption (at least {LEAST_KM} km).")
    else:
        said.append("Consumption: no speed is logged.")
    if energy.charged.value >= 0.01 * drawn.value:
        charged = quantity_text(Measured(energy.charged.value, "Wh"))
        said.append(
            f"While the vehicle stood, {charged} flowed into the battery; this is not counted as returned by braking."
        )
    return Words(
        title,
        " ".join(said),
        "Compare runs over the same road in both directions: wind, slope and temperature move this figure more than "
        "most settings do.",
        hands_near_hv=False,
        method=f"Over {seconds(drawn.covered_s)} with samples. The intervals cover the sampling, not an offset of the "
        "current sensor: 1 A of offset is 0.3 kW at 300 V.",
    )
