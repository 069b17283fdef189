"""The charging check: one finding on how each charge went, and one for each thing that was wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.charging import text
from logscope.checks.charging.amounts import Amounts, find_amounts
from logscope.checks.charging.before import Before, find_before
from logscope.checks.charging.conduct import Event, not_stopping, opened_under_current, while_enabled
from logscope.checks.charging.ending import Ending, Outcome, find_ending, takes_nothing
from logscope.checks.charging.idle import Idle, find_idle
from logscope.checks.charging.margins import Margin, find_margins
from logscope.checks.charging.regulation import Regulation, judge_regulation
from logscope.checks.charging.stale import stale_since
from logscope.checks.charging.taper import Taper, find_taper
from logscope.checks.wording import Words
from logscope.findings import Curve, Evidence, Finding, Level, Mark, Measured, NothingToCheck, Severity
from logscope.observations.charging.current import spread_in_time
from logscope.observations.charging.phases import Step
from logscope.observations.charging.sessions import Session
from logscope.observations.observations import Observations
from logscope.parts import part_name
from logscope.physics.charging import taper_current_a
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_PARTS = (
    "charger_current", "charger_current_target", "charger_voltage", "charger_voltage_target", "battery_voltage",
    "battery_current",
)  # fmt: skip
_EXPECTED_ENDS = ("limit", "request")  # how a monitor ends a charge on purpose
_CURVE_POINTS = 100
_AROUND_S = 5.0


@dataclass(frozen=True, slots=True)
class Charge:
    """All that was found of one session."""

    session: Session
    amounts: Amounts
    before: Before
    margins: list[Margin]
    regulation: Regulation
    taper: Taper | None
    ending: Ending


def charging(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge every charge in the log.

    Needs `charger_current`, or `battery_current` with plug or charger state; the rest is used where it is logged.
    Raises MissingPart, or NothingToCheck where no charge is in the log, nor a plug without one.
    """
    sessions = observations.charges
    signals = spread_in_time(signals)
    waiting = [_no_current(idle, signals) for idle in find_idle(signals, sessions)]
    if not sessions and not waiting:
        raise NothingToCheck("no charging current flows in this log")
    return waiting + [finding for session in sessions for finding in _findings(session, signals, vehicle)]


def _no_current(idle: Idle, signals: Signals) -> Finding:
    """Plugged in without current: a warning where one is requested and the battery is not full."""
    measured = {"lasted_s": Measured(idle.end_s - idle.start_s, "s")}
    if idle.asked_a is not None:
        measured["requested_A"] = Measured(idle.asked_a, "A")
    contradicted = idle.battery_a is not None
    if idle.battery_a is not None:
        measured["battery_A"] = Measured(idle.battery_a, "A")
    fails = idle.asked_a is not None and not idle.full and not contradicted
    return assemble(
        "charge.undetermined" if contradicted else "charge.no_current",
        Severity.WARNING if fails or (idle.fault and not contradicted) else Severity.INFO,
        text.no_current_words(idle),
        [(idle.start_s, idle.end_s)],
        measured,
        tuple(dict.fromkeys([idle.shown_by, *_PARTS, "charger_input_power", "charger_fault"])),
        signals,
    )


def _findings(session: Session, signals: Signals, vehicle: Vehicle) -> Iterator[Finding]:
    old = {} if takes_nothing(session, signals) else stale_since(session, signals)
    current_old_s = old.pop("charger_current", None) if session.current.of_charger else None
    signals = signals.without(
        {name: f"{part_name(name)} repeats one reading from {since_s:.0f} s on" for name, since_s in old.items()}
    )
    margins = find_margins(session, signals, vehicle)
    charge = Charge(
        session,
        find_amounts(session, signals),
        find_before(session, signals),
        margins,
        judge_regulation(session, signals, vehicle),
        find_taper(session, signals),
        find_ending(session, signals, vehicle, margins, current_old_s),
    )
    wrong = [
        *_over_limit(charge, signals),
        *_off_target(charge, signals, vehicle),
        *_not_stopping(charge, signals),
        *_while_enabled(charge, signals),
        *_plug_out(charge, signals),
    ]
    if takes_nothing(session, signals) or current_old_s is not None:
        wrong = []  # what the charger reports is not what happens to the battery
    yield from wrong
    if not any(finding.kind in ("charge.not_stopping", "charge.plug_out") for finding in wrong):
        yield _outcome(charge, signals, vehicle, bool(wrong))


