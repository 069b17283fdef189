"""States and voltages that stand for one another's: turned round, or mapped to the wrong signal.

Two things show it that no fault of the vehicle does. A drive's power flows through a contactor, so one that reads open
all the while is none that is open; so it is with a pressed brake, and with an inverter that has tripped. And what
charges a link gradually is a resistor: a state that reads closed from before the rise is not that of the contactor past
it, where another one closes after the rise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.findings import Finding, Measured, Severity
from logscope.parts import part_name, part_title
from logscope.plausibility.constant import DRIVEN_W, TURNS_RPM
from logscope.plausibility.doubt import Doubt
from logscope.plausibility.name import line_of
from logscope.plausibility.paired import common_moments, known_at, lag_allowance_s, on_at
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_LIVE = 0.8  # of its highest level: a link that stands so high while power is drawn is joined to the battery
_FEWEST_MOMENTS, _LEAST_S = 8, 1.0
_NEARLY_ALL = 0.95  # of the moments: a contactor that drops out for a moment reads open at fewer
_HELD_BACK, _CHARGED = 0.4, 0.9  # of the level that the link comes to: between them a resistor shows
_GRADUAL = 3  # readings between: what jumps past its resistor has one or two
_LONGEST_RISE_S = 10.0  # a controller gives up by then (common practice, no published source)
_HAND_OVER_S = 1.0  # within which the relay opens once the contactor has closed (common practice)
_LEVEL_SAMPLES = 5
_SHOWN = {"mapping.exchanged": ("dc_link_voltage",), "mapping.inverted": ("battery_current",)}  # what speaks against it
_WHY = {"mapping.exchanged": "probably exchanged", "mapping.inverted": "its values probably turned round"}


@dataclass(frozen=True, slots=True)
class _Rise:
    """A link, or what is taken for one, that is charged gradually: when it begins, is half way and charged [s]."""

    start_s: float
    middle_s: float
    end_s: float


def state_doubts(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """Contactor states and voltages that are mapped to one another's signals, or turned round."""
    found = list(_impossible_in_the_drive(signals, vehicle))
    taken = {name for doubt in found for name in doubt.doubtful}
    found += [doubt for doubt in _closed_before_the_rise(signals, vehicle) if not taken & set(doubt.doubtful)]
    return found + list(_voltages_exchanged(signals, vehicle))


@dataclass(frozen=True, slots=True)
class _Impossible:
    """What a part reads that it cannot all the while that the battery drives the vehicle.

    reads : in words; reading : of the part, for each of its samples, shape (n,); why : what speaks against it
    remedy : what to look at, after the line of the vehicle file
    """

    reads: str
    reading: BoolArray
    why: str
    remedy: str


def _impossible(name: str, part: Part) -> _Impossible | None:
    if name == "fault":
        healthy = part.value == 0 if part.healthy is None else part.healthy
        return _Impossible(
            "reads a fault",
            ~healthy,
            "an inverter that has tripped takes nothing",
            "the value for no fault (`none`) may be another one. A warning that does not stop the inverter is no fault "
            "here.",
        )
    if part.on is None or not part.on.any():
        return None  # one that never closes is judged as a part that never changes
    if name == "brake":
        return _Impossible(
            "reads pressed",
            part.on,
            "nobody drives so",
            "the value for pressed (`on`) may be the other. If it is right, the switch at the pedal sticks.",
        )
    return _Impossible(
        "reads open",
        ~part.on,
        "its current flows through it",
        "its signal may be that of another contactor or of the precharge relay, or its value for closed the one for "
        "open (`on`).",
    )


