"""One event, one finding. No published source: which finding leads is the project's own choice."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from key_cycle_traces import FLAG_NAMES, Logging, hazel, play_log
from one_check import findings_of
from test_contactors import CHARGED, HAZEL, OFF_S, _dropped, _logged, _usual

from logscope.checks.merge_findings import _after_colon, merge_findings
from logscope.findings import Event, Finding, Severity
from logscope.pipeline import checks
from logscope.signals import Part, Signals
from logscope.simulate.circuits import Stage
from logscope.simulate.scenarios import KeyCycle
from logscope.vehicle import Limits, Vehicle


def _found(signals: Signals) -> list[Finding]:
    high_voltage = [run for name, run in checks() if name in ("precharge", "discharge", "contactors")]
    return [finding for run in high_voltage for finding in findings_of(run, signals, HAZEL)]


def _kinds(findings: list[Finding]) -> Counter[str]:
    return Counter(finding.kind for finding in findings)


def test_a_welded_contactor_is_the_cause_of_the_link_that_stays_live() -> None:
    found = _found(play_log(1, (KeyCycle(2.0, 12.0, welded=True),), 32.0, hazel(), Logging()).signals)
    assert _kinds(found)["contactor.welded"] == 1
    told = merge_findings(found)
    assert _kinds(told) == {"precharge.complete": 1, "dc_link.stays_live": 1}
    live = told[-1]
    weld = next(finding for finding in found if finding.kind == "contactor.welded")
    assert weld.explanation[1:] in live.explanation  # it continues a sentence
    assert live.next_step == weld.next_step
    assert live.measured["correlation"] == weld.measured["correlation"]
    assert live.severity is Severity.DANGER
    assert live.cause == ("welded" if weld.measured["correlation"].value is not None else None)


@pytest.mark.parametrize("flags", [FLAG_NAMES, ()])
@pytest.mark.parametrize("out_s", [0.4, 1.5])
def test_a_dropout_and_the_hard_closing_behind_it_are_one_event(out_s: float, flags: tuple[str, ...]) -> None:
    found = _found(_dropped(3, Logging(flags=flags), out_s))
    assert _kinds(found)["precharge.bypassed"] == 1
    told = merge_findings(found)
    assert _kinds(told) == {"precharge.complete": 1, "contactor.dropout": 1, "dc_link.discharged": 1}
    drop = next(finding for finding in told if finding.kind == "contactor.dropout")
    assert (drop.measured["step_V"].value or 0) > 50
    assert drop.measured["count"].value == 1


def test_a_closing_without_a_precharge_is_told_with_the_order_that_made_it() -> None:
    closed = _usual() | {"precharge_relay": [], "main_contactor": [(3.2, OFF_S)]}
    told = merge_findings(_found(_logged(1, (Stage(3.2, contactor=True), Stage(OFF_S)), closed)))
    assert _kinds(told) == {"precharge.bypassed": 1, "dc_link.discharged": 1}
    assert "Order of the contactors" in told[0].explanation


def test_events_apart_stay_apart() -> None:
    """A dropout in the drive, and a hard closing at another key-on."""
    signals = _logged(2, (*CHARGED, Stage(OFF_S)), _usual())
    assert _kinds(merge_findings(_found(signals))) == _kinds(_found(signals))
    found = _found(_dropped(3, Logging()))
    bypassed = next(finding for finding in found if finding.kind == "precharge.bypassed")
    later = [replace(f, start_s=f.start_s + 9, end_s=f.end_s + 9) if f is bypassed else f for f in found]
    assert _kinds(merge_findings(later))["precharge.bypassed"] == 1


@pytest.mark.parametrize(("peak_a", "kinds"), [(360.0, {"limits.margin"}), (340.0, {"limits.margin", "trip.near"})])
def test_a_current_above_its_limit_is_not_told_as_near_it_too(peak_a: float, kinds: set[str]) -> None:
    t = np.arange(0.0, 20.0, 0.01)
    amps = 100.0 + (peak_a - 100.0) * np.exp(-(((t - 8.0) / 0.3) ** 2))
    signals = Signals({"motor_current": Part("motor_current", t, amps, "A", "Inverter.Current", 0.1)}, 0.0, 20.0)
    limits = [run for name, run in checks() if name in ("limits", "trips")]
    found = [f for run in limits for f in findings_of(run, signals, Vehicle(limits=Limits(motor_current_A=350.0)))]
    assert {f.kind for f in merge_findings(found)} - {"trip.none"} == kinds


def test_a_trip_out_of_an_oscillation_is_not_beside_a_calm_loop() -> None:
    trip = Finding("trip.overcurrent", Severity.DANGER, 9.0, 9.1, "", "", "", (), cause="oscillation")
    calm = Finding("current_control.calm", Severity.GOOD, 0.0, 30.0, "", "", "", ())
    assert _kinds(merge_findings([trip, calm])) == {"trip.overcurrent": 1}
    sudden = replace(trip, cause="sudden")
    assert _kinds(merge_findings([sudden, calm])) == {"trip.overcurrent": 1, "current_control.calm": 1}


@pytest.mark.parametrize(
    ("sentence", "continued"),
    [
        ("The limit is passed", "the limit is passed"),
        ("A contactor", "a contactor"),
        ("DC link", "DC link"),
        ("12 V side", "12 V side"),
        ("", ""),
    ],
)
def test_a_sentence_goes_on_small_where_it_does_not_begin_with_a_name(sentence: str, continued: str) -> None:
    assert _after_colon(sentence) == continued


LIMIT = Finding("limits.margin", Severity.DANGER, 5.0, 5.1, "", "Passed.", "", ("motor_current",))
LEADING = {
    "trip.overcurrent": ("motor_current", Severity.DANGER),
    "trip.other": ("motor_current", Severity.DANGER),
    "charge.over_limit": ("battery_voltage", Severity.DANGER),
    "aux.supply": ("aux_voltage", Severity.WARNING),
    "aux.dip": ("aux_voltage", Severity.WARNING),
}


@pytest.mark.parametrize("kind", LEADING)
@pytest.mark.parametrize(
    ("times", "joined"), [((5.0,), True), ((5.0, 5.4), True), ((5.0, 60.0), False), ((60.0,), False)]
)
def test_a_limit_that_is_passed_elsewhere_too_stays_a_finding_of_its_own(
    kind: str, times: tuple[float, ...], joined: bool
) -> None:
    part, severity = LEADING[kind]
    leading = Finding(kind, severity, 4.9, 5.2, "", "Found.", "", (part,))
    passed = replace(LIMIT, severity=severity, parts=(part,), events=tuple(Event(at, at + 0.1) for at in times))
    assert _kinds(merge_findings([leading, passed])) == {kind: 1} | ({} if joined else {"limits.margin": 1})


@pytest.mark.parametrize("kind", LEADING)
def test_a_limit_of_another_part_is_no_part_of_it(kind: str) -> None:
    part, severity = LEADING[kind]
    leading = Finding(kind, severity, 4.9, 5.2, "", "Found.", "", (part,))
    other = replace(LIMIT, severity=severity, parts=("motor_temperature",), events=(Event(5.0, 5.1),))
    assert _kinds(merge_findings([leading, other])) == {kind: 1, "limits.margin": 1}


@pytest.mark.parametrize("kind", ["bus.node_restart", "bus.node_absent"])
def test_a_node_s_restart_takes_over_a_silence_only_where_all_of_it_is_the_node_s(kind: str) -> None:
    node = Finding(kind, Severity.WARNING, 5.0, 7.0, "", "Found.", "", ())
    for times, joined in (((5.1,), True), ((5.1, 40.0), False)):
        events = tuple(Event(at, at + 1.0) for at in times)
        silent = Finding("capture.message_silent", Severity.INFO, 5.1, 6.1, "", "", "", (), events=events)
        assert len(merge_findings([node, silent])) == (1 if joined else 2)
