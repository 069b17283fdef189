"""The stage between the parts and the checks: what cannot be a reading is taken out, then what does not fit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from logscope.findings import Finding
from logscope.plausibility.clean import clean
from logscope.plausibility.configuration import unlikely, unlikely_finding, without_values
from logscope.plausibility.constant import constant_readings
from logscope.plausibility.doubt import Doubt
from logscope.plausibility.doubts import misread_doubts, sign_doubts, temperature_doubts
from logscope.plausibility.scales import scale_doubts
from logscope.plausibility.states import state_doubts
from logscope.plausibility.two_contents import two_contents
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

Relation = Callable[[Signals, Vehicle], list[Doubt]]


@dataclass(frozen=True, slots=True, eq=False)
class Plausible:
    """What the checks get, and why it is less than what was logged and configured.

    signals : without the parts in doubt; vehicle : without the values in doubt
    findings : `mapping.*`, those of parts in doubt first
    doubted : the parts in doubt with their samples; originals : parts with the readings that were left out; for charts
    """

    signals: Signals
    vehicle: Vehicle
    findings: tuple[Finding, ...]
    doubted: Mapping[str, Part]
    originals: Mapping[str, Part]


def relations() -> tuple[Relation, ...]:
    """What has to fit together, each judged on what no relation before it put in doubt."""
    return (constant_readings, scale_doubts, sign_doubts, state_doubts, temperature_doubts)


def examine(signals: Signals, vehicle: Vehicle) -> Plausible:
    """Take out of the signals what cannot be right: foreign frames, misread integers, single readings, whole parts.

    Values of the vehicle file that are most unlikely go first, so that no part is judged by them.
    """
    odd = tuple(unlikely(vehicle, signals))
    likely = without_values(vehicle, [value for each in odd for value in each.values])
    doubts = two_contents(signals, likely)  # foreign frames leap as misread integers do
    doubts += misread_doubts(_without(signals, doubts), likely)
    cleaned = clean(_without(signals, doubts), likely)
    trusted = cleaned.signals
    for relation in relations():
        found = relation(trusted, likely)
        doubts += found
        trusted = _without(trusted, found)
        likely = without_values(likely, [value for doubt in found for value in doubt.values])
    findings = [
        *(unlikely_finding(each, vehicle, signals) for each in odd),
        *(doubt.finding for doubt in doubts),
        *cleaned.findings,
    ]
    findings.sort(key=lambda finding: -finding.severity.rank)
    doubted = {name: signals.parts[name] for name in trusted.doubtful}
    return Plausible(trusted, likely, tuple(findings), doubted, cleaned.originals)


def _without(signals: Signals, doubts: Sequence[Doubt]) -> Signals:
    return signals.without({part: doubt.reason for doubt in doubts for part in doubt.doubtful})
