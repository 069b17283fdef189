"""Signals by their names, as parts that a chart can show."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logscope.decoded import Decoded, mapped_bindings, read_definitions
from logscope.decoding.table import Table
from logscope.definitions.load import vehicle_consoles
from logscope.errors import RequestError, did_you_mean
from logscope.export import choose
from logscope.mapping import SignalBinding, build_signals
from logscope.parts import normalise_unit
from logscope.signals import Part
from logscope.survey.collect import full_name
from logscope.vehicle import Vehicle, split_signal

_MOST_CHANGES = 3000  # of a state: more are drawn as a line, of which the extremes can be kept
Wanted = tuple[str | None, str, str]  # bus or None, message, signal


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be shown.

    bindings : of those that are named as parts of the vehicle, by that name; plain : the others
    """

    names: tuple[str, ...]
    bindings: Mapping[str, SignalBinding]

    @property
    def plain(self) -> tuple[str, ...]:
        return tuple(name for name in self.names if name not in self.bindings)

    @property
    def wanted(self) -> list[Wanted]:
        """What of the log to decode."""
        return [*(binding.wanted for binding in self.bindings.values()), *map(split_signal, self.plain)]


def request(names: Sequence[str], vehicle: Vehicle) -> Request:
    """Look names up among the parts that the vehicle file maps and the signals that are defined, before a log is read.

    Raises RequestError for a name that is neither, with the nearest that is.
    """
    definitions, skipped = read_definitions(vehicle)
    bindings = {binding.part: binding for binding in mapped_bindings(vehicle, definitions, skipped)[0]}
    messages = [message for _, several in definitions for message in several]
    messages += [console.message for console in vehicle_consoles(vehicle)]
    known = {f"{message.name}.{signal.name}" for message in messages for signal in message.signals}
    for name in names:
        _, message, signal = split_signal(name)
        if name not in bindings and f"{message.partition('@')[0]}.{signal}" not in known:
            hint = did_you_mean(name, [*bindings, *known]) or "`logscope signals` lists them."
            raise RequestError(f"no signal “{name}” is defined", do=hint)
    return Request(tuple(dict.fromkeys(names)), {name: bindings[name] for name in names if name in bindings})


def picked(asked: Request, vehicle: Vehicle, decoded: Decoded) -> list[Part]:
    """The signals that were asked for, in that order. Raises RequestError for one of which the log holds no sample."""
    end_s = decoded.seconds(decoded.end_ns)
    signals = build_signals(vehicle, list(asked.bindings.values()), decoded.tables, end_s)
    found: list[Part] = []
    for name in asked.names:
        mapped = signals.get(name) if name in asked.bindings else None
        found += [mapped] if mapped is not None else _by_signal(name, asked, decoded.tables)
    return [_drawable(part) for part in found]


def _by_signal(name: str, asked: Request, tables: Mapping[str, Table]) -> Iterable[Part]:
    if name in asked.bindings:
        name = asked.bindings[name].mapped.signal
    chosen = choose(tables, [name])
    found = ((key, signal) for key in chosen for signal in chosen[key])
    parts = [_part(full_name(key, tables[key], signal), tables[key], signal) for key, signal in found]
    if not any(part.time_s.size for part in parts):
        raise RequestError(f"the log holds no sample of “{name}”", do="`logscope signals` lists what it holds.")
    return parts


def _part(name: str, table: Table, signal: str) -> Part:
    spec, values = table.spec.by_name[signal], table.floats(signal)
    there = np.isfinite(values)
    value, unit = values[there], normalise_unit(spec.unit)
    flag = not unit and not spec.labels and bool(np.isin(value, (0.0, 1.0)).all())
    return Part(
        name=name,
        time_s=table.time_s[there],
        value=value,
        unit=unit,
        source=name,
        step=spec.step,
        labels={float(number): text for number, text in spec.labels.items()},
        on=value == 1.0 if flag else None,
    )


def _drawable(part: Part) -> Part:
    """A state that changes too often to be drawn as a strip becomes a line."""
    if np.count_nonzero(np.diff(part.value)) <= _MOST_CHANGES:
        return part
    return replace(part, on=None, labels={}, overcurrent=None, healthy=None)
