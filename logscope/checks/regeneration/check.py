"""The regeneration check: voltage margin, power, current into a full pack, where the torque fades."""

from __future__ import annotations

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.regeneration.braking import Braking, Fade, find_braking, find_fade, most_while
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Evidence, Finding, Level, Mark, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.observations.stated_limits import NEAR_SHARE
from logscope.quantities import quantity_text
from logscope.signals import Part, Signals
from logscope.statistics.distributions import normal_quantile
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import between_samples, stretches
from logscope.vehicle import Vehicle

_PARTS = ("torque", "battery_current", "dc_link_voltage", "battery_voltage", "motor_speed")
_LEAST_S = 0.2  # a shorter charge of a full pack is a swing of the current
_RARE = 0.025  # chance that noise lifts the highest of all samples by more than is allowed for
_NOISES = 8.0  # of the current, from which on it is a charge


def regeneration(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge the braking of the motor.

    Needs `motor_speed` and `torque` or `battery_current`; uses link and battery voltage. Raises MissingPart, or
    NothingToCheck where the motor never brakes.
    """
    braking = find_braking(signals)
    if braking is None:
        raise NothingToCheck("the motor never brakes while it turns")
    return [*_full(signals, vehicle, braking), _summary(signals, vehicle, braking)]


def _summary(signals: Signals, vehicle: Vehicle, braking: Braking) -> Finding:
    unit = "Nm" if braking.part.name == "torque" else "A"
    measured = {f"peak_{unit}": Measured(braking.largest, unit), "count": Measured(float(len(braking.spans)), "1")}
    power = _power(signals, braking)
    if power is not None:
        measured["peak_power_W"] = Measured(power, "W")
    margin, limit, evidence, close = None, "", Evidence(), False
    for name, value, what in (
        ("dc_link_voltage", vehicle.dc_link.max_voltage_V, "DC-link voltage"),
        ("battery_voltage", vehicle.limits.battery_max_V, "battery voltage"),
    ):
        part = signals.get(name)
        most = most_while(part, braking.spans) if part is not None and value is not None else None
        if part is None or value is None or most is None or (margin and (margin.value or 0.0) <= value - most[0]):
            continue
        margin, limit = Measured(value - most[0], "V", None, value - most[0] + _unsure(part)), what
        evidence = Evidence(
            marks=(Mark(most[1], "highest while braking"),), levels=(Level(value, "highest permitted", name),)
        )
        low = vehicle.limits.battery_min_V
        room = NEAR_SHARE * (value - low if low and name == "battery_voltage" else value)
        close = (margin.value or 0.0) < room
    if margin is not None:
        measured["voltage_margin_V"] = margin
    fade = find_fade(braking, signals["motor_speed"])
    if fade is not None:
        measured |= {"fade_rpm": fade.half, "reverse_s": Measured(fade.reverse_s, "s")}
    words = summary_words(braking, power, margin, fade, limit, close)
    late = fade is not None and fade.reverse_s > _LEAST_S
    passed = margin is not None and (margin.value or 0.0) < 0
    severity = Severity.WARNING if late or passed else Severity.INFO if close else Severity.GOOD
    return assemble("regeneration.braking", severity, words, braking.spans, measured, _PARTS, signals, evidence)


def _unsure(part: Part) -> float:
    """How much lower than it reads the highest of many samples may truly be: noise lifts it, rounding may too."""
    noise = float(np.nan_to_num(noise_floor(part.value, quantum=part.step or 0.0)))
    highest_of_all = -normal_quantile(_RARE / max(part.value.size, 1))
    return noise * max(highest_of_all, 0.0) + (part.step or 0.0) / 2


def _power(signals: Signals, braking: Braking) -> float | None:
    """The largest power into the battery while braking [W]."""
    voltage, current = signals.get("battery_voltage"), signals.get("battery_current")
    if voltage is None or current is None:
        return None
    amps = between_samples(current.time_s, current.value, voltage.time_s)
    power = -np.nan_to_num(amps) * voltage.value
    inside = [power[voltage.between(*span)] for span in braking.spans]
    return max((float(each.max()) for each in inside if each.size), default=None)


def _full(signals: Signals, vehicle: Vehicle, braking: Braking) -> list[Finding]:
    limit_v = vehicle.limits.battery_max_V
    voltage, current = signals.get("battery_voltage"), signals.get("battery_current")
    if limit_v is None or voltage is None or current is None:
        return []
    amps = np.nan_to_num(between_samples(current.time_s, current.value, voltage.time_s))
    least = max(_NOISES * float(np.nan_to_num(noise_floor(current.value))), 2 * (current.step or 0.0), 1.0)
    turning = np.zeros(voltage.time_s.size, bool)
    for span in braking.spans:
        turning[voltage.between(*span)] = True
    full = (voltage.value >= limit_v) & (amps < -least) & turning
    first, last = stretches(full, voltage.time_s, _LEAST_S)
    spans = [(float(voltage.time_s[a]), float(voltage.time_s[b])) for a, b in zip(first, last, strict=True)]
    spans = [span for span in spans if span[1] - span[0] >= _LEAST_S]
    if not spans:
        return []
    worst = int(np.argmin(np.where(full, amps, 0.0)))
    total_s = sum(until - since for since, until in spans)
    words = full_words(-float(amps[worst]), float(voltage.value[worst]), total_s, limit_v)
    measured = {
        "peak_A": Measured(-float(amps[worst]), "A"),
        "peak_V": Measured(float(voltage.value[full].max()), "V"),
        "total_s": Measured(total_s, "s"),
    }
    evidence = Evidence(levels=(Level(limit_v, "highest permitted", "battery_voltage"),))
    return [assemble("regeneration.full_pack", Severity.DANGER, words, spans, measured, _PARTS, signals, evidence)]


_FADE_EARLIER = "Let the torque fade out at a higher speed, or it rocks the vehicle at standstill. "
_LOWER = (
    "Lower the regeneration limit, or let it fall with the voltage, before you brake harder or with a fuller pack: "
    "if a contactor or fuse opens while braking, the link rises at once."
)
_REPEAT = "Repeat with a full pack and from the highest speed before you rely on it."


def summary_words(
    braking: Braking, power: float | None, margin: Measured | None, fade: Fade | None, limit: str, close: bool
) -> Words:
    """All braking of the log."""
    count, unit = len(braking.spans), "Nm" if braking.part.name == "torque" else "A"
    said, method = [], []
    if power is not None:
        said.append(f"Up to {quantity_text(Measured(power, 'W'))} went back into the battery.")
        method.append("The vehicle file states no limit for that power: compare it with the pack's data sheet.")
    if margin is not None:
        said.append(f"{quantity_text(Measured(margin.value, 'V'))} were left below the highest permitted {limit}.")
        method.append(f"Margin to the limit: {quantity_text(margin)}; a peak between two samples is not seen.")
    if fade is not None:
        said.append(f"The braking torque fades out towards standstill, to half at {quantity_text(fade.half)}.")
        method.append(f"The fade is measured in {fade.count} stops.")
        if fade.reverse_s > 0:
            said.append(f"It still braked for {seconds(fade.reverse_s)} after the motor had turned backwards.")
    else:
        method.append(
            "The fade-out speed of braking cannot be determined: that needs two stops in which the torque fades "
            "gradually."
        )
    late = fade is not None and fade.reverse_s > 0
    if late:
        method.append("Fading at a higher speed is common practice, no published source.")
    return Words(
        f"Regeneration: braked {times(count)}, up to {number(braking.largest)} {unit}"
        + (", close to the voltage limit" if close else ""),
        " ".join(said),
        (_FADE_EARLIER if late else "") + (_LOWER if close else _REPEAT),
        method=" ".join(method),
    )


def full_words(amps: float, at_v: float, total_s: float, limit_v: float) -> Words:
    """Current into a full pack."""
    return Words(
        f"Regeneration into a full pack: {number(amps)} A at {number(at_v)} V",
        f"For {seconds(total_s)} the motor charged a pack at or above its configured maximum of {number(limit_v)} V. "
        "Overcharged cells can burn.",
        "Set inverter or pack controller so that regeneration ends below that voltage. Do not brake with a full pack "
        "until it does.",
    )
