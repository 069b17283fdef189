"""What each attempt put into the precharge resistor, and what it holds after several.

The heat follows from the voltage across the resistor, pack minus link, and the resistance in the vehicle file. Where
the time constant is not R·C, one of the two is not what the file says: the energy is then that of the resistance which
the constant implies, and its limits reach to that of the file's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from logscope.checks.precharge.judge import Judged
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.findings import Measured
from logscope.observations.dc_link.flags import NoRise
from logscope.observations.dc_link.link import Link, pack_voltage
from logscope.physics.resistor import accumulated_after_retries_j, pulse_energy_loaded_j, resistor_power_w
from logscope.signals import Signals
from logscope.vehicle import Vehicle

# Pack and link sensors differ by a percent or two of the reading (common practice, no published source).
SENSOR_SHARE = 0.015
# Thermal time constant of a precharge resistor: tens of seconds to minutes (common practice, no published source).
COOLING_S, COOLING_FASTEST_S, COOLING_SLOWEST_S = 60.0, 20.0, 300.0
_SETTLED_AFTER = 3.0  # time constants, after which a rise is 95 % over and the rest is a stall
_CURVE_POINTS = 400  # enough for the trapezium rule on a curve that has no corner but one


@dataclass(frozen=True, slots=True)
class Stall:
    """What came after the rise had settled below the closing threshold."""

    lasted_s: float
    power_W: Measured
    energy_J: Measured


@dataclass(frozen=True, slots=True)
class Stress:
    """What one attempt put into the resistor.

    start_s, end_s : while it carried the charge; whole : whether the log shows all of that
    """

    start_s: float
    end_s: float
    whole: bool
    energy_J: Measured
    peak_power_W: Measured
    stall: Stall | None = None


def stress(judged: Judged, signals: Signals, link: Link, vehicle: Vehicle) -> Stress | None:
    """The stress of one attempt; None without resistance_ohm, pack voltage or a fitted curve through the resistor."""
    m, fit, ohm = judged.measurement, judged.curve, vehicle.precharge.resistance_ohm
    if ohm is None or m.pack_v is None or fit is None:
        return None
    end_s, seen = _carries_until(judged, signals, link)
    whole = seen and m.attempt.onset_seen
    constants = _constants(judged)
    settled_s = m.onset_s + _SETTLED_AFTER * constants.value
    stalls = judged.kind == "stalled" and end_s > settled_s
    until_s = settled_s if stalls else end_s
    configured_ohm, ohm = ohm, ohm * (judged.factor or 1.0)
    rise = _spread("J", (_rise_j(judged, source_v, tau, until_s, ohm) for source_v, tau in _edges(m.pack_v, constants)))
    rise = _reaching(rise, ohm / configured_ohm)
    stall = _stall(link, m.pack_v, settled_s, end_s, ohm) if stalls else None
    energy = rise if stall is None else _added(rise, stall.energy_J)
    peak = _spread("W", (resistor_power_w(v - fit.start.value, ohm) for v, _ in _edges(m.pack_v, constants)))
    peak = _reaching(peak, ohm / configured_ohm)
    if not whole:
        energy, peak = _at_least(energy), (peak if m.attempt.onset_seen else _at_least(peak))
    return Stress(m.onset_s, end_s, whole, energy, peak, stall)


def _carries_until(judged: Judged, signals: Signals, link: Link) -> tuple[float, bool]:
    """Until when the resistor carries the charge [s], and whether the log shows that end."""
    m, attempt = judged.measurement, judged.measurement.attempt
    if m.closing is not None:
        return (m.closing.start_s + m.closing.end_s) / 2, True
    if judged.kind == "stalled":
        if attempt.relay_s is not None:
            return (attempt.relay_end_s, True) if attempt.relay_end_s is not None else (signals.end_s, False)
        return float(link.part.time_s[attempt.end]), attempt.ended_by == "fall"
    return m.end_s, attempt.ended_by != "log end"


def _constants(judged: Judged) -> Estimate:
    """The link's time constant; where two cannot be distinguished, their range."""
    fit, constant = judged.measurement.fit, judged.constant
    assert fit is not None
    if constant is not None and constant.time_constant is not None:
        return constant.time_constant
    if fit.lag is None:
        return fit.time_constant
    slower, faster = fit.time_constant, fit.lag
    return Estimate(slower.value, faster.low, slower.high, faster.claim_low, slower.claim_high)


def _edges(source_v: float, constant: Estimate) -> tuple[tuple[float, float], ...]:
    """Pack voltage [V] and time constant [s]: as estimated, and at the edges with the least and the most heat."""
    return (
        (source_v, constant.value),
        (source_v * (1 - SENSOR_SHARE), constant.low),
        (source_v * (1 + SENSOR_SHARE), constant.high),
    )


