"""Scales in doubt: broken ties, and the single slip that mends them."""

from __future__ import annotations

from logscope.plausibility.coherent import coherent
from logscope.plausibility.configuration import without_values
from logscope.plausibility.doubt import Doubt
from logscope.plausibility.power import power_ties
from logscope.plausibility.ranges import range_ties
from logscope.plausibility.scale_text import odd_finding, slip_finding, unexplained_finding
from logscope.plausibility.speeds import speed_ties
from logscope.plausibility.targets import target_ties
from logscope.plausibility.ties import Broken, Tie, Unexplained, in_file, suspects
from logscope.plausibility.voltages import voltage_ties
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_ROUNDS = 3  # a slip that is out of the way no longer hides another; three at once are a file for another vehicle


def scale_doubts(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """What is off by a factor, as far as ties between parts and with the vehicle file show it."""
    doubts: list[Doubt] = []
    signals = coherent(signals)
    for _ in range(_ROUNDS):
        found = [doubt for broken in suspects(_ties(signals, vehicle)) if (doubt := _doubt(broken, signals, vehicle))]
        bearing = [doubt for doubt in found if doubt.bears]
        doubts += bearing
        if not bearing:
            return doubts + found
        signals = signals.without({part: doubt.reason for doubt in bearing for part in doubt.doubtful})
        vehicle = without_values(vehicle, [value for doubt in bearing for value in doubt.values])
    return doubts


def _ties(signals: Signals, vehicle: Vehicle) -> list[Tie]:
    return [tie for relation in _RELATIONS for tie in relation(signals, vehicle)]


def _doubt(broken: Broken, signals: Signals, vehicle: Vehicle) -> Doubt | None:
    names = [suspect.name for suspect in broken.suspects]
    doubtful = tuple(name for name in names if not in_file(name))
    if broken.suspects:
        finding = slip_finding(broken, signals, vehicle)
        values = () if doubtful else tuple(_value(name) for name in names)
        return Doubt(finding, doubtful, finding.title, values)
    certain = [tie for tie in broken.ties if tie.unexplained is Unexplained.DOUBT]
    if certain:
        doubtful = tuple(dict.fromkeys(name for tie in certain for name in tie.of if not in_file(name)))
        finding = unexplained_finding(certain, doubtful, signals, vehicle)
        return Doubt(finding, doubtful, finding.title)
    odd = [tie for tie in broken.ties if tie.unexplained is Unexplained.ODD]
    return Doubt(odd_finding(odd[0], signals, vehicle)) if odd else None


def _value(name: str) -> tuple[str, str]:
    section, _, key = name.partition(".")
    return section, key


_RELATIONS = (voltage_ties, speed_ties, power_ties, target_ties, range_ties)
