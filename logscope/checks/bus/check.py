"""The check of the buses."""

from __future__ import annotations

from logscope.checks.bus.context import Context
from logscope.checks.bus.errors import error_frames
from logscope.checks.bus.load import load
from logscope.checks.bus.messages import messages
from logscope.checks.bus.nodes import nodes
from logscope.checks.bus.senders import senders
from logscope.checks.bus.timing import timing
from logscope.findings import Finding, NothingToCheck
from logscope.observations.observations import Observations
from logscope.signals import Signals
from logscope.vehicle import Vehicle


def bus(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """The findings on every bus of the log."""
    record = observations.frames
    if record is None or not record.traffic.buses:
        raise NothingToCheck("there are no CAN frames")
    context = Context(record, signals, vehicle)
    found: list[Finding] = []
    for each in record.traffic.buses:
        for judge in (load, error_frames, nodes, messages, timing, senders):
            found += judge(each, context)
    return found
