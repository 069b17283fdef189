"""Findings are joined under the origin that explains them best.

Outside checks: the posterior of the network against a plain simulation of its generative model (numpy draws causes and
signs; those draws that show the observed signs are counted), and against Bayes' rule written out for one cause.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import replace

import numpy as np
import pytest

from logscope.diagnosis.causes.all_causes import CAUSES
from logscope.diagnosis.explain import explain
from logscope.diagnosis.network import MOST_CAUSES, Node, Posterior, posterior
from logscope.diagnosis.signs.all_signs import SIGNS, observe
from logscope.findings import Event, Finding, Measured, Severity
from logscope.parts import PARTS


def finding(
    kind: str,
    severity: Severity = Severity.WARNING,
    *,
    start_s: float = 1.0,
    cause: str | None = None,
    events: tuple[Event, ...] = (),
    **measured: Measured,
) -> Finding:
    return Finding(
        kind, severity, start_s, start_s + 0.1, kind, "", "", (), cause=cause, events=events, measured=measured
    )


LEAK = 0.01


def weighed(nodes: dict[str, Node], seen: set[str], absent: set[str]) -> Posterior:
    return posterior(nodes, frozenset(seen), frozenset(absent), dict.fromkeys(seen | absent, LEAK))


def causes_of(*findings: Finding) -> list[str]:
    return [each.cause for each in explain(findings, PARTS)]


# -- the network ------------------------------------------------------------------------------------


def test_one_cause_and_one_sign_follow_bayes_rule() -> None:
    nodes = {"fault": Node(0.1, {"seen": 0.8, "missed": 0.6})}
    found = weighed(nodes, {"seen"}, {"missed"})
    at_work = 0.1 * (1 - (1 - LEAK) * 0.2) * (1 - LEAK) * 0.4
    idle = 0.9 * LEAK * (1 - LEAK)
    assert found.chance("fault") == pytest.approx(at_work / (at_work + idle))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_posterior_is_the_share_of_simulated_logs_that_show_the_same_signs(seed: int) -> None:
    draw = np.random.default_rng(seed)
    names, signs = ("a", "b", "c"), ("u", "v", "w")
    shows = draw.uniform(0.1, 0.9, (3, 3))
    priors = draw.uniform(0.2, 0.5, 3)
    nodes = {n: Node(p, dict(zip(signs, row, strict=True))) for n, p, row in zip(names, priors, shows, strict=True)}

    count = 400_000
    at_work = draw.random((count, 3)) < priors
    shown = draw.random((count, 3)) < LEAK
    for cause in range(3):
        shown |= at_work[:, [cause]] & (draw.random((count, 3)) < shows[cause])
    alike = shown[:, 0] & shown[:, 1] & ~shown[:, 2]

    found = weighed(nodes, {"u", "v"}, {"w"})
    for index, name in enumerate(names):
        share = float(at_work[alike, index].mean())
        error = 4 * np.sqrt(share * (1 - share) / alike.sum())
        assert found.chance(name) == pytest.approx(share, abs=error)


def test_a_sign_that_could_not_be_looked_for_weighs_nothing() -> None:
    nodes = {"a": Node(0.1, {"seen": 0.8, "unknown": 0.9}), "b": Node(0.1, {"seen": 0.8})}
    found = weighed(nodes, {"seen"}, set())
    assert found.chance("a") == pytest.approx(found.chance("b"))
    assert weighed(nodes, {"seen"}, {"unknown"}).best == ("b",)


def test_thirty_causes_at_once_are_weighed_quickly_and_few_are_blamed() -> None:
    nodes = {f"cause {n}": Node(0.02, {"seen": 0.5, f"own {n}": 0.5}) for n in range(30)}
    found = weighed(nodes, {"seen"}, {f"own {n}" for n in range(29)})
    assert found.best == ("cause 29",)
    assert len(found.best) <= MOST_CAUSES


# -- the graph --------------------------------------------------------------------------------------


def test_every_sign_belongs_to_a_cause_and_every_cause_shows_known_signs() -> None:
    known = {sign.name for sign in SIGNS}
    shown = {sign for cause in CAUSES.values() for sign in cause.node.shows}
    assert len(known) == len(SIGNS)
    assert shown == known


def test_every_cause_says_what_to_do_and_how_to_decide() -> None:
    for cause in CAUSES.values():
        assert cause.actions, cause.name
        assert cause.test.endswith("."), cause.name
        assert all(action.endswith(".") for action in cause.actions), cause.name


def test_hands_are_asked_for_only_with_the_high_voltage_off_or_of_trained_people() -> None:
    hands_on = re.compile(r"\b(measure|insulation|inspect|unplug|tighten|continuity|busbar|pull one)\b", re.IGNORECASE)
    safe = re.compile(r"proven dead|trained|electrician|12 V")
    for cause in CAUSES.values():
        for text in (cause.test, *cause.actions):
            assert not hands_on.search(text) or safe.search(text), (cause.name, text)


# -- explanations -----------------------------------------------------------------------------------


def test_spikes_that_rise_with_current_and_the_trip_after_them_have_one_origin() -> None:
    findings = (
        finding("precharge.complete", Severity.GOOD),
        finding("encoder.spike"),
        finding("encoder.noise", rate_ratio_per_100A=Measured(3.5, "", 1.2, 9.0)),
        finding("trip.overcurrent", Severity.DANGER, cause="encoder"),
    )
    (found,) = explain(findings, PARTS)
    assert found.cause == "encoder_interference"
    assert found.members == (3, 1, 2)
    assert "spikes of the motor speed" in found.evidence_for
    assert found.likelihood > 0.9


def test_two_faults_of_unlike_subjects_are_two_explanations() -> None:
    found = causes_of(finding("precharge.slow"), finding("aux.supply", cause="stopped"))
    assert sorted(found) == ["converter_not_feeding", "precharge_resistance"]


def test_the_most_dangerous_explanation_comes_first() -> None:
    found = causes_of(finding("precharge.slow"), finding("regeneration.full_pack", Severity.DANGER))
    assert found == ["full_pack", "precharge_resistance"]


def test_contactors_that_drop_out_with_the_12_volt_side_are_put_down_to_it() -> None:
    dips = finding("aux.dip", cause="loose_connection", events=(Event(5.0, 5.2), Event(9.0, 9.1)))
    dropout = finding("contactor.dropout", Severity.DANGER, start_s=9.05)
    found = explain((dips, dropout), PARTS)
    assert [each.cause for each in found] == ["loose_low_voltage"]
    assert found[0].members == (1, 0)


def test_a_dropout_beside_a_sound_12_volt_side_is_the_contactors_own() -> None:
    found = explain((finding("aux.dip", Severity.GOOD), finding("contactor.dropout", Severity.DANGER)), PARTS)
    assert [each.cause for each in found] == ["contactor_supply"]


def test_a_worn_12_volt_battery_and_the_precharge_that_it_breaks_off_have_one_origin() -> None:
    """A battery reads low at rest and dips under load for one reason; which a log shows depends on when."""
    empty, dips = finding("aux.supply", cause="empty_battery"), finding("aux.dip", cause="source_resistance")
    broken = finding("precharge.interrupted", Severity.DANGER)
    for shown in ((empty, broken), (dips, broken), (empty, dips, broken), (empty,)):
        assert causes_of(*shown) == ["low_voltage_resistance"]


def test_an_oscillation_that_follows_the_shaft_comes_from_the_encoder_and_not_from_the_loop() -> None:
    clean = finding("encoder.clean", Severity.GOOD)
    assert causes_of(finding("current_control.oscillation", cause="shaft"), clean) == ["encoder_mounting"]
    assert causes_of(finding("current_control.oscillation", cause="undetermined"), clean) == []
    assert causes_of(finding("current_control.oscillation", Severity.DANGER), clean) == ["loop_gain"]


def test_nothing_is_explained_where_nothing_is_wrong() -> None:
    quiet = [finding(kind, Severity.GOOD) for kind in ("precharge.complete", "encoder.clean", "trip.none")]
    noted = finding("encoder.noise", Severity.INFO, rate_ratio_per_100A=Measured(2.0, "", 1.1, 4.0))
    assert explain([*quiet, noted, finding("capture.message_silent", Severity.INFO)], PARTS) == ()


def test_a_limit_that_is_passed_beside_nothing_else_stands_by_itself() -> None:
    low = finding("limits.margin", aux_min_margin_V=Measured(-0.4, "V", None, -0.4))
    assert explain((low, finding("aux.supply", Severity.GOOD), finding("aux.dip", Severity.GOOD)), PARTS) == ()


def test_neither_of_two_causes_is_claimed_where_one_is_as_likely_as_the_other() -> None:
    """A link that stays live, with the pack's voltage not logged: a welded contactor and an open bleeder look alike."""
    live = finding("dc_link.stays_live", Severity.DANGER)
    sound = (finding("contactor.sound", Severity.GOOD), finding("precharge.complete", Severity.GOOD))
    for beside in ((), sound):
        for logged in (("dc_link_voltage",), ("dc_link_voltage", "precharge_relay", "main_contactor")):
            assert explain((live, *beside), logged) == ()
    held = finding("dc_link.stays_live", Severity.DANGER, cause="welded")
    assert [each.cause for each in explain((held,), PARTS)] == ["contactor_welded"]
    assert [each.cause for each in explain((live,), PARTS)] == ["bleeder_open"]


