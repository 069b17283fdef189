"""The texts of the findings on the battery under load."""

from __future__ import annotations

from logscope.checks.pack.energy import LEAST_KM, Energy
from logscope.checks.pack.resistance import SPAN_S, Resistance
from logscope.checks.pack.sag import Sag
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Measured
from logscope.quantities import quantity_text

_COMPARE = (
    "Keep this log and compare later ones at the same temperature and charge: a resistance that grows points to "
    "ageing "
    "cells, one that jumps to a joint."
)


def resistance_words(found: Resistance, sag: Sag, least_v: float | None, agree: bool | None) -> Words:
    """The resistance, and what it does to voltage and power."""
    slope, load, pulses = found.slope, found.load, found.pulses
    ohms = Measured(slope.value, "ohm", slope.low, slope.high)
    span, power = seconds(found.span_s), quantity_text(Measured(sag.power_w, "W"))
    method = [
        f"From changes within {span}. Slower processes in the cells add to it: a 10 s or 18 s pulse gives a larger "
        "figure.",
        f"Voltage every {seconds(load.period_s)} against current, the current shifted by {seconds(abs(load.lag_s))} "
        "to "
        f"{'earlier' if load.lag_s >= 0 else 'later'}, where the two match best.",
    ]
    if found.by_steps:
        method = [
            f"From {slope.clusters} clear step{'s' * (slope.clusters != 1)} of current within {span}: change of "
            "voltage over "
            "change of current. The log holds too few changes for more. Slower processes in the cells add to it."
        ]
    if pulses is not None:
        apart = "which agrees" if agree else "which does not agree: check whether voltage and current belong together"
        step = quantity_text(Measured(pulses.value, "ohm", pulses.low, pulses.high))
        method.append(
            f"{pulses.ohms.size} clean step{'s' * (pulses.ohms.size != 1)} of current give {step} after "
            f"{seconds(pulses.after_s)}, {apart}."
        )
    enough = sag.power_left is None or (sag.power_left.low or 0.0) > 0
    return Words(
        f"Battery resistance: {quantity_text(Measured(slope.value, 'ohm'))} within {span}, "
        f"{number(sag.sag.value or 0)} V sag at "
        f"{power}",
        f"Within {span}: {quantity_text(ohms)}. At the highest power, {power} at {sag.time_s:.2f} s, the voltage "
        "sags to "
        f"{number(sag.volts)} V. {_left(sag, least_v)}",
        _COMPARE
        if enough
        else "Do not ask for more power, or lower it, before the pack is emptier or colder: the lowest permitted "
        "voltage is "
        f"near. {_COMPARE}",
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
        f"{quantity_text(Measured(returned.value, 'Wh'))} put back"
    )
    title, said = f"Energy: {quantity_text(Measured(drawn.value, 'Wh'))} drawn", [f"{amounts}."]
    if consumption is not None and energy.way is not None:
        title = f"Consumption: {quantity_text(Measured(consumption.value, 'Wh/km'))}"
        said.append(f"Distance: {number(energy.way.value)} km, by {energy.way_by}.")
        if share.value is not None:
            said.append(f"{quantity_text(share)} of it was put back.")
    elif energy.way is not None:
        said.append(f"Distance: {number(energy.way.value)} km, too short for a consumption (at least {LEAST_KM} km).")
    else:
        said.append("Consumption: no speed is logged.")
    if energy.charged.value >= 0.01 * drawn.value:
        charged = quantity_text(Measured(energy.charged.value, "Wh"))
        said.append(f"While the vehicle stood, {charged} flowed into the battery; they are not counted as put back.")
    return Words(
        title,
        " ".join(said),
        "Compare runs over the same road in both directions: wind, slope and temperature move this figure more than "
        "most "
        "settings do.",
        hands_near_hv=False,
        method=f"Over {seconds(drawn.covered_s)} with samples. The limits cover the sampling, not an offset of the "
        "current sensor: "
        "1 A of offset is 0.3 kW at 300 V.",
    )
