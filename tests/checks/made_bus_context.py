"""A context in which findings on a bus are made, and how tests read them."""

from __future__ import annotations

import numpy as np
from made_facts import MS
from motor_traces import signals

from logscope.bus.facts import Traffic
from logscope.bus.naming import specs_by_key
from logscope.bus.record import BusRecord
from logscope.checks.bus.context import Context
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.findings import Finding
from logscope.signals import Part
from logscope.vehicle import Vehicle

INVERTER = tuple(MessageSpec(f"Drive{k}", 0x100 + k, False, 8, (), senders=("Inverter",)) for k in range(3))
LONG = MessageSpec("Long", 0x200, False, 8, (SignalSpec("Speed", 32, 16),))
AT = np.arange(0.0, 60.0, 0.1)


def context(*parts: Part) -> Context:
    """The log begins at 2 s, so that a stamp of 5 s is 3 s."""
    specs = specs_by_key([(None, (*INVERTER, LONG, MessageSpec("Wide", 0x300, False, 8, ())))])
    record = BusRecord(Traffic((), 0, 0), 2_000 * MS, specs)
    return Context(record, signals(*parts), Vehicle())


def value(finding: Finding, name: str) -> float | None:
    assert finding.caution == ""  # nobody's hands are near high voltage
    return finding.measured[name].value


def spans(finding: Finding) -> list[tuple[float, float]]:
    return [(each.start_s, each.end_s) for each in finding.events]


SPEED = Part("motor_speed", AT, np.full(AT.size, 900.0), "rpm", "can0:Drive0@5.Speed")
CURRENT = Part("battery_current", AT, np.zeros(AT.size), "A", "Long.Current")