def test_a_finding_that_no_cause_explains_is_a_member_of_none() -> None:
    findings = (finding("precharge.slow"), finding("unheard.of", Severity.DANGER))
    assert [each.members for each in explain(findings, PARTS)] == [(0,)]


def test_what_a_cause_usually_shows_and_was_looked_for_stands_against_it() -> None:
    flat = finding("encoder.noise", Severity.INFO, rate_ratio_per_100A=Measured(1.0, "", 0.8, 1.2))
    (found,) = explain((finding("encoder.dropout"), flat), PARTS)
    assert found.cause == "encoder_connection"
    assert "the motor speed does not freeze" in found.evidence_against
    assert found.rival.startswith("Interference")


def test_few_disturbances_do_not_rule_out_that_they_rise_with_current() -> None:
    wide = finding("encoder.noise", Severity.INFO, rate_ratio_per_100A=Measured(1.0, "", 0.1, 9.0))
    (found,) = explain((finding("encoder.spike"), wide), PARTS)
    assert "disturbances that rise with current were not shown" not in found.evidence_against
    assert found.rival


# -- when a sign is seen ----------------------------------------------------------------------------


def seen(*findings: Finding) -> set[str]:
    return set(observe(findings, PARTS).seen)


def absent(*findings: Finding, logged: Collection[str] = PARTS) -> set[str]:
    return set(observe(findings, logged).absent)