def _outcome(charge: Charge, signals: Signals, vehicle: Vehicle, wrong: bool) -> Finding:
    """How the charge went and ended. The good end of a charge in which something was wrong informs, no more."""
    ending = charge.ending
    # a charger that gives all it can stands at its own rating, and reads beyond it half of the time
    doubtful = any(margin.left < 0 and not margin.of_charger for margin in charge.margins)
    repeated = any("repeats one reading" in reason for reason in signals.doubtful.values())
    kind, severity, words = {
        Outcome.COMPLETE: (
            "charge.complete",
            Severity.INFO if wrong or doubtful or repeated else Severity.GOOD,
            text.complete_words,
        ),
        Outcome.STOPPED: (
            "charge.stopped",
            Severity.INFO if ending.cause in _EXPECTED_ENDS else Severity.WARNING,
            text.stopped_words,
        ),
        Outcome.OPEN: ("charge.undetermined", Severity.INFO, text.undetermined_words),
    }[ending.outcome]
    return _finding(kind, severity, words(charge, signals), charge, signals, cause=ending.cause)


def _finding(
    kind: str, severity: Severity, words: Words, charge: Charge, signals: Signals, *, cause: str | None = None,
    spans: list[tuple[float, float]] | None = None, more: dict[str, Measured] | None = None,
    expected: dict[str, Measured] | None = None, parts: tuple[str, ...] = (), levels: tuple[Level, ...] = (),
) -> Finding:  # fmt: skip
    session = charge.session
    return assemble(
        kind,
        severity,
        words,
        spans or [(session.start_s, session.end_s)],
        (more or {}) | measured_of(charge),
        tuple(dict.fromkeys([*parts, *_PARTS])),
        signals,
        _evidence(charge, levels),
        expected=expected,
        cause=cause,
    )


def measured_of(charge: Charge) -> dict[str, Measured]:
    """All values of a session by their names, as far as they exist."""
    session, amounts, regulation = charge.session, charge.amounts, charge.regulation
    values: dict[str, Measured | None] = {
        "charge_Ah": amounts.charge,
        "energy_Wh": amounts.energy,
        "supplied_Wh": amounts.supplied,
        "efficiency_percent": amounts.efficiency,
        "plug_to_current_s": charge.before.plug,
        "charger_precharge_s": charge.before.precharge,
    }
    for step, name in ((Step.RISE, "rise"), (Step.CURRENT, "constant_current"), (Step.VOLTAGE, "constant_voltage")):
        phase = session.phase(step)
        if phase is None:
            continue
        values[f"{name}_s"] = Measured(phase.lasted_s, "s", max(phase.lasted_s - session.period_s, 0.0),
                                       phase.lasted_s + session.period_s)  # fmt: skip
        if step is Step.CURRENT:
            values[f"{name}_A"] = Measured(phase.current.value, "A", phase.current.low, phase.current.high)
        if step is Step.VOLTAGE and phase.voltage is not None:
            values[f"{name}_V"] = Measured(phase.voltage.value, "V", phase.voltage.low, phase.voltage.high)
    if charge.taper is not None:
        values["taper_time_constant_s"] = Measured(charge.taper.value_s, "s", charge.taper.low_s, charge.taper.high_s)
    if charge.ending.end_a is not None:
        values["end_current_A"] = Measured(charge.ending.end_a, "A")
    for name, error in (("current_error_A", regulation.current), ("voltage_error_V", regulation.voltage)):
        if error is not None:
            values[name] = Measured(error.value, error.unit, error.low, error.high)
    if regulation.overshoot_a is not None:
        values["overshoot_A"] = Measured(regulation.overshoot_a, "A")
    if regulation.delay_s is not None:
        low, high = regulation.delay_s
        values["start_delay_s"] = Measured((low + high) / 2, "s", low, high)
    values["temperature_rise_K"] = amounts.warmer
    values["load_A"] = amounts.load
    for margin in charge.margins:
        values[margin.name] = Measured(margin.left, "K" if margin.unit == "°C" else margin.unit)
    if session.missing_s:
        values["missing_s"] = Measured(session.missing_s, "s")
    return {name: value for name, value in values.items() if value is not None}


