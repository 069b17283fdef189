"""The contactor check: chatter, order, dropouts, openings under load, welded contacts; or that all was sound."""

from __future__ import annotations

from logscope.checks.contactors.blind import blind_to
from logscope.checks.contactors.chatter import chatter, closed_briefly
from logscope.checks.contactors.dropout import dropout
from logscope.checks.contactors.load import opened_under_load
from logscope.checks.contactors.order import order, usual_order
from logscope.checks.contactors.switching_history import (
    CONTACTORS,
    SwitchingHistory,
    current_between,
    make_finding,
    switching_history,
)
from logscope.checks.contactors.text import sound_words
from logscope.checks.contactors.welded import welded
from logscope.findings import Event, Finding, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle


def contactors(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge how relay and contactors switch.

    Uses `main_contactor`, `negative_contactor`, `precharge_relay`, `dc_link_voltage`, `battery_voltage` and
    `battery_current` as far as they exist. Raises MissingPart where neither a contactor state nor the link voltage is
    logged, and NothingToCheck where nothing switches.
    """
    history = switching_history(signals, observations, vehicle)
    if not history.has_states and history.link is None:
        raise MissingPart("main_contactor")
    drops = dropout(history)
    dropped = [event for drop in drops for event in drop.events or (Event(drop.start_s, drop.end_s),)]
    findings = [
        *chatter(history),
        *closed_briefly(history),
        *order(history),
        *drops,
        *opened_under_load(history, dropped),
        *welded(history),
    ]
    if not findings and not any(history.switched.get(name) for name in CONTACTORS):
        raise NothingToCheck(_why_nothing(history))
    return sorted(findings, key=lambda finding: finding.start_s) or [_nothing_seen(history)]


def _why_nothing(history: SwitchingHistory) -> str:
    if history.has_states:
        return "no contactor switches, and the link never falls away from the pack under load"
    doubted = any(name in history.signals.doubtful for name in CONTACTORS)
    missing = "the contactors' states are in doubt" if doubted else "no contactor's state is mapped"
    return (
        f"{missing}, and the voltages show no dropout: order, chatter and openings cannot be seen without "
        "main_contactor or negative_contactor"
    )


def _nothing_seen(history: SwitchingHistory) -> Finding:
    """Sound contactors; or undetermined ones, where too little of the drive is logged to say so."""
    closed = {
        name: sum(s.on for s in history.switched.get(name, [])) for name in CONTACTORS if name in history.switched
    }
    first = min(s.time_s for name in CONTACTORS for s in history.switched.get(name, []))
    current = history.signals.get("battery_current")
    at_opening = [
        amps
        for opening in history.openings
        if opening.by_state and current is not None
        if (amps := current_between(current, opening.low_s, opening.high_s)) is not None
    ]
    worst = max(at_opening, key=lambda amps: amps.high or 0.0, default=Measured(None, "A"))
    blind = blind_to(history)
    return make_finding(
        history,
        "undetermined" if blind.too_much else "sound",
        Severity.INFO if blind.too_much else Severity.GOOD,
        sound_words(closed, usual_order(history), worst.high, blind),
        events=(Event(first, history.signals.end_s),),
        measured={
            "count": Measured(float(max(closed.values())), "1"),
            "current_A": worst,
            "shortest_dropout_s": Measured(blind.shortest_s, "s"),
            "missing_s": Measured(blind.missing_s, "s"),
        },
    )