def test_a_good_result_shows_no_sign_and_rules_out_those_of_its_topic() -> None:
    good = finding("encoder.clean", Severity.GOOD)
    assert not seen(good)
    assert {"spikes", "holds"} <= absent(good)
    assert "slow" not in absent(good)
    assert not absent(finding("encoder.undetermined", Severity.INFO))


def test_a_sign_is_absent_only_where_its_parts_are_logged() -> None:
    one_track = finding("throttle.jump")
    assert "pedal_tracks" in absent(one_track)
    assert "pedal_tracks" not in absent(one_track, logged=("throttle",))
    broken, sound = finding("precharge.interrupted", Severity.DANGER), finding("contactor.sound", Severity.GOOD)
    assert {"chatter", "order"} <= absent(broken, sound)
    assert not {"chatter", "order"} & absent(broken, sound, logged=("dc_link_voltage", "battery_voltage"))
    (found,) = explain((broken, sound), ("dc_link_voltage", "battery_voltage"))
    assert found.cause == "precharge_relay_releases"
    no_pump = finding("cooling.no_flow", Severity.WARNING)
    assert not {"pump_off", "pump_stopped", "pump_dry"} & absent(no_pump, logged=("motor_temperature",))


def test_a_precharge_that_stalls_without_a_measured_load_does_not_rule_one_out() -> None:
    assert "load_on_link" not in absent(finding("precharge.stalled", Severity.DANGER))
    assert "load_on_link" in absent(finding("precharge.slow"))


def test_a_limit_is_kept_only_where_it_was_measured() -> None:
    motor = finding("limits.margin", Severity.GOOD, motor_current_margin_A=Measured(40.0, "A"))
    assert "current_limit" in absent(motor)
    assert "battery_low" not in absent(motor)


def test_a_charge_that_ends_for_no_logged_reason_has_no_likely_origin() -> None:
    """Supply, plug, charger and supervision may each have ended it: none is claimed, for none is seen."""
    assert causes_of(finding("charge.stopped", cause="undetermined")) == []
    assert causes_of(finding("charge.stopped", cause="fault")) == ["charge_stopped"]
    assert causes_of(finding("charge.stopped", cause="supply")) == ["charge_supply"]


