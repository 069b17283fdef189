"""The findings on the battery under load in plain words."""

from __future__ import annotations

from logscope.checks.pack.energy import LEAST_KM, Energy
from logscope.checks.pack.resistance import SPAN_S, Resistance
from logscope.checks.pack.sag import Sag
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Measured

_COMPARE = "Keep this log and compare later ones at the same temperature and charge: a resistance that grows points to cells that age, or, when it jumps, to a joint."


def resistance_words(found: Resistance, sag: Sag, least_v: float | None, agree: bool | None) -> Words:
    """The resistance, and what it does to voltage and power."""
    slope, load, pulses = found.slope, found.load, found.pulses
    milli = [1e3 * ohm for ohm in (slope.value, slope.low, slope.high)]
    parts = [
        f"Voltage falls by {number(milli[0])} mΩ times the current (95 % limits {number(milli[1])} to {number(milli[2])} mΩ), judged by "
        f"changes within {seconds(found.span_s)}; what the cells do more slowly comes on top, so a figure from a 10 s or 18 s pulse is larger.",
        f"Voltage every {seconds(load.period_s)} against current, the current taken {seconds(abs(load.lag_s))} "
        f"{'earlier' if load.lag_s >= 0 else 'later'}, where the two match best.",
    ]
    if found.by_steps:
        parts = [
            f"{slope.clusters} clear step{'s' * (slope.clusters != 1)} of current within {seconds(found.span_s)} give{'s' * (slope.clusters == 1)} {number(milli[0])} mΩ (95 %: {number(milli[1])} to "
            f"{number(milli[2])} mΩ): the change of voltage over the change of current. The log holds too few changes for more. What the cells do more slowly comes on top.",
        ]
    if pulses is not None:
        apart = "which agrees" if agree else "which does not agree: look at whether voltage and current belong together"
        parts.append(
            f"{pulses.ohms.size} clean step{'s' * (pulses.ohms.size != 1)} of current give {number(1e3 * pulses.value)} mΩ after "
            f"{seconds(pulses.after_s)} ({number(1e3 * pulses.low)} to {number(1e3 * pulses.high)} mΩ), {apart}."
        )
    parts.append(
        f"At the greatest power, {number(sag.power_w / 1e3)} kW at {sag.time_s:.2f} s, the voltage sags by {number(sag.sag.value or 0)} V "
        f"to {number(sag.volts)} V."
    )
    parts.append(_left(sag, least_v))
    return Words(
        f"Battery resistance {number(milli[0])} mΩ within {seconds(found.span_s)}: {number(sag.sag.value or 0)} V sag at {number(sag.power_w / 1e3)} kW",
        " ".join(parts),
        _COMPARE
        if sag.power_left is None or (sag.power_left.low or 0.0) > 0
        else "Keep the power where it is, or lower it, before the pack is emptier or colder: the least voltage is near. "
        + _COMPARE,
    )


def _left(sag: Sag, least_v: float | None) -> str:
    left = sag.power_left
    if left is None or least_v is None or left.value is None or left.low is None or left.high is None:
        return "How much power is left before the lowest voltage cannot be determined: the vehicle file states no battery_min_V."
    return (
        f"Reckoned on along the same line, {number(left.value / 1e3)} kW ({number(left.low / 1e3)} to {number(left.high / 1e3)} kW) are left at "
        f"that moment before {number(least_v)} V is reached; for a longer pull less."
    )


def undetermined_words(why: str) -> Words:
    """No resistance can be told."""
    return Words(
        "The battery's resistance cannot be determined from this log",
        f"It takes changes of current within about {seconds(SPAN_S)} that move the voltage clear of its noise and steps; {why}.",
        "Record battery voltage and current every 10 to 100 ms over some firm presses of the pedal.",
        hands_near_hv=False,
    )


def energy_words(energy: Energy, consumption: Measured | None, share: Measured) -> Words:
    """Energy drawn, put back and per km."""
    drawn, returned = energy.drawn, energy.returned
    parts = [
        f"Drawn {number(drawn.value)} Wh ({number(drawn.low)} to {number(drawn.high)} Wh), put back {number(returned.value)} Wh, over "
        f"{seconds(drawn.covered_s)} with samples. The limits cover the sampling, not an offset of the current sensor: 1 A of offset is "
        "0.3 kW at 300 V."
    ]
    if energy.charged.value >= 0.01 * drawn.value:
        parts.append(
            f"While the vehicle stood, {number(energy.charged.value)} Wh flowed into the battery, as from a charger; they are not counted "
            "as put back."
        )
    title = f"Energy: {number(drawn.value)} Wh drawn, {number(returned.value)} Wh put back"
    if consumption is not None and energy.way is not None:
        title = f"Consumption {number(consumption.value or 0)} Wh/km, {number(share.value or 0)} % of what was drawn put back"
        parts.append(f"Over {number(energy.way.value)} km by {energy.way_by}.")
    elif energy.way is not None:
        parts.append(
            f"The way, {number(energy.way.value)} km, is shorter than {LEAST_KM} km: too short to speak of consumption."
        )
    else:
        parts.append("No speed is logged, so nothing can be said per km.")
    return Words(
        title,
        " ".join(parts),
        "Compare runs over the same road in both directions; wind, slope and temperature move this figure more than most settings do.",
        hands_near_hv=False,
    )
