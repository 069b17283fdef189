"""From decoded tables to parts: which signal plays which part, or shows which load, in the part's unit.

The vehicle file names signals by hand, so every name is checked against the definitions before a log is
read, and a wrong one is answered with the nearest right one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.decoding.table import Table
from logscope.definitions.skipped import Skipped, why_lost
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import VehicleError, did_you_mean
from logscope.parts import PARTS, Conversion, PartInfo, Role, convert, normalise_unit
from logscope.signals import READINGS, Encoding, Load, Part, Signals, load_part_name
from logscope.toml_file import dotted
from logscope.vehicle import Mapped, Vehicle, split_signal

_OVERCURRENT_WORDS = ("overcurrent", "over current", "over-current", "over_current")
_NO_FAULT = 0.0  # what a fault signal reads while nothing is wrong, unless the vehicle file says otherwise

# Beyond any reading of a vehicle and any counter, in whatever unit: the bits were damaged, or their scale is wrong.
_LARGEST = 1e15


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What the vehicle file wants to have of the log: a part, the signal for it, and the keys at which it says so."""

    info: PartInfo
    mapped: Mapped
    keys: tuple[str | int, ...]


def _wanted(vehicle: Vehicle) -> Iterator[_Wanted]:
    """Every part of the vehicle file, and every signal of its loads as a part of its own."""
    for part, mapped in vehicle.signals.items():
        yield _Wanted(PARTS[part], mapped, ("signals", part))
    for place, load in enumerate(vehicle.load):
        readings = (("switch", "signal", load.on), ("current", "current", None), ("voltage", "voltage", None))
        for reading, key, on in readings:
            if (signal := getattr(load, key)) is not None:
                yield _Wanted(load_info(load.name, reading), Mapped(signal=signal, on=on), ("load", place, key))


def load_info(load: str, reading: str) -> PartInfo:
    """What is logged of a load as a part; `reading` is "switch", "current" or "voltage"."""
    unit, role = {"switch": ("", Role.STATE), "current": ("A", Role.QUANTITY), "voltage": ("V", Role.QUANTITY)}[reading]
    return PartInfo(load_part_name(load, reading), unit, role, f"{reading} of the load “{load}”")


@dataclass(frozen=True, slots=True)
class SignalBinding:
    """A part, the signal that plays it, and how its values become the part's.

    keys : where the vehicle file says so
    only_on : the buses whose definitions have the message; empty where it is defined for every bus
    """

    info: PartInfo
    mapped: Mapped
    keys: tuple[str | int, ...]
    bus: str | None
    message: str
    spec: SignalSpec
    conversion: Conversion
    only_on: tuple[str, ...] = ()

    @property
    def part(self) -> str:
        """The name of the part."""
        return self.info.name

    @property
    def wanted(self) -> tuple[str | None, str, str]:
        """As the decoder is asked for it."""
        return self.bus, self.message, self.spec.name

    def values(self, logged: FloatArray) -> FloatArray:
        """Logged values in the part's unit, turned and shifted as the vehicle file says."""
        own = self.conversion.scale * logged + self.conversion.offset
        return np.asarray(self.mapped.scale * own + self.mapped.offset)

    @property
    def encoding(self) -> Encoding | None:
        """How the part's values lie in their message; None where they are no integers there."""
        spec, unit, mapped = self.spec, self.conversion, self.mapped
        scale = spec.scale * unit.scale * mapped.scale
        if spec.floating or scale == 0.0:
            return None
        offset = (spec.offset * unit.scale + unit.offset) * mapped.scale + mapped.offset
        return Encoding(spec.bits, spec.signed, scale, offset, spec.big_endian)


def find_bindings(
    vehicle: Vehicle,
    definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]],
    skipped: Sequence[Skipped] = (),
) -> tuple[list[SignalBinding], list[str]]:
    """The bindings of all mapped parts, and notes on what was assumed.

    skipped : what of the definition files could not be used; reported where a mapped signal is affected

    Raises VehicleError, naming the key, for a signal that is not defined or a unit that cannot be converted.
    """
    bindings, notes = [], []
    for wanted in _wanted(vehicle):
        info, mapped, keys = wanted.info, wanted.mapped, wanted.keys
        bus, message, name = split_signal(mapped.signal)
        spec = _spec(vehicle, keys, bus, message, name, definitions, skipped)
        conversion, note = _conversion(vehicle, info, keys, spec, mapped.signal)
        only_on = _only_on(message, bus, definitions)
        bindings.append(SignalBinding(info, mapped, keys, bus, message, spec, conversion, only_on))
        notes += note
    return bindings, notes