def _rise_j(judged: Judged, source_v: float, constant_s: float, until_s: float, ohm: float) -> float:
    """Heat from the onset until a time [J]."""
    m, fit = judged.measurement, judged.measurement.fit
    assert fit is not None
    elapsed = max(until_s - m.onset_s, 0.0)
    if fit.shape is Shape.CONSTANT_POWER:
        time_s = np.linspace(m.onset_s, m.onset_s + elapsed, _CURVE_POINTS)
        return float(np.trapezoid((source_v - fit.voltage(time_s)) ** 2, time_s)) / ohm
    start_v, end_v = fit.start.value, fit.end.value
    if judged.kind == "interrupted":  # behind the drop-out of the relay the link only holds its level
        left = max(1 - (m.reached_v - start_v) / (end_v - start_v), 1e-9)
        elapsed = min(elapsed, -constant_s * float(np.log(left)))
    return pulse_energy_loaded_j(elapsed, start_v, end_v, source_v, ohm, constant_s)


def _stall(link: Link, source_v: float, start_s: float, end_s: float, ohm: float) -> Stall | None:
    """From the readings themselves, for a load may change while the link waits."""
    inside = link.part.between(start_s, end_s)
    time_s, volts = link.part.time_s[inside], link.part.value[inside]
    if time_s.size < 2:
        return None
    # The mean over the readings stands for the whole stretch, whose ends may fall between two of them.
    powers = [
        float(np.trapezoid(np.maximum(v - volts, 0.0) ** 2, time_s) / (time_s[-1] - time_s[0])) / ohm
        for v in (source_v, source_v * (1 - SENSOR_SHARE), source_v * (1 + SENSOR_SHARE))
    ]
    lasted = end_s - start_s
    return Stall(lasted, _spread("W", powers), _spread("J", (lasted * power for power in powers)))


def _spread(unit: str, of: Iterable[float]) -> Measured:
    """A value, its low and its high edge, in this order, as one."""
    value, low, high = of
    return Measured(value, unit, low, high)


def _reaching(value: Measured, factor: float) -> Measured:
    """The same with limits that hold it times a factor, too."""
    low, high = value.low, value.high
    assert low is not None
    assert high is not None
    return Measured(value.value, value.unit, min(low, low * factor), max(high, high * factor))


def _added(one: Measured, other: Measured) -> Measured:
    value, low, high = (_plus(getattr(one, k), getattr(other, k)) for k in ("value", "low", "high"))
    return Measured(value, one.unit, low, high)


def _plus(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def _at_least(value: Measured) -> Measured:
    return Measured(None, value.unit, value.low, None)


def accumulated(stresses: Sequence[Stress]) -> list[Measured]:
    """Heat above the resistor's first temperature that it holds after each attempt [J], cooling between them."""
    times = np.array([one.end_s for one in stresses])

    def held(energies: list[float], cooling_s: float) -> list[float]:
        return [float(heat) for heat in accumulated_after_retries_j(np.array(energies), times, cooling_s)]

    if not stresses:
        return []
    low = held([one.energy_J.low or 0.0 for one in stresses], COOLING_FASTEST_S)
    value = held([one.energy_J.value or one.energy_J.low or 0.0 for one in stresses], COOLING_S)
    high = held([one.energy_J.high or np.inf for one in stresses], COOLING_SLOWEST_S)
    whole = [all(one.whole for one in stresses[: k + 1]) for k in range(len(stresses))]
    return [
        Measured(v, "J", least, most) if all_seen else Measured(None, "J", least, None)
        for v, least, most, all_seen in zip(value, low, high, whole, strict=True)
    ]


def stress_values(one: Stress | None, held: Measured | None) -> Mapping[str, Measured]:
    """What the finding of an attempt states of it. held : after this attempt, where there were earlier ones."""
    if one is None:
        return {}
    values = {"resistor_energy_J": one.energy_J, "resistor_peak_power_W": one.peak_power_W}
    if held is not None:
        values["resistor_heat_J"] = held
    if one.stall is not None:
        values |= {
            "stalled_s": Measured(one.stall.lasted_s, "s"),
            "stalled_power_W": one.stall.power_W,
            "stalled_energy_J": one.stall.energy_J,
        }
    return values


def no_rise_values(event: NoRise, level_v: float, signals: Signals, vehicle: Vehicle) -> Mapping[str, Measured]:
    """Between an open resistor, which takes nothing, and a shorted link, which leaves all of it to the resistor."""
    ohm, pack_v = vehicle.precharge.resistance_ohm, pack_voltage(signals, event.start_s, event.end_s)
    if ohm is None or pack_v is None or event.by != "precharge_relay":
        return {}
    power = resistor_power_w(pack_v - level_v, ohm)
    return {
        "resistor_energy_J": Measured(None, "J", 0.0, power * (event.end_s - event.start_s)),
        "resistor_peak_power_W": Measured(None, "W", 0.0, power),
    }