def _evidence(charge: Charge, levels: tuple[Level, ...]) -> Evidence:
    session = charge.session
    marks = [Mark(phase.start_s, phase.step.value) for phase in session.phases if phase.step is not Step.RISE]
    if not session.ends_cut:
        marks.append(Mark(session.end_s, "current ends"))
    curves: tuple[Curve, ...] = ()
    taper = charge.taper
    if taper is not None:
        time_s = np.linspace(taper.start_s, taper.end_s, _CURVE_POINTS)
        amps = taper.towards_a + taper_current_a(taper.start_a - taper.towards_a, taper.value_s, time_s - taper.start_s)
        if session.current.of_charger:
            curves = (Curve("fitted taper", "charger_current", time_s, amps),)
    window = (session.start_s - _AROUND_S, session.end_s + _AROUND_S)
    return Evidence(curves=curves, marks=tuple(marks), levels=levels, window=window)


def _over_limit(charge: Charge, signals: Signals) -> Iterator[Finding]:
    """One finding for all limits of one session that were passed beyond doubt; a charger's own rating warns only."""
    passed = [margin for margin in charge.margins if margin.passed]
    if not passed:
        return
    worst = min(passed, key=lambda margin: (margin.of_charger, margin.left / margin.doubt))
    spans = sorted({span for margin in passed for span in margin.over})
    yield _finding(
        "charge.over_limit",
        Severity.WARNING if worst.of_charger else Severity.DANGER,
        text.over_limit_words(worst, passed),
        charge,
        signals,
        spans=[(spans[0][0], max(end for _, end in spans))],
        more={margin.name: Measured(margin.left, "K" if margin.unit == "°C" else margin.unit) for margin in passed},
        parts=tuple(margin.part for margin in [worst, *passed]),
        levels=tuple(Level(m.limit, "limit", m.part) for m in passed if m.unit != "W"),
    )


def _off_target(charge: Charge, signals: Signals, vehicle: Vehicle) -> Iterator[Finding]:
    """Current or voltage beyond what chargers and their meters differ by; not twice what passes a limit."""
    regulation = charge.regulation
    passed = {margin.part for margin in charge.margins if margin.passed}
    for error in (regulation.current, regulation.voltage):
        if error is None or not error.off or (error.above and error.part in passed):
            continue
        short = error.unit == "A" and not error.above
        rated = vehicle.charging
        known = rated.charger_max_current_A is not None or rated.charger_max_power_W is not None
        fact = short and (error.limited or regulation.constant_power or not known)
        fact |= error.beyond_regulation and not error.above  # a request that is an upper limit, held by another voltage
        yield _finding(
            "charge.off_target",
            Severity.INFO if fact else Severity.WARNING,
            text.off_target_words(error, regulation, known),
            charge,
            signals,
            spans=[(error.start_s, error.end_s)],
            expected={f"{'current' if error.unit == 'A' else 'voltage'}_error_{error.unit}":
                      Measured(0.0, error.unit, -error.tolerance, error.tolerance)},
            parts=(error.part, f"{error.part}_target"),
        )  # fmt: skip


def _not_stopping(charge: Charge, signals: Signals) -> Iterator[Finding]:
    event = not_stopping(charge.session, signals)
    if event is None or event.into_battery is False:
        return
    yield _event(
        "charge.not_stopping",
        Severity.DANGER if event.into_battery else Severity.INFO if event.constant else Severity.WARNING,
        text.not_stopping_words(event),
        charge,
        signals,
        event,
    )


def _while_enabled(charge: Charge, signals: Signals) -> Iterator[Finding]:
    event = while_enabled(charge.session, signals)
    if event is not None:
        words = text.while_enabled_words(event)
        severity = Severity.INFO if event.constant else Severity.WARNING
        yield _event("charge.while_enabled", severity, words, charge, signals, event, parts=("inverter_state",))


def _plug_out(charge: Charge, signals: Signals) -> Iterator[Finding]:
    event = opened_under_current(charge.session, signals)
    if event is not None:
        words = text.plug_out_words(event)
        part = "charge_plug" if event.what == "plug" else "charge_lock"
        yield _event("charge.plug_out", Severity.WARNING, words, charge, signals, event, cause="plug", parts=(part,))


def _event(
    kind: str, severity: Severity, words: Words, charge: Charge, signals: Signals, event: Event, *,
    cause: str | None = None, parts: tuple[str, ...] = (),
) -> Finding:  # fmt: skip
    half = charge.session.current.noise_a + (charge.session.current.part.step or 0.0) / 4
    more = {
        "current_A": Measured(event.amps, "A", event.amps - 2 * half, event.amps + 2 * half),
        "lasted_s": Measured(event.end_s - event.start_s, "s"),
    }
    span = [(event.start_s, event.end_s)]
    return _finding(kind, severity, words, charge, signals, cause=cause, spans=span, more=more, parts=parts)