def _only_on(
    message: str, bus: str | None, definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]]
) -> tuple[str, ...]:
    plain = message.split("@")[0]
    where = [at for at, messages in definitions if any(m.name == plain for m in messages)]
    buses = [bus] if bus else where
    return () if None in buses else tuple(dict.fromkeys(at for at in buses if at))


def _spec(
    vehicle: Vehicle,
    keys: tuple[str | int, ...],
    bus: str | None,
    message: str,
    name: str,
    definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]],
    skipped: Sequence[Skipped],
) -> SignalSpec:
    served = [m for where, messages in definitions if bus is None or where in (None, bus) for m in messages]
    plain = message.split("@")[0]
    named = [m for m in served if m.name == plain]
    if not served:
        where = f" for bus {bus}" if bus else ""
        raise _wrong(
            vehicle, keys, f"there are no definitions{where}", "Name the definition files under [[can]] or [[serial]]."
        )
    if lost := why_lost(skipped, plain, name):
        found = any(spec.name == name for m in named for spec in m.signals)
        if not found:
            what = f"the definition of “{message}.{name}” was skipped at {lost.where}: {lost.reason}"
            raise _wrong(vehicle, keys, what, "Correct the definition there.")
    if not named:
        hint = did_you_mean(message, (m.name for m in served))
        hint = hint or _holders(name, served) or f"Defined are: {_some(m.name for m in served)}."
        raise _wrong(vehicle, keys, f"no message “{message}” is defined", hint)
    for candidate in named:
        for spec in candidate.signals:
            if spec.name == name:
                return spec
    if any(name in m.left_out for m in named):
        what = f"“{message}.{name}” is wider than 64 bits: it is bytes and not a number"
        raise _wrong(vehicle, keys, what, "Name another signal.")
    known = [spec.name for m in named for spec in m.signals]
    hint = did_you_mean(name, known) or f"It has: {_some(known)}."
    raise _wrong(vehicle, keys, f"message “{message}” has no signal “{name}”", hint)


def _holders(name: str, served: Sequence[MessageSpec]) -> str:
    holders = [m.name for m in served if any(spec.name == name for spec in m.signals)]
    return f"Did you mean “{holders[0]}.{name}”?" if holders else ""


def _some(names: object) -> str:
    listed = list(dict.fromkeys(names))  # type: ignore[call-overload]
    return ", ".join(listed[:8]) + (", …" if len(listed) > 8 else "")


def _wrong(vehicle: Vehicle, keys: tuple[str | int, ...], what: str, do: str) -> VehicleError:
    return VehicleError(f"“{dotted(keys)}”: {what}", where=vehicle.path, line=vehicle.line_of(*keys), do=do)


def _conversion(
    vehicle: Vehicle, info: PartInfo, keys: tuple[str | int, ...], spec: SignalSpec, signal: str
) -> tuple[Conversion, list[str]]:
    if keys[0] == "load" and info.role is Role.STATE and spec.unit and convert(spec.unit, "V") is not None:
        raise _wrong(vehicle, keys, f"{signal} is in “{spec.unit}”: no switch", f'Write voltage = "{signal}".')
    if info.role is not Role.QUANTITY:
        return Conversion(1.0, 0.0), []
    if not normalise_unit(spec.unit):
        return Conversion(1.0, 0.0), [f"{signal} has no unit in its definition; taken as {info.unit} for {info.name}"]
    conversion = convert(spec.unit, info.unit)
    if conversion is None:
        raise _wrong(
            vehicle,
            keys,
            f"{signal} is in “{spec.unit}”, which cannot be converted to {info.unit}",
            "Map another signal, or correct the unit in its definition.",
        )
    return conversion, []


def build_signals(
    vehicle: Vehicle, bindings: Sequence[SignalBinding], tables: Mapping[str, Table], end_s: float
) -> Signals:
    """All parts that have samples. Raises VehicleError where a message is ambiguous between buses."""
    parts: dict[str, Part] = {}
    empty: dict[str, str] = {}
    for binding in bindings:
        table = _table(vehicle, binding, tables)
        part = part_of(vehicle, binding, table) if table is not None else None
        if part is not None and part.time_s.size:
            parts[binding.part] = part
        else:
            what = _absent(binding, tables) if table is None else "it has no readable sample"
            empty[binding.part] = f"{binding.mapped.signal} is mapped to {binding.part}, but {what}"
    loads = taken_loads((load.name for load in vehicle.load), parts)
    return Signals(parts, 0.0, end_s, empty, loads)


def taken_loads(names: Iterable[str], parts: dict[str, Part]) -> tuple[Load, ...]:
    """The loads of which anything is logged, by name; their parts are taken out of `parts`."""
    loads = (Load(name, *(parts.pop(load_part_name(name, reading), None) for reading in READINGS)) for name in names)
    return tuple(load for load in loads if load.logged)


