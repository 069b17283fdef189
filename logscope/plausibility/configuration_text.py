"""What findings on values of the vehicle file say."""

from __future__ import annotations

from logscope.findings import Finding, Measured, Severity
from logscope.plausibility.configuration import Unlikely
from logscope.plausibility.name import place_of
from logscope.signals import Signals
from logscope.vehicle import Vehicle


def unlikely_finding(unlikely: Unlikely, vehicle: Vehicle, signals: Signals) -> Finding:
    """A value that is most unlikely to be meant, and is not used."""
    key = unlikely.keys[-1]
    place = place_of(unlikely.section, key, vehicle)
    usual = f"{unlikely.least:g} to {unlikely.most:g} {unlikely.unit}".strip()
    write = f"Write {unlikely.meant}." if unlikely.meant else "Check the value and its unit."
    return Finding(
        kind="mapping.configuration",
        severity=Severity.WARNING,
        start_s=signals.start_s,
        end_s=signals.end_s,
        title=f"Vehicle file, “{unlikely.section}.{key}”: {unlikely.fact}",
        explanation=f"{unlikely.fact[0].upper()}{unlikely.fact[1:]}; the usual range is {usual}. No check uses this "
        "value.",
        next_step=f"“{unlikely.section}.{key}”{place}: {write}",
        parts=(),
        measured={unlikely.name: Measured(unlikely.value, unlikely.unit)},
        expected={unlikely.name: Measured(None, unlikely.unit, unlikely.least, unlikely.most)},
    )
