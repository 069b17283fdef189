"""The stage between the parts and the checks: what cannot be a reading is taken out, then what does not fit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from logscope.findings import Finding
from logscope.plausibility.clean import clean
from logscope.plausibility.constant import constant_readings
from logscope.plausibility.doubt import Doubt
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

Relation = Callable[[Signals, Vehicle], list[Doubt]]


@dataclass(frozen=True, slots=True, eq=False)
class Plausible:
    """What the checks get, and why it is less than what was logged.

    signals : without the parts in doubt; findings : `mapping.*`, those of parts in doubt first
    doubted : the parts in doubt with their samples, for the charts
    """

    signals: Signals
    findings: tuple[Finding, ...]
    doubted: Mapping[str, Part]


def relations() -> tuple[Relation, ...]:
    """What has to fit together, each judged on parts that no relation before it put in doubt."""
    return (constant_readings,)


def examine(signals: Signals, vehicle: Vehicle) -> Plausible:
    """Take out of the signals what cannot be right: single readings first, then whole parts."""
    doubts: list[Doubt] = []
    cleaned = clean(signals, vehicle)
    trusted = cleaned.signals
    for relation in relations():
        found = relation(trusted, vehicle)
        doubts += found
        trusted = trusted.without({part: doubt.reason for doubt in found for part in doubt.doubtful})
    findings = [*(doubt.finding for doubt in doubts), *cleaned.findings]
    findings.sort(key=lambda finding: -finding.severity.rank)
    return Plausible(trusted, tuple(findings), {name: signals.parts[name] for name in trusted.doubtful})
