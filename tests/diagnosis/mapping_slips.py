"""What goes wrong with the mapping of a part: factor, sign, offset, bytes, marks for “no value”, a dead signal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import Encoding, Part, Signals

FACTORS = (0.001, 0.1, 0.5, 2.0, 10.0, 1000.0)
SCALED = (
    "dc_link_voltage", "battery_voltage", "battery_current", "motor_speed", "vehicle_speed", "motor_current",
    "motor_current_target", "torque", "torque_target", "throttle", "throttle_second", "aux_voltage",
    "charger_voltage", "charger_current", "charger_voltage_target", "charger_current_target",
    "cell_voltage_lowest", "cell_voltage_highest", "state_of_charge",
)  # fmt: skip
SIGNED = ("battery_current", "torque", "motor_speed", "torque_target")
TEMPERATURES = ("motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out")
OFFSETS = {"kelvin": (1.0, 273.15), "no offset": (1.0, 40.0), "offset twice": (1.0, -40.0), "Fahrenheit": (1.8, 32.0)}
CONTACTORS = ("main_contactor", "negative_contactor")
STATES = ("precharge_relay", *CONTACTORS)
_STRETCH_S = (0.2, 3.0)  # for which a field holds a mark in the middle of a log
_FEWEST_BITS = 8  # a shorter field has no marks to spare


@dataclass(frozen=True)
class Slip:
    """One thing that is wrong with one part.

    kind : as it is counted; apply : what becomes of the part; scale, offset : by which its readings are off
    """

    part: str
    kind: str
    apply: Callable[[Part], Part]
    scale: float = 1.0
    offset: float = 0.0

    @property
    def is_mark(self) -> bool:
        """Whether it puts marks in place of readings."""
        return self.kind.startswith("mark")

    @property
    def is_stuck(self) -> bool:
        """Whether the part reads one value throughout."""
        return self.kind.startswith("stuck")


def slips(signals: Signals, rng: np.random.Generator) -> list[Slip]:
    """Every slip that the parts of a log allow; the generator draws the marks and where they stand."""
    found = [
        Slip(name, f"× {factor:g}", lambda part, f=factor: linear(part, f, 0.0), factor)
        for name in SCALED
        for factor in FACTORS
    ]
    found += [Slip(name, "sign", lambda part: linear(part, -1.0, 0.0), -1.0) for name in SIGNED]
    found += [
        Slip(name, kind, lambda part, s=scale, o=offset: linear(part, s, o), scale, offset)
        for name in TEMPERATURES
        for kind, (scale, offset) in OFFSETS.items()
    ]
    found += [
        Slip(name, "byte order", swapped, float("nan"))
        for name in SCALED
        if name in signals and (code := signals.parts[name].encoding) is not None and code.bits == 16
    ]
    found = [slip for slip in found if slip.part in signals]
    for name in (*SCALED, *TEMPERATURES):
        if name in signals and signals.parts[name].value.size > 3:
            found += [*_marks(signals.parts[name], rng), *_stuck(signals.parts[name])]
    found += [Slip(name, "stuck off", _off) for name in STATES if name in signals]
    found += [Slip(name, "turned round", _turned_round) for name in CONTACTORS if name in signals]
    return found


def linear(part: Part, scale: float, offset: float) -> Part:
    """A part as a wrong scale and offset show it."""
    code = part.encoding
    assert code is not None
    code = replace(code, scale=code.scale * scale, offset=code.offset * scale + offset)
    step = None if part.step is None else part.step * abs(scale)
    return replace(part, value=part.value * scale + offset, step=step, encoding=code)


def swapped(part: Part) -> Part:
    """A part of two bytes as the wrong byte order shows it."""
    code = part.encoding
    assert code is not None
    raw = code.raw(part.value).astype("<i2" if code.signed else "<u2").byteswap()
    return replace(part, value=code.value(raw.astype(np.int64)), encoding=replace(code, big_endian=not code.big_endian))


def marks_of(code: Encoding) -> tuple[int, ...]:
    """Raw values that devices send for “no value” (SAE J1939-71 and common practice)."""
    if code.signed:
        return code.lowest, code.highest
    return (code.highest, code.highest - 1) + ((0xFF00,) if code.bits == 16 else ())


def _marks(part: Part, rng: np.random.Generator) -> Iterator[Slip]:
    code = part.encoding
    if code is None or code.bits < _FEWEST_BITS:
        return
    size = part.value.size
    at = int(rng.integers(1, size - 1))
    until_s = part.time_s[at] + rng.uniform(*_STRETCH_S)
    end = min(max(int(np.searchsorted(part.time_s, until_s)), at + 2), size - 1)
    for kind, where in (("throughout", slice(None)), ("for a stretch", slice(at, end)), ("once", slice(at, at + 1))):
        mark = float(code.value(np.array([rng.choice(marks_of(code))]))[0])
        yield Slip(part.name, f"mark {kind}", lambda part, w=where, m=mark: _put(part, w, m))


def _stuck(part: Part) -> Iterator[Slip]:
    yield Slip(part.name, "stuck at zero", lambda part: _put(part, slice(None), 0.0))
    size = np.abs(part.value)
    if size.max() > 0.0:
        level = float(np.median(part.value[size >= 0.5 * size.max()]))
        level = level if part.encoding is None else float(part.encoding.value(part.encoding.raw(np.array([level])))[0])
        yield Slip(part.name, "stuck at a level", lambda part: _put(part, slice(None), level))


def _put(part: Part, where: slice, value: float) -> Part:
    values: FloatArray = part.value.copy()
    values[where] = value
    return replace(part, value=values)


def _turned_round(part: Part) -> Part:
    assert part.on is not None
    return replace(part, value=1.0 - part.value, on=~part.on)


def _off(part: Part) -> Part:
    assert part.on is not None
    return replace(part, value=np.zeros_like(part.value), on=np.zeros_like(part.on))
