"""Which cause findings are put down to, and when to none: tables by what a commissioning engineer would look at first.

Common practice of commissioning, no published source. The edges of what is claimed are worked out by Bayes' rule for
two causes of one sign: with priors a and b, each showing it with p beside a leak, P(a) : P(b alone) is about a : b.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from logscope.diagnosis import explain as explaining
from logscope.diagnosis.causes.all_causes import CAUSES
from logscope.diagnosis.explain import explain
from logscope.diagnosis.explanation import Explanation
from logscope.diagnosis.network import Node, posterior
from logscope.findings import Finding, Measured, Severity
from logscope.parts import PARTS


def finding(text: str, severity: Severity = Severity.WARNING, **measured: Measured) -> Finding:
    """“kind” or “kind/cause”."""
    kind, _, cause = text.partition("/")
    return Finding(kind, severity, 1.0, 1.1, kind, "", "", (), cause=cause or None, measured=measured)


RISES = {"rate_ratio_per_100A": Measured(3.0, "", 1.5, 6.0)}


@pytest.mark.parametrize(
    ("kinds", "cause"),
    [
        ("precharge.slow", "precharge_resistance"), ("precharge.slow precharge.drift", "precharge_resistance"),
        ("precharge.fast", "precharge_too_fast"), ("precharge.stalled", "load_on_link"),
        ("precharge.no_rise", "precharge_path_open"), ("precharge.interrupted", "precharge_relay_releases"),
        ("precharge.interrupted contactor.chatter", "precharge_relay_releases"),
        ("precharge.closed_early", "closing_rule"), ("precharge.bypassed", "precharge_bridged"),
        ("precharge.bypassed precharge.closed_early", "closing_rule"), ("dc_link.slow_discharge", "bleeder_open"),
        ("dc_link.stays_live", "bleeder_open"), ("contactor.welded", "contactor_welded"),
        ("contactor.welded dc_link.stays_live", "contactor_welded"),
        ("contactor.dropout contactor.chatter", "contactor_supply"),
        ("contactor.dropout driveline.judder", "contactor_supply"),
        ("contactor.opened_under_load", "opened_by_command"),
        ("battery.resistance trip.overcurrent/supply", "weak_pack"),
        ("regeneration.full_pack", "full_pack"), ("regeneration.full_pack regeneration.braking", "full_pack"),
        ("encoder.spike", "encoder_interference"), ("encoder.hold", "encoder_connection"),
        ("encoder.hold encoder.dropout", "encoder_connection"), ("encoder.ripple", "encoder_mounting"),
        ("encoder.ripple encoder.noise", "encoder_mounting"),
        ("current_control.oscillation/shaft", "encoder_mounting"), ("encoder.scale", "encoder_scale"),
        ("encoder.restart", "controller_restarts"), ("encoder.restart capture.message_silent", "controller_restarts"),
        ("current_control.oscillation current_control.response trip.overcurrent/oscillation", "loop_gain"),
        ("trip.overcurrent/demand", "quick_demand"),
        ("trip.overcurrent/demand current_control.response", "quick_demand"),
        ("trip.overcurrent/limit", "current_limit"), ("trip.overcurrent/sudden", "short_circuit"),
        ("throttle.tracks", "pedal"), ("throttle.jump throttle.noise", "pedal"),
        ("cooling.no_flow", "coolant_flow"), ("cooling.pump_off cooling.no_flow", "coolant_flow"),
        ("cooling.pump_dry cooling.no_flow", "coolant_missing"),
        ("cooling.air", "air_in_loop"), ("cooling.air cooling.pump_dry", "air_in_loop"),
        ("cooling.motor", "too_much_heat"), ("cooling.motor cooling.derating", "too_much_heat"),
        ("cooling.sensor_offset", "temperature_sensor"), ("aux.dip/loose_connection", "loose_low_voltage"),
        ("aux.dip/source_resistance", "low_voltage_resistance"), ("aux.supply/stopped", "converter_not_feeding"),
        ("aux.supply/never_ran aux.supply/empty_battery", "converter_not_feeding"),
        ("aux.supply/sagging", "converter_weak"), ("aux.supply/over_voltage", "converter_voltage"),
        ("aux.backfeed", "backfeed"), ("charge.off_target", "charger_settings"),
        ("charge.not_stopping", "charger_control"), ("charge.not_stopping charge.over_limit", "charger_control"),
        ("charge.over_limit", "charge_limit"), ("charge.stopped/communication", "charge_communication"),
        ("charge.stopped/communication bus.node_absent", "charge_communication"),
        ("charge.stopped/supply", "charge_supply"), ("charge.plug_out", "plug_pulled"),
        ("charge.plug_out charge.stopped/supply", "plug_pulled"), ("charge.while_enabled", "charge_interlock"),
        ("charge.stopped/temperature", "charge_stopped"), ("mapping.scale", "mapping"),
        ("mapping.scale machine.operating_points", "mapping"), ("mapping.no_value", "signal_unfilled"),
        ("bus.two_senders", "identifier_shared"), ("capture.time_step", "log_clock"),
    ],
)  # fmt: skip
def test_findings_are_put_down_to_what_one_would_look_at_first(kinds: str, cause: str) -> None:
    assert [each.cause for each in explain([finding(kind) for kind in kinds.split()], PARTS)] == [cause]


def test_a_rate_that_rises_with_current_points_to_interference() -> None:
    noise = finding("encoder.noise", Severity.INFO, **RISES)
    for kind in ("encoder.spike", "encoder.burst", "encoder.dropout"):
        assert [each.cause for each in explain([finding(kind), noise], PARTS)] == ["encoder_interference"]


@pytest.mark.parametrize(
    "kind",
    ["trip.overcurrent/undetermined", "trip.other", "charge.stopped/undetermined", "bus.node_absent",
     "battery.resistance", "driveline.judder"],
)  # fmt: skip
def test_what_anything_may_cause_or_a_sound_drive_shows_is_put_down_to_nothing(kind: str) -> None:
    assert explain([finding(kind)], PARTS) == ()


A, B, C = sorted(CAUSES)[:3]


def told(monkeypatch: pytest.MonkeyPatch, nodes: dict[str, Node], *kinds: str) -> tuple[Explanation, ...]:
    monkeypatch.setattr(explaining, "CAUSES", {name: replace(CAUSES[name], node=node) for name, node in nodes.items()})
    return explain([finding(kind) for kind in kinds], PARTS)


@pytest.mark.parametrize(("prior", "claimed"), [(0.031, True), (0.028, False)])
def test_a_cause_is_claimed_where_it_is_half_as_likely_again_as_its_rival(
    monkeypatch: pytest.MonkeyPatch, prior: float, claimed: bool
) -> None:
    found = told(monkeypatch, {A: Node(prior, {"spikes": 0.6}), B: Node(0.02, {"spikes": 0.6})}, "encoder.spike")
    assert [each.cause for each in found] == [A] * claimed


@pytest.mark.parametrize(("prior", "rival"), [(0.0019, ""), (0.0028, f"{CAUSES[B].title} (2 %)")])
def test_a_rival_is_named_from_two_percent_on(monkeypatch: pytest.MonkeyPatch, prior: float, rival: str) -> None:
    nodes = {A: Node(0.1, {"spikes": 0.6}), B: Node(prior, {"spikes": 0.6})}
    (found,) = told(monkeypatch, nodes, "encoder.spike")
    assert found.rival == rival


@pytest.mark.parametrize(("prior", "claimed"), [(0.18, True), (0.15, False)])
def test_a_finding_is_explained_where_it_is_likelier_to_have_a_cause_than_none(
    monkeypatch: pytest.MonkeyPatch, prior: float, claimed: bool
) -> None:
    """Bayes: prior·(1 − 0.9·0.5) against (1 − prior)·0.1: as likely at 0.154."""
    found = told(monkeypatch, {A: Node(prior, {"other_trip": 0.5})}, "trip.other")
    assert [each.cause for each in found] == [A] * claimed


@pytest.mark.parametrize(("rivals", "claimed"), [(2, True), (4, False)])
def test_a_single_cause_is_claimed_from_two_fifths_on(
    monkeypatch: pytest.MonkeyPatch, rivals: int, claimed: bool
) -> None:
    """0.04 against so many of 0.02 each, that is half, or a third."""
    nodes = {A: Node(0.04, {"spikes": 0.6})}
    nodes |= {name: Node(0.02, {"spikes": 0.6}) for name in sorted(CAUSES)[1 : 1 + rivals]}
    assert [each.cause for each in told(monkeypatch, nodes, "encoder.spike")] == [A] * claimed


def test_each_finding_goes_to_the_cause_that_shows_it_most_often(monkeypatch: pytest.MonkeyPatch) -> None:
    nodes = {
        A: Node(0.1, {"spikes": 0.8, "bursts": 0.2, "holds": 0.1}),
        B: Node(0.1, {"holds": 0.8, "bursts": 0.5, "ripple": 0.09}),
        C: Node(0.1, {"judder": 0.9}),
    }
    first, second = told(monkeypatch, nodes, "encoder.spike", "encoder.burst", "encoder.hold", "encoder.ripple")
    assert {first.cause: first.members, second.cause: second.members} == {A: (0,), B: (1, 2)}
    (alone,) = told(monkeypatch, {A: nodes[A]}, "encoder.spike", "encoder.hold")
    assert alone.members == (0, 1)


def test_what_speaks_for_and_against_is_named_the_clearest_first(monkeypatch: pytest.MonkeyPatch) -> None:
    shows = {"bursts": 0.3, "spikes": 0.6, "holds": 0.5, "ripple": 0.49, "speed_scale": 0.7, "pedal_noise": 0.9}
    (found,) = told(monkeypatch, {A: Node(0.1, shows)}, "encoder.burst", "encoder.spike")
    assert found.evidence_for == ("bursts of wrong motor speeds", "spikes of the motor speed")  # of its first member
    assert found.evidence_against == (
        "the motor speed agrees with other speeds", "the motor speed does not freeze",
    )  # fmt: skip
    assert (found.title, found.deciding_test, found.actions) == (CAUSES[A].title, CAUSES[A].test, CAUSES[A].actions)
    (other,) = told(monkeypatch, {A: Node(0.1, shows)}, "encoder.spike", "encoder.burst")
    assert other.evidence_for == ("spikes of the motor speed", "bursts of wrong motor speeds")


def test_only_what_holds_a_warning_is_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(explaining, "CAUSES", {A: replace(CAUSES[A], node=Node(0.5, {"silent": 0.9, "spikes": 0.5}))})
    silent = finding("capture.message_silent", Severity.INFO)
    assert explain([silent], PARTS) == ()
    (found,) = explain([silent, finding("encoder.spike")], PARTS)
    assert found.members == (1, 0)


def test_the_likelier_of_two_explanations_of_one_severity_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    nodes = {A: Node(0.01, {"spikes": 0.5}), B: Node(0.2, {"judder": 0.9})}
    found = told(monkeypatch, nodes, "encoder.spike", "driveline.judder")
    assert [each.cause for each in found] == [B, A]
    assert found[0].likelihood > found[1].likelihood


def test_signs_are_independent_given_the_causes_and_each_may_show_alone() -> None:
    """Pearl (1988), 4.3.2, worked by hand for two causes: P(u seen, w absent | both) with leaks of 0.1 and 0.2."""
    nodes = {"a": Node(0.3, {"u": 0.5, "w": 0.25}), "b": Node(0.2, {"u": 0.4})}
    found = posterior(nodes, frozenset({"u"}), frozenset({"w"}), {"u": 0.1, "w": 0.2})
    weights = {
        (): 0.7 * 0.8 * 0.1 * 0.8,
        ("a",): 0.3 * 0.8 * (1 - 0.9 * 0.5) * 0.8 * 0.75,
        ("b",): 0.7 * 0.2 * (1 - 0.9 * 0.6) * 0.8,
        ("a", "b"): 0.3 * 0.2 * (1 - 0.9 * 0.5 * 0.6) * 0.8 * 0.75,
    }
    whole = sum(weights.values())
    assert found.candidates == ("a", "b")
    assert found.chance("a") == pytest.approx((weights["a",] + weights["a", "b"]) / whole)
    assert found.chance("a", without="b") == pytest.approx(weights["a",] / whole)
    assert found.chance("a", "b") == pytest.approx(1 - weights[()] / whole)
    assert found.best == ("a",)
    assert found.share.sum() == pytest.approx(1.0)
    assert found.at_work.tolist() == [[False, False], [True, False], [False, True], [True, True]]
    five = posterior({name: Node(0.1, {"u": 0.5}) for name in "abcde"}, frozenset({"u"}), frozenset(), {"u": 0.1})
    assert five.at_work.shape == (1 + 5 + 10 + 10 + 5, 5)  # up to four at once


@pytest.mark.parametrize(("share", "explained"), [(0.1, ("a", "b")), (0.09, ("a",))])
def test_a_sign_is_put_down_to_what_shows_it_in_one_of_ten(share: float, explained: tuple[str, ...]) -> None:
    nodes = {"a": Node(0.3, {"u": 0.9}), "b": Node(0.001, {"w": share})}
    found = posterior(nodes, frozenset({"u", "w"}), frozenset(), {"u": 0.01, "w": 0.5})
    assert found.best == explained