def _impossible_in_the_drive(signals: Signals, vehicle: Vehicle) -> Iterator[Doubt]:
    """States that read otherwise than they can while the battery drives the vehicle."""
    for name in ("main_contactor", "negative_contactor", "brake", "fault"):
        part = signals.get(name)
        if part is None or (found := _impossible(name, part)) is None:
            continue
        at_s = _driving_moments(signals, part)
        if at_s.size < _FEWEST_MOMENTS or at_s[-1] - at_s[0] < _LEAST_S:
            continue
        share = float(np.mean(found.reading[np.searchsorted(part.time_s, at_s, side="right") - 1]))
        if share < _NEARLY_ALL:
            continue
        relay = signals.get("precharge_relay") if name.endswith("contactor") else None
        stays = relay is not None and relay.on is not None and float(np.mean(on_at(relay, at_s))) >= _NEARLY_ALL
        closed = f" {part_title('precharge_relay')} reads closed meanwhile." if stays else ""
        yield _doubt(
            "mapping.exchanged" if stays else "mapping.inverted",
            (name, "precharge_relay") if stays else (name,),
            f"{part_title(name)}: {found.reads} while the battery drives the vehicle",
            f"{part_title(name)} {found.reads} at {100 * share:.0f} % of the moments at which the battery gives more "
            f"than {DRIVEN_W / 1000:.0f} kW: {found.why}.{closed}",
            f"Check what {line_of(name, vehicle)} names: {found.remedy}",
            (float(at_s[0]), float(at_s[-1])),
            100 * (1 - share),
        )


def _driving_moments(signals: Signals, state: Part) -> FloatArray:
    """Moments at which the battery surely gives a drive's power, before and after as well [s], shape (m,)."""
    current, volts = signals.get("battery_current"), signals.get("battery_voltage")
    link = signals.get("dc_link_voltage")
    if current is None or link is None or current.value.size < 2 or link.value.size < 2:
        return np.array([])
    volts = link if volts is None or volts.value.size < 2 else volts
    at_s, around_s = common_moments(current, link, state), lag_allowance_s(state, current)
    top = float(np.quantile(link.value, 0.99))
    drives: BoolArray = (known_at(link, at_s) > _LIVE * top) & np.isfinite(known_at(state, at_s))
    speed = signals.get("motor_speed")
    if speed is not None and speed.value.size:
        drives = drives & (np.abs(known_at(speed, at_s)) > TURNS_RPM)
    for shift_s in (-around_s, 0.0, around_s):
        drives = drives & (known_at(current, at_s + shift_s) * known_at(volts, at_s + shift_s) > DRIVEN_W)
    return np.asarray(at_s[drives])


def _closed_before_the_rise(signals: Signals, vehicle: Vehicle) -> Iterator[Doubt]:
    """A main contactor that reads closed through each gradual rise, while another state closes after it."""
    main, link = signals.get("main_contactor"), signals.get("dc_link_voltage")
    if main is None or main.on is None or link is None:
        return
    rises = list(_rises(link))
    for name in ("negative_contactor", "precharge_relay"):
        other = signals.get(name)
        if not rises or other is None or other.on is None:
            continue
        if all(_exchanged(main, other, rise, hands_over=name == "precharge_relay") for rise in rises):
            yield _doubt(
                "mapping.exchanged",
                ("main_contactor", name),
                f"Main contactor and {part_name(name)}: probably exchanged",
                f"{part_title('main_contactor')} reads closed before the link rises, {part_name(name)} only after it. "
                "A link that charges gradually does so through the resistor, so the one that closes last is past it.",
                f"Map the one that closes last as “main_contactor”: check {line_of('main_contactor', vehicle)} and "
                f"{line_of(name, vehicle)}.",
                (rises[0].start_s, rises[-1].end_s),
            )
            return


def _exchanged(main: Part, other: Part, rise: _Rise, *, hands_over: bool) -> bool:
    """Whether the other one closes after a rise that began after the main contactor did.

    hands_over : whether the main contactor opens again as the other one closes, as only a relay does
    """
    lag_s = lag_allowance_s(main, other)
    until_s = rise.end_s + _HAND_OVER_S + lag_s
    main_s, other_s = (_closes_s(part, rise.start_s - _LONGEST_RISE_S, until_s) for part in (main, other))
    if main_s is None or other_s is None or other_s < rise.middle_s + lag_s:
        return False
    if not hands_over:
        return main_s <= rise.middle_s
    around = np.array([other_s + lag_s + _HAND_OVER_S])
    opened = not bool(on_at(main, around)[0]) and bool(on_at(other, around)[0])
    return opened and main_s <= rise.middle_s + lag_s


