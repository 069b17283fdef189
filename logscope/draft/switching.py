"""What switches, states and faults do in the log, and what their texts say, as points for a part."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.draft import texts
from logscope.draft.behaviour import spells
from logscope.draft.logged import Logged
from logscope.draft.surroundings import Evidence, Surroundings

_MOSTLY = 0.95
_AT_RISE_S = 0.5  # state messages lag by up to some 100 ms, and the rise may begin between two samples
_AFTER_RISE_S = 5.0  # a controller closes the contactor within seconds of the rise
_BEFORE_RISE_S = 10.0
_MOST_STATES = 4  # open, closed, and two states of a device that precharges, is starting or at fault


def _switch(signal: Logged, values: FloatArray) -> list[Evidence]:
    if np.unique(values).size > _MOST_STATES:
        return [Evidence(-2.0, "takes more values than a switch has")]
    labels = signal.spec.labels
    if texts.on_values(labels) and texts.off_values(labels):
        return [Evidence(1.0, "its texts are those of a switch")]
    return [Evidence(0.5, "two values")] if signal.spec.bits == 1 or np.unique(values).size == 2 else []


def _spells(signal: Logged, values: FloatArray) -> list[tuple[float, float]]:
    """When the switch is on: by its texts, else wherever it is not 0.

    Of several states without texts (off, precharge, closed) each may be the one that is on, so that its moment counts.
    """
    if on := texts.on_values(signal.spec.labels):
        return spells(signal.time_s, np.isin(values, list(on)))
    states = [state for state in np.unique(values).tolist() if state != 0]
    alone = [spell for state in states[:_MOST_STATES] for spell in spells(signal.time_s, values == state)]
    return spells(signal.time_s, values != 0) + (alone if len(states) > 1 else [])


def relay(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """On while the link rises."""
    found, rise = _switch(signal, values), around.rise
    for start, end in _spells(signal, values):
        if (
            rise
            and abs(start - rise.start_s) <= _AT_RISE_S
            and rise.end_s - _AT_RISE_S < end < rise.end_s + _AFTER_RISE_S
        ):
            found.append(Evidence(1.5, f"on from {start:.2f} s, as the link begins to rise, to {end:.2f} s"))
            break
    return found


def contactor(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """Comes on when the link is charged."""
    found, rise = _switch(signal, values), around.rise
    for start, end in _spells(signal, values):
        if rise and rise.start_s < start <= rise.end_s + _AFTER_RISE_S and end > rise.end_s + _AFTER_RISE_S:
            late = start > rise.start_s + 0.5 * (rise.end_s - rise.start_s)
            if late:
                found.append(Evidence(1.5, f"comes on at {start:.2f} s, when the link is up"))
                break
    return found


def negative(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """On from before the link rises."""
    found, rise = _switch(signal, values), around.rise
    for start, end in _spells(signal, values):
        begins = rise is not None and -_BEFORE_RISE_S <= start - rise.start_s <= _AT_RISE_S
        if rise and begins and end > rise.end_s + _AFTER_RISE_S:
            found.append(Evidence(1.0, f"on from {start:.2f} s, before the link rises, and stays"))
            break
    return found


def pump(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """A switch, also of a fan or a plug, unless it is logged by its duty."""
    return [] if signal.unit else _switch(signal, values)


def brake(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """A switch; with it the vehicle slows down."""
    found = _switch(signal, values)
    on = values != 0
    for beside in around.signals:
        kmh = beside.as_part("vehicle_speed") if beside.unit else None
        if kmh is None or kmh.size < 2 or not np.any(on) or np.ptp(kmh) == 0:
            continue
        # One second on: whether the vehicle is slower then, or stands.
        now = np.interp(signal.time_s[on], beside.time_s, np.abs(kmh))
        then = np.interp(signal.time_s[on] + 1.0, beside.time_s, np.abs(kmh))
        if np.mean(then <= np.maximum(now, 1.0)) >= _MOSTLY:
            return [*found, Evidence(0.5, "the vehicle slows down or stands whenever it is on")]
    return found


def fault(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """Texts of faults."""
    labels = signal.spec.labels
    if named := texts.overcurrent_values(labels):
        return [Evidence(2.0, f"its texts include “{next(iter(named.values()))}”")]
    if texts.healthy_values(labels):
        return [Evidence(0.5, "its texts include one for no fault")]
    return []


def state(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    """Texts of operating states."""
    if texts.is_operating_state(signal.spec.labels):
        return [Evidence(1.0, "its texts are operating states")]
    return [Evidence(-1.0, "its texts are no operating states")] if signal.spec.choices else []