def _absent(binding: SignalBinding, tables: Mapping[str, Table]) -> str:
    """How a signal without a value is spoken of: the name of its bus may be what is wrong, or its own on a console."""
    anywhere = binding.bus is None and not binding.only_on
    if anywhere and any(table.message == binding.message for table in tables.values()):
        return f"the log holds others of {binding.message} but no value of it: compare its name with those in the log"
    if not binding.only_on:
        return f"message {binding.message} does not occur in the log"
    buses = " or ".join(f"“{bus}”" for bus in binding.only_on)
    return f"message {binding.message} does not occur in the log on bus {buses}: “logscope inventory” lists the buses"


def _table(vehicle: Vehicle, binding: SignalBinding, tables: Mapping[str, Table]) -> Table | None:
    message = binding.message
    alike = {
        name: table
        for name, table in tables.items()
        if (binding.bus is None or table.bus == binding.bus)
        and (table.message == message or ("@" not in message and table.message.split("@")[0] == message))
        and binding.spec.name in table.columns
    }
    if len(alike) > 1:
        hint = " or ".join(f"“{name}.{binding.spec.name}”" for name in sorted(alike))
        raise _wrong(vehicle, binding.keys, f"“{message}” occurs more than once in the log", f"Write {hint}.")
    return next(iter(alike.values()), None)


def part_of(vehicle: Vehicle, binding: SignalBinding, table: Table) -> Part:
    """The samples of a part out of its message's table. Raises VehicleError for a state that is not defined."""
    logged = table.floats(binding.spec.name)
    there = np.abs(logged) <= _LARGEST  # and so no NaN
    value = binding.values(logged[there])
    spec, info = binding.spec, binding.info
    labels = {float(v): text for raw, text in spec.choices.items() for v in binding.values(_logged(spec, raw))}
    step = None if spec.step is None else abs(spec.step * binding.conversion.scale * binding.mapped.scale)
    on = overcurrent = healthy = None
    if binding.mapped.on is not None:
        on = _is_any(vehicle, binding, "on", value, labels)
    elif info.role is Role.STATE:
        on = value != 0
    if info.role is Role.FAULT:
        overcurrent, healthy = _fault(vehicle, binding, value, labels)
    return Part(
        name=binding.part,
        time_s=table.time_s[there],
        value=value,
        unit=info.unit,
        source=binding.mapped.signal,
        step=step,
        labels=labels,
        on=on,
        overcurrent=overcurrent,
        healthy=healthy,
        encoding=binding.encoding,
    )


def _logged(spec: SignalSpec, raw: int) -> FloatArray:
    return np.array([raw * spec.scale + spec.offset])


def _is_any(
    vehicle: Vehicle, binding: SignalBinding, key: str, value: FloatArray, labels: Mapping[float, str]
) -> BoolArray:
    """Whether each value is one of the numbers or enumeration texts that the vehicle file lists under a key."""
    by_text = {text: number for number, text in labels.items()}
    numbers: list[float] = []
    for item in getattr(binding.mapped, key):
        if not isinstance(item, str):
            numbers.append(float(item))
        elif item in by_text:
            numbers.append(by_text[item])
        elif not any(isinstance(other, float | int) for other in getattr(binding.mapped, key)):
            hint = did_you_mean(item, by_text) or f"It has: {_some(by_text)}."
            if not by_text:
                hint = f"Its definition has no texts: give numbers, such as “{key} = [1]”."
            raise _wrong(vehicle, binding.keys, f"“{key}”: {binding.mapped.signal} has no value named “{item}”", hint)
    return np.asarray(np.isin(value, numbers))


def _fault(
    vehicle: Vehicle, binding: SignalBinding, value: FloatArray, labels: Mapping[float, str]
) -> tuple[BoolArray, BoolArray]:
    mapped = binding.mapped
    healthy = _is_any(vehicle, binding, "none", value, labels) if mapped.none is not None else value == _NO_FAULT
    overcurrent = np.zeros(value.size, np.bool_)
    if mapped.overcurrent is not None:
        overcurrent |= _is_any(vehicle, binding, "overcurrent", value, labels)
    if mapped.overcurrent_bits is not None:
        mask = np.uint64(sum(1 << bit for bit in mapped.overcurrent_bits))
        overcurrent |= (np.maximum(value, 0).astype(np.uint64) & mask) != 0
    if mapped.overcurrent is None and mapped.overcurrent_bits is None:
        named = [v for v, text in labels.items() if any(word in text.casefold() for word in _OVERCURRENT_WORDS)]
        overcurrent |= np.isin(value, named)
    return overcurrent, healthy
