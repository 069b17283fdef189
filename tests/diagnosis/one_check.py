"""One check by itself, with observations of its own."""

from __future__ import annotations

from logscope.findings import Finding
from logscope.observations.observations import Observations
from logscope.pipeline import Check
from logscope.signals import Signals
from logscope.vehicle import Vehicle


def findings_of(check: Check, signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """The findings of one check on some signals."""
    return check(signals, Observations(signals, vehicle), vehicle)
