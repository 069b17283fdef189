"""How the values of a chosen signal are read: what is on, overcurrent or no fault, and which way it counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logscope.draft import texts
from logscope.draft.behaviour import tracks
from logscope.draft.evidence import pack_direction
from logscope.draft.logged import Logged
from logscope.draft.surroundings import Surroundings
from logscope.draft.words import Word
from logscope.parts import PARTS, Role

Values = tuple[float | str, ...]


@dataclass(frozen=True, slots=True)
class Keys:
    """Keys of the mapping beside `signal`, remarks for its comment, and what makes it doubtful."""

    values: Mapping[str, float | Values] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


def keys_for(part: str, signal: Logged, players: Mapping[str, Logged], around: Surroundings) -> Keys:
    """The keys for a signal that plays a part; `players` are the signals of all parts."""
    match PARTS[part].role:
        case Role.STATE:
            return _state(signal)
        case Role.FAULT:
            return _fault(signal)
        case Role.QUANTITY:
            return _direction(part, signal, players, around)
        case Role.MODE:
            return Keys()


def _state(signal: Logged) -> Keys:
    labels = signal.spec.labels
    if on := texts.on_values(labels):
        return Keys({"on": _listed(on)})
    if signal.unit:
        return Keys(remarks=("on wherever it is not 0",))
    if signal.spec.choices:
        return Keys(doubts=(f"which of its texts means on? {_quoted(labels)}",))
    if np.unique(signal.value).size > 2:
        return Keys(doubts=("it has more than two values and no texts: say which are on",))
    return Keys(remarks=("it has no texts: taken as on wherever it is not 0",))


def _fault(signal: Logged) -> Keys:
    labels = signal.spec.labels
    overcurrent, healthy = texts.overcurrent_values(labels), texts.healthy_values(labels)
    values: dict[str, float | Values] = {}
    remarks: list[str] = []
    if overcurrent:
        values["overcurrent"] = _listed(overcurrent)
    elif signal.spec.bits == 1 and Word.OVERCURRENT in signal.sense.own:
        values["overcurrent"] = (1,)
    else:
        remarks.append(
            "which value means overcurrent is not known: add overcurrent = [...] or overcurrent_bits = [...]"
        )
    if healthy:
        values["none"] = _listed(healthy)
    else:
        remarks.append("0 is taken as no fault")
    return Keys(values, tuple(remarks))


def _direction(part: str, signal: Logged, players: Mapping[str, Logged], around: Surroundings) -> Keys:
    values = signal.as_part(part)
    if values is None or not values.size:
        return Keys()
    if part == "battery_current":
        match pack_direction(signal, values, around):
            case 1:
                return Keys(remarks=("positive while the pack discharges, as required",))
            case -1:
                return Keys({"scale": -1.0}, ("sign reversed: it was negative while the pack discharges",))
        return Keys(remarks=("its sign is unknown: it must be positive while discharging, else scale = -1",))
    if part in {"motor_speed", "motor_speed_second"} and "vehicle_speed" in players:
        road = players["vehicle_speed"]
        kmh = road.as_part("vehicle_speed")
        ratio = tracks(signal.time_s, values, road.time_s, kmh) if kmh is not None else None
        if ratio is not None and ratio < 0:
            return Keys(
                {"scale": -1.0},
                ("sign reversed: it was negative while moving; remove scale if the vehicle drove backwards",),
            )
    return Keys()


def _listed(values: Mapping[float, str]) -> Values:
    """Each number and its text, once."""
    return tuple(dict.fromkeys(item for value, text in values.items() for item in (value, text)))


def _quoted(labels: Mapping[float, str]) -> str:
    return ", ".join(f"{value:g} “{text}”" for value, text in labels.items())