def _closes_s(state: Part, from_s: float, until_s: float) -> float | None:
    """When a state last closes between two times [s]; None where it does not."""
    assert state.on is not None
    edges = np.flatnonzero(state.on[1:] & ~state.on[:-1]) + 1
    inside = edges[(state.time_s[edges] >= from_s) & (state.time_s[edges] <= until_s)]
    return float(state.time_s[inside[-1]]) if inside.size else None


def _voltages_exchanged(signals: Signals, vehicle: Vehicle) -> Iterator[Doubt]:
    """A battery voltage that is charged through a resistor, while the link stands there all the time."""
    link, pack = signals.get("dc_link_voltage"), signals.get("battery_voltage")
    if link is None or pack is None or link.value.size < _LEVEL_SAMPLES:
        return
    rises = list(_rises(pack))
    level = float(np.median(link.value))
    if not rises or float(np.quantile(link.value, 0.01)) < _CHARGED * level:
        return
    if any(np.any(np.isnan(known_at(link, np.array([rise.start_s, rise.end_s])))) for rise in rises):
        return
    yield _doubt(
        "mapping.exchanged",
        ("dc_link_voltage", "battery_voltage"),
        "DC-link voltage and battery voltage: probably exchanged",
        f"Battery voltage rises gradually, as a link does through its resistor, while DC-link voltage stands at "
        f"{level:.0f} V all the time. No battery charges so fast.",
        f"Check what {line_of('dc_link_voltage', vehicle)} and {line_of('battery_voltage', vehicle)} name: exchange "
        "the two.",
        (rises[0].start_s, rises[-1].end_s),
    )


def _rises(part: Part) -> Iterator[_Rise]:
    """Gradual rises of a voltage to a level at which it then stays."""
    time_s, value = part.time_s, part.value
    if value.size < _LEVEL_SAMPLES + _GRADUAL:
        return
    top = float(np.quantile(value, 0.99))
    for first in np.flatnonzero((value[1:] >= _CHARGED * top) & (value[:-1] < _CHARGED * top)) + 1:
        after = value[first : first + _LEVEL_SAMPLES]
        below = np.flatnonzero(value[:first] <= _HELD_BACK * top)
        if not below.size or after.size < _LEVEL_SAMPLES or float(after.min()) < _CHARGED * float(after.max()):
            continue
        begin = int(below[-1])
        between = value[begin + 1 : first]
        short = float(time_s[first] - time_s[begin]) <= _LONGEST_RISE_S
        if short and between.size >= _GRADUAL and bool(np.all(np.diff(between) > -0.02 * top)):
            middle = begin + int(np.argmax(value[begin : first + 1] >= (_HELD_BACK + _CHARGED) / 2 * top))
            yield _Rise(float(time_s[begin]), float(time_s[middle]), float(time_s[first]))


def _doubt(
    kind: str,
    names: tuple[str, ...],
    title: str,
    explanation: str,
    next_step: str,
    between_s: tuple[float, float],
    agreement_percent: float = 0.0,
) -> Doubt:
    """agreement_percent : of the moments or rises that show it, at how many the parts fit as they are mapped."""
    finding = Finding(
        kind=kind,
        severity=Severity.WARNING,
        start_s=between_s[0],
        end_s=between_s[1],
        title=title,
        explanation=f"{explanation} Checks that need it are listed under “not checked”.",
        next_step=next_step,
        parts=(*names, *(name for name in _SHOWN[kind] if name not in names)),
        measured={"agreement_percent": Measured(agreement_percent, "%")},
    )
    return Doubt(finding, names, f"{' and '.join(part_name(name) for name in names)}: {_WHY[kind]}")
