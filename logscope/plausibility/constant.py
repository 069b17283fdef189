"""Parts that read one value throughout, though what they measure cannot have stood still.

A constant says nothing by itself: a parked vehicle reads zero speed for an hour. Each rule needs something else in
the log that must have moved the part.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.findings import Finding, Measured, Severity
from logscope.parts import PARTS, Role, part_name, part_title
from logscope.plausibility.doubt import Doubt
from logscope.plausibility.name import line_of
from logscope.plausibility.possible import COOLED, SHAFT_SPEEDS
from logscope.signals import Part, Signals
from logscope.statistics.sampling import held_time_s, zero_order_hold
from logscope.vehicle import Vehicle

_SHARE = 0.99  # of the readings; a first one before the controller woke may differ
_SAMPLES, _SECONDS = 50, 5.0  # fewer readings, or a shorter log, may well show one value
_TURNS_EVENLY = 1000.0  # steps: no shaft holds its speed to a thousandth for seconds (practice)
_COARSE = 50.0  # steps: below it a speed that is held may well round to one value
_LOAD_A, _LOAD_NM = 30.0, 20.0  # changes that a held speed does not go through unmoved (practice)
_MIN_PACK_OHM = 0.005  # no traction battery has less, its cables included (practice)
_SAG_STEPS = 3.0  # of the voltage's definition: less is rounding
_DRIVEN_HZ, _DRIVEN_KM_H, _DRIVEN_S = 5.0, 10.0, 5.0  # no noise at rest, and no vehicle that is pushed
_FLOWS_A, _FLOWS_S = 20.0, 1.0  # more than a sensor's offset, and longer than a message may be late
DRIVEN_W, _SWING_A, _SWING_NM = 8000.0, 60.0, 20.0  # heater and converter take less; a motor at idle swings less
TURNS_RPM = 300.0  # the motor turns, and does not only rock on its mounts (practice)
_CLOSED_S, _LIVE_V = 3.0, 60.0  # class A ends at 60 V DC (ISO 6469-3); a state may be late, not by seconds
_MOVED_SHARE, _FINE_STEPS = 0.01, 300.0  # of the pack's voltage; a coarser link may round all of it away
_HEATED_S, _HEATING_A = 600.0, 30.0  # ten minutes at 30 A (rms) warm winding, inverter and coolant by some kelvin
_APART_K = 10.0  # two temperatures of one vehicle, one of them zero throughout
_JOINED = 0.05  # of the battery's voltage
_CURVE = (0.2, 0.8)  # of the battery's voltage: the part of a precharge that is timed
_STATE_SAMPLES = 3  # of a relay during one curve

Rule = Callable[[Part, Signals], str | None]


def constant_readings(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """The parts that read one value throughout although something else in the log must have moved them."""
    found = []
    for name, rules in _RULES.items():
        part = signals.parts.get(name)
        if part is None or not _is_constant(part):
            continue
        why = next((reason for rule in rules if (reason := rule(part, signals))), None)
        if why is not None:
            found.append(_doubt(part, why, vehicle))
    return found


def _is_constant(part: Part) -> bool:
    if part.time_s.size < _SAMPLES or part.time_s[-1] - part.time_s[0] < _SECONDS:
        return False
    if PARTS[part.name].role is Role.STATE:
        return part.on is not None and not part.on.any()
    return float(np.mean(part.value == _level(part))) >= _SHARE


def _level(part: Part) -> float:
    """The value that most readings have, if most have one."""
    return float(np.partition(part.value, part.value.size // 2)[part.value.size // 2])


def _turns_too_evenly(part: Part, signals: Signals) -> str | None:
    steps = _steps(part)
    if steps >= _TURNS_EVENLY:
        return "no shaft turns that evenly"
    loads = (("motor_current", _LOAD_A), ("battery_current", _LOAD_A), ("torque", _LOAD_NM))
    for name, lowest in loads:
        span = _span(signals.parts.get(name))
        if steps >= _COARSE and span >= lowest:
            return f"{part_name(name)} changes by {span:.0f} {PARTS[name].unit} meanwhile"
    return None


def _stands_while_driven(part: Part, signals: Signals) -> str | None:
    road, stator = signals.parts.get("vehicle_speed"), signals.parts.get("stator_frequency")
    if _level(part) != 0.0:
        return None
    if road is not None and _seconds_above(road, _DRIVEN_KM_H) >= _DRIVEN_S:
        return f"vehicle speed reaches {float(np.abs(road.value).max()):.0f} km/h meanwhile"
    if stator is not None and _seconds_above(stator, _DRIVEN_HZ) >= _DRIVEN_S:
        return f"stator frequency reaches {float(np.abs(stator.value).max()):.0f} Hz meanwhile"
    return None


def _does_not_sag(part: Part, signals: Signals) -> str | None:
    span = _span(signals.parts.get("battery_current"))
    if part.step is None or span * _MIN_PACK_OHM < _SAG_STEPS * part.step:
        return None
    return f"battery current changes by {span:.0f} A meanwhile, and every battery's voltage sags under load"


def _drives_without_link(part: Part, signals: Signals) -> str | None:
    current = signals.parts.get("motor_current")
    if _level(part) != 0.0 or current is None or _seconds_above(current, _FLOWS_A) < _FLOWS_S:
        return None
    return f"motor current reaches {float(np.abs(current.value).max()):.0f} A meanwhile"


def _does_not_follow_pack(part: Part, signals: Signals) -> str | None:
    """A link that is live and never moves, while the pack sags: joined it sags along, apart it discharges."""
    pack, level = signals.parts.get("battery_voltage"), _level(part)
    if pack is None or level < _LIVE_V or _steps(part) < _FINE_STEPS:
        return None
    awake = pack.value[pack.value > 0.5 * float(np.max(pack.value, initial=0.0))]
    low, high = (float(q) for q in np.quantile(awake, [0.02, 0.98])) if awake.size >= _SAMPLES else (0.0, 0.0)
    if high - low < max(_MOVED_SHARE * high, _SAG_STEPS * (pack.step or 0.0), _SAG_STEPS * (part.step or 0.0)):
        return None
    return f"battery voltage moves between {low:.1f} V and {high:.1f} V meanwhile"


def _feeds_a_link(part: Part, signals: Signals) -> str | None:
    link, closed = signals.parts.get("dc_link_voltage"), signals.parts.get("main_contactor")
    if _level(part) != 0.0 or link is None or closed is None or closed.on is None or not closed.time_s.size:
        return None
    joined = zero_order_hold(closed.time_s, closed.on.astype(np.float64), link.time_s) > 0.5
    live = joined & (link.value >= _LIVE_V)
    if float(held_time_s(link.time_s)[live].sum()) < _CLOSED_S:
        return None
    return f"the DC link is at {float(np.median(link.value[live])):.0f} V with the main contactor closed meanwhile"


def _does_not_drive(part: Part, signals: Signals) -> str | None:
    """Of torque, motor current and battery current, one that stands still while the two others show a motor at work."""
    speed = signals.parts.get("motor_speed")
    volts = signals.parts.get("battery_voltage") or signals.parts.get("dc_link_voltage")
    others = {name: signals.parts.get(name) for name in _AT_WORK if name != part.name}
    if speed is None or volts is None or not volts.value.size or _seconds_above(speed, TURNS_RPM) < _DRIVEN_S:
        return None
    lowest = {
        "torque": _SWING_NM,
        "motor_current": _SWING_A,
        "battery_current": DRIVEN_W / max(float(np.max(volts.value)), 1.0),
    }
    spans = {name: _span_turning(other, speed) for name, other in others.items()}
    if not all(spans[name] >= lowest[name] for name in others):
        return None
    changes = " and ".join(f"{part_name(name)} by {span:.0f} {PARTS[name].unit}" for name, span in spans.items())
    return f"with the motor turning, {changes.replace(' by ', ' changes by ', 1)} meanwhile"


def _supplies_nobody(part: Part, signals: Signals) -> str | None:
    if _level(part) != 0.0:
        return None
    return "the controllers sent their messages, so they were supplied"


def _does_not_warm(part: Part, signals: Signals) -> str | None:
    if part.time_s[-1] - part.time_s[0] < _HEATED_S or (part.step or 0.0) > 1.0:
        return None
    for name in ("motor_current", "battery_current"):
        current = signals.parts.get(name)
        if current is not None and current.value.size and _rms(current) >= _HEATING_A:
            return f"{part_name(name)} is {_rms(current):.0f} A (rms) meanwhile"
    return None


def _zero_beside_warm(part: Part, signals: Signals) -> str | None:
    if _level(part) != 0.0:
        return None
    for name in COOLED:
        other = signals.parts.get(name)
        if name != part.name and other is not None and float(np.median(other.value)) >= _APART_K:
            return f"{part_name(name)} is {float(np.median(other.value)):.0f} °C meanwhile"
    return None


def _off_under_current(part: Part, signals: Signals) -> str | None:
    link, pack = signals.parts.get("dc_link_voltage"), signals.parts.get("battery_voltage")
    current = signals.parts.get("motor_current") or signals.parts.get("battery_current")
    if link is None or pack is None or current is None:
        return None
    volts = link.held_at(current.time_s)
    full = pack.held_at(current.time_s)
    joined = (np.abs(volts - full) <= _JOINED * full) & (full > 0.0)
    carrying = joined & (np.abs(current.value) >= _FLOWS_A)
    covered = (current.time_s >= part.time_s[0]) & (current.time_s <= part.time_s[-1])
    if float(held_time_s(current.time_s)[carrying & covered].sum()) < _FLOWS_S:
        return None
    return (
        f"{part_name(current.name)} reaches {float(np.abs(current.value[carrying]).max()):.0f} A with the link at the "
        "battery's voltage meanwhile"
    )


def _off_while_the_link_charges(part: Part, signals: Signals) -> str | None:
    link, pack = signals.parts.get("dc_link_voltage"), signals.parts.get("battery_voltage")
    if link is None or pack is None or not pack.value.size:
        return None
    full = float(np.median(pack.value))
    high = np.flatnonzero((link.value[1:] >= _CURVE[1] * full) & (link.value[:-1] < _CURVE[1] * full)) + 1
    for end in high.tolist():
        below = np.flatnonzero(link.value[:end] < _CURVE[0] * full)
        if not below.size:
            continue
        start_s, end_s = float(link.time_s[below[-1]]), float(link.time_s[end])
        rising = link.value[below[-1] : end + 1]
        seen = part.between(start_s, end_s)
        if rising.size > _STATE_SAMPLES and seen.stop - seen.start >= _STATE_SAMPLES and np.all(np.diff(rising) >= 0):
            return f"the link charges from {rising[0]:.0f} V to {rising[-1]:.0f} V in {end_s - start_s:.2f} s meanwhile"
    return None


_AT_WORK = ("torque", "motor_current", "battery_current")
_RULES: dict[str, tuple[Rule, ...]] = {
    **dict.fromkeys(SHAFT_SPEEDS, (_turns_too_evenly, _stands_while_driven)),
    "vehicle_speed": (_turns_too_evenly,),
    "battery_voltage": (_does_not_sag, _feeds_a_link),
    "dc_link_voltage": (_does_not_sag, _drives_without_link, _does_not_follow_pack),
    "dc_link_voltage_second": (_does_not_sag, _drives_without_link, _does_not_follow_pack),
    **dict.fromkeys(_AT_WORK, (_does_not_drive,)),
    "aux_voltage": (_supplies_nobody,),
    **dict.fromkeys(COOLED, (_does_not_warm, _zero_beside_warm)),
    **dict.fromkeys(("main_contactor", "negative_contactor"), (_off_under_current,)),
    "precharge_relay": (_off_while_the_link_charges,),
}


def _doubt(part: Part, why: str, vehicle: Vehicle) -> Doubt:
    state = PARTS[part.name].role is Role.STATE
    level = "off" if state else f"{_level(part):g} {part.unit}"
    name = part_title(part.name)
    return Doubt(
        Finding(
            kind="mapping.constant",
            severity=Severity.WARNING,
            start_s=float(part.time_s[0]),
            end_s=float(part.time_s[-1]),
            title=f"{name} reads {level} throughout, but cannot be constant",
            explanation=(
                f"{name} reads {level} in the whole log, but {why}. Either the signal is dead, or another one is "
                "mapped than intended. Checks that need it were not run."
            ),
            next_step=(
                f"Check message, byte and bit in the definition that {line_of(part.name, vehicle)} names. If they are "
                "right, check whether the device measures it at all."
            ),
            parts=(part.name,),
            measured={
                "count": Measured(float(part.time_s.size), ""),
                "constant_value": Measured(0.0 if state else _level(part), part.unit),
            },
        ),
        doubtful=(part.name,),
        reason=f"{part_name(part.name)} reads {level} throughout, but {why}",
    )


def _steps(part: Part) -> float:
    return abs(_level(part)) / part.step if part.step else 0.0


def _span(part: Part | None) -> float:
    """The range that holds all but a hundredth of the readings at either end; 0 where there are none."""
    if part is None or not part.value.size:
        return 0.0
    low, high = np.quantile(part.value, [0.01, 0.99])
    return float(high - low)


def _span_turning(part: Part | None, speed: Part) -> float:
    """The same of the readings while the motor turns."""
    if part is None or not part.value.size:
        return 0.0
    turning = np.abs(speed.held_at(part.time_s)) > TURNS_RPM
    value = part.value[turning]
    return float(np.ptp(np.quantile(value, [0.01, 0.99]))) if value.size >= _SAMPLES else 0.0


def _seconds_above(part: Part, lowest: float) -> float:
    return float(held_time_s(part.time_s)[np.abs(part.value) >= lowest].sum())


def _rms(part: Part) -> float:
    return float(np.sqrt(np.mean(part.value**2)))