@pytest.mark.parametrize(("rivals", "claimed"), [(0, 1), (1, 1), (6, 0)])
def test_a_cause_among_many_rivals_is_not_claimed(rivals: int, claimed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """By Bayes' rule about 0.3 beside six of less than half its weight: too little to help a reader (judgement)."""
    first, *others = sorted(CAUSES)
    made = {first: replace(CAUSES[first], node=Node(0.1, {"spikes": 0.6}))}
    made |= {name: replace(CAUSES[name], node=Node(0.04, {"spikes": 0.6})) for name in others[:rivals]}
    monkeypatch.setattr("logscope.diagnosis.explain.CAUSES", made)
    assert [each.cause for each in explain((finding("encoder.spike"),), PARTS)] == [first] * claimed


def test_a_link_that_stays_live_is_not_said_to_discharge_in_time() -> None:
    live, fast = finding("dc_link.stays_live", Severity.DANGER), finding("dc_link.discharged", Severity.GOOD)
    assert "slow_discharge" not in absent(live)
    assert "slow_discharge" in absent(live, fast)
    (found,) = explain((live,), PARTS)
    assert "another discharge of the link is in time" not in found.evidence_against


def test_marks_for_no_value_are_no_sign_of_a_wrong_mapping() -> None:
    assert "mapping" in seen(finding("mapping.scale"))
    assert seen(finding("mapping.no_value")) == {"unfilled"}
    assert not seen(finding("mapping.no_value", Severity.INFO))


def test_a_load_on_the_link_is_seen_where_one_was_measured_and_more_than_good() -> None:
    load = {"parallel_load_ohm": Measured(900.0, "Ω")}
    assert "load_on_link" in seen(finding("precharge.stalled", Severity.DANGER, **load))
    assert "load_on_link" not in seen(finding("precharge.complete", Severity.GOOD, **load))
    assert "load_on_link" not in seen(finding("precharge.stalled", Severity.DANGER))
    assert "load_on_link" not in seen(finding("charge.complete", Severity.INFO, **load))


@pytest.mark.parametrize(("margin_V", "is_seen"), [(-0.1, True), (0.0, False), (0.4, False), (None, False)])
def test_a_limit_is_passed_where_its_margin_is_negative(margin_V: float | None, is_seen: bool) -> None:
    low = finding("limits.margin", aux_min_margin_V=Measured(margin_V, "V"))
    assert ("aux_low" in seen(low)) is is_seen
    assert "aux_low" not in seen(finding("limits.margin", Severity.INFO, aux_min_margin_V=Measured(-1.0, "V")))
    assert "battery_low" not in seen(low)


@pytest.mark.parametrize(("ratio", "is_seen"), [(1.1, True), (1.0, False), (None, False)])
def test_a_rate_rises_where_its_lower_limit_is_above_one(ratio: float | None, is_seen: bool) -> None:
    noise = finding("encoder.noise", rate_ratio_per_100A=Measured(2.0, "", ratio, 9.0))
    assert ("rises_with_current" in seen(noise)) is is_seen


@pytest.mark.parametrize(
    ("dip_s", "kind", "severity", "is_seen"),
    [
        (4.8, "contactor.dropout", Severity.WARNING, True),
        (5.35, "contactor.dropout", Severity.WARNING, True),
        (5.45, "contactor.dropout", Severity.WARNING, False),
        (4.55, "contactor.dropout", Severity.WARNING, False),
        (5.0, "contactor.opened_under_load", Severity.WARNING, False),
        (5.0, "encoder.restart", Severity.INFO, False),
    ],
)
def test_what_falls_out_within_a_third_of_a_second_of_a_dip_falls_out_at_it(
    dip_s: float, kind: str, severity: Severity, is_seen: bool
) -> None:
    dip = finding("aux.dip", cause="loose_connection", events=(Event(dip_s, dip_s + 0.1),))
    assert ("switches_at_dips" in seen(dip, finding(kind, severity, start_s=5.0))) is is_seen
    quiet = finding("aux.dip", Severity.INFO, events=(Event(5.0, 5.1),))
    assert "switches_at_dips" not in seen(quiet, finding("contactor.dropout", start_s=5.0))
