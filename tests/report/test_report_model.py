"""Findings numbered, ordered and put into words: each text and number by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from small_result import GOOD, NB, ORIGIN, RESULT, SIGNALS, SLOW, SPIKES, START, TRIP, T, finding, shown

from logscope.checks.needs import Needs, Readiness
from logscope.findings import CAUTION_HV, Curve, Evidence, Finding, Level, Mark, Measured, NotChecked, Severity
from logscope.report import model, seal, story
from logscope.report.readiness_terminal import print_parts, print_readiness
from logscope.report.words import GLOSSARY, cause_words, check_name, glossary_of, value_name
from logscope.signals import Part


def test_findings_are_numbered_with_their_times_values_and_episodes() -> None:
    numbered = model.number_findings(RESULT)
    assert [(each.number, each.finding.title) for each in numbered] == [
        (1, "trip"),
        (2, "slow"),
        (3, "spikes"),
        (4, "sound"),
    ]
    assert [each.when for each in numbered][:2] == [f"34.000 to 35.000{NB}s", f"2.000 to 3.000{NB}s"]
    assert numbered[1].clock == "09:00:02.250 UTC"
    assert [each.cause for each in numbered] == ["a speed disturbance (encoder)", "", "", ""]
    assert numbered[2].episodes == (f"18.000 to 18.100{NB}s", f"20.000 to 20.500{NB}s")
    assert numbered[1].values == (
        model.ValueRow("Time constant", f"210{NB}ms", f"200 to 220{NB}ms", f"150{NB}ms (120 to 180{NB}ms)"),
        model.ValueRow("Fraction of pack voltage at closing", f"95.0{NB}%", f"94.0 to 96.0{NB}%", ""),
        model.ValueRow("Extrapolated beyond the log", "yes", "", ""),
        model.ValueRow("Voltage at the start", "not determined", "", ""),
        model.ValueRow("Energy of this attempt in the resistor", "", "", f"at most 400{NB}J"),
    )


@pytest.mark.parametrize(
    ("findings", "actions", "said"),
    [
        ((SLOW, replace(TRIP, caution="Stop.")), (), ("Stop.", CAUTION_HV)),  # that of the gravest first
        ((SLOW, SLOW), ("Make it proven dead.",), (CAUTION_HV,)),
        ((GOOD,), ("Make it proven dead.",), (CAUTION_HV,)),
        ((GOOD,), ("Look.",), ()),
    ],
)
def test_each_caution_is_said_once(
    findings: tuple[Finding, ...], actions: tuple[str, ...], said: tuple[str, ...]
) -> None:
    origins = (replace(ORIGIN, members=(0,), actions=actions),) if actions else ()
    assert model.cautions(replace(RESULT, findings=findings, explanations=origins)) == said


def attempt(kind: str, start_s: float, **values: Measured) -> Finding:
    return finding(kind, Severity.GOOD, start_s, kind, measured=values)


def test_all_attempts_of_a_precharge_stand_in_order_of_time() -> None:
    first = attempt(
        "precharge.no_rise", 9.0, time_constant_s=Measured(0.1, "s", 0.09, 0.11), start_voltage_V=Measured(1.0, "V"),
        end_voltage_V=Measured(2.0, "V"), fraction_reached=Measured(0.03, ""),
        close_difference_V=Measured(None, "V", None, 4.0),
    )  # fmt: skip
    made = (
        first,
        attempt("precharge.complete", 2.0),
        attempt("precharge.drift", 0.0),
        attempt("dc_link.discharged", 1.0),
    )
    numbered = model.number_findings(replace(RESULT, findings=made))
    one, two = model.attempt_rows(numbered)
    assert (one.when, one.outcome, one.values) == (f"2.000 to 3.000{NB}s", "complete", ("–",) * 5)
    assert (two.when, two.outcome) == (f"9.000 to 10.000{NB}s", "no rise")
    assert two.values == (f"100{NB}ms (90 to 110{NB}ms)", f"1{NB}V", f"2{NB}V", f"3{NB}%", f"at most 4{NB}V")
    assert two.number == next(each.number for each in numbered if each.finding is first)
    assert [heading for _, heading in model.ATTEMPT_VALUES] == [
        "Time constant", "Start", "Final voltage", "Reached", "Difference at closing"
    ]  # fmt: skip
    assert model.attempt_rows(model.number_findings(replace(RESULT, findings=made[1:]))) == ()


def test_each_mapped_part_has_its_row() -> None:
    rows = model.part_rows(replace(RESULT, sources={"motor_speed": "", "throttle": "Pedal.Position"}))
    assert rows == [
        model.PartRow("Motor speed", "Motion.Speed", "400", f"100.0{NB}ms", ""),
        model.PartRow("Throttle", "Pedal.Position", "0", "", "the message never occurs"),
        model.PartRow("Torque", "Motion.Torque", "40", f"1{NB}s", "in doubt: see above"),
    ]


@pytest.mark.parametrize(
    ("start", "text"),
    [(START, "2026-03-01 09:00:00.250 UTC"), (None, "the log has no date")],
)
def test_the_head_of_the_report(start: datetime | None, text: str) -> None:
    made = replace(RESULT, capture=replace(RESULT.capture, start_utc=start))
    assert model.capture_facts(made) == [
        ("Vehicle", "Hazel"),
        ("Start", text),
        ("Length", f"40.00{NB}s"),
        ("Frames", "9"),
    ]


def test_abbreviations_are_those_of_all_that_is_shown() -> None:
    at = np.array([0.0, 1.0])
    evidence = Evidence(
        curves=(Curve("the EMI", "torque", at, at),), marks=(Mark(1.0, "an IGBT"),), levels=(Level(1.0, "the PWM",
        "torque"),)
    )  # fmt: skip
    made = replace(
        RESULT,
        not_checked=(NotChecked("x", "no OCV"),),
        findings=(replace(SLOW, evidence=evidence, caution="An ESR."),),
    )
    terms = [term for term, _ in model.glossary(made, model.number_findings(made))]
    assert terms == [
        "95 % interval", "EMI", "ESR", "IGBT", "J", "Nm", "OCV", "PWM", "rpm", "time constant", "UTC"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "terms"),
    [
        ("2 V", ["V"]), ("VV", []), ("a DC-link", ["DC", "DC link"]), ("Time Constant", ["time constant"]), ("pwm", []),
        ("PWM, ACE", ["PWM"]), ("the id", []),
    ],
)  # fmt: skip
def test_an_abbreviation_is_a_word_of_its_own(text: str, terms: list[str]) -> None:
    assert [term for term, _ in glossary_of([text])] == terms
    assert all(GLOSSARY[term] == meaning for term, meaning in glossary_of([text]))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("start_voltage_V", "Voltage at the start"), ("end_voltage_V", "Voltage at the end"),
        ("fraction_at_close", "Fraction of pack voltage at closing"),
        ("fraction_reached", "Fraction of pack voltage reached"),
        ("resistor_energy_J", "Energy of this attempt in the resistor"), ("link_high_V", "Link voltage, highest"),
        ("resistor_heat_J", "Energy stored in the resistor, earlier attempts included"),
        ("link_low_V", "Link voltage, lowest"), ("lowest_V", "Lowest reading"), ("deepest_V", "Deepest dip"),
        ("battery_level_V", "Level without the converter"), ("converter_level_V", "Level with the converter"),
        ("driving_percent", "Time spent driving"), ("braking_percent", "Time spent braking"),
        ("from_percent", "Skipped from"), ("to_percent", "Skipped to"), ("drawn_Wh", "Energy drawn"),
        ("returned_Wh", "Energy returned"), ("rest_percent", "Reading at rest"), ("noise_percent", "Noise at rest"),
        ("constant_current_s", "Duration of constant current"), ("constant_voltage_V", "Voltage that is held"),
        ("constant_voltage_s", "Duration of constant voltage"), ("constant_current_A", "Current that is held"),
        ("mean_load_percent", "Load on average"), ("busiest_load_percent", "Load in the busiest second"),
        ("transmit_error_count", "Transmit errors counted"), ("receive_error_count", "Receive errors counted"),
        ("energy_Wh", "Energy delivered"), ("supplied_Wh", "Energy from the mains"), ("charge_Ah", "Charge"),
        ("slower_constant_s", "Slower time constant"), ("faster_constant_s", "Faster time constant"),
        ("cell_voltage_margin_V", "Margin to the highest cell voltage"), ("value_C", "This sensor"),
        ("others_C", "The other sensors"), ("current_error_A", "Current less request"),
        ("voltage_error_V", "Voltage less request"), ("less_Nm", "Torque target falls by"),
        ("charge_current_margin_A", "Margin to the highest charging current of the battery"),
        ("charger_current_margin_A", "Margin to the highest current of the charger"),
        ("continuous_rise_K", "Rise at the continuous current"), ("sag_V", "Sag at the highest power"),
        ("continuous_end_temperature_C", "End temperature at the continuous current"),
        ("swing_Hz", "Oscillation frequency"), ("judder_Hz", "Judder frequency"),
        ("motor_current_margin_A", "Margin to the highest motor current"),
        ("battery_min_margin_V", "Margin to the lowest battery voltage"),
        ("aux_max_margin_V", "Margin to the highest 12 V supply voltage"),
        ("cell_min_near_count", "Times near the limit: lowest cell voltage"),
        ("charger_power_margin_W", "Margin to the highest power of the charger"), ("phase_margin_deg", "Phase margin"),
        ("pack_voltage_margin_V", "Margin to the highest battery voltage"), ("rms_current_A", "RMS current"),
        ("battery_cold_margin_K", "Margin to the lowest battery temperature"), ("soc_percent", "SOC"),
        ("battery_temperature_max_margin_K", "Margin to the highest battery temperature"),
        ("dc_link_max_near_percent", "Share of time near the limit: highest DC-link voltage"),
        ("slope_V_per_s", "Slope"),
    ],
)  # fmt: skip
def test_a_margin_names_its_limit(name: str, text: str) -> None:
    assert value_name(name) == text


@pytest.mark.parametrize(
    ("kind", "cause", "words"),
    [
        ("trip.overcurrent", "supply", "a change of the DC-link supply (link voltage, contactor or battery)"),
        ("charge.stopped", "supply", "the mains supply failed"),
        ("charge.stopped", "temperature", "a temperature limit was reached"),
        ("charge.stopped", "limit", "a voltage limit was reached"),
        ("trip.overcurrent", "limit", "a limit below the demand"),
        ("aux.supply", "sagging", "a converter below its set-point"),
        ("aux.supply", "over_voltage", "a converter above its set-point"),
        ("aux.supply", "stopped", "a converter that stopped"), ("aux.supply", "never_ran",
        "a converter that did not start"),
        ("trip.other", None, ""), ("trip.other", "new_word", "new_word"),
    ],
)  # fmt: skip
def test_a_cause_is_put_into_the_words_of_its_check(kind: str, cause: str | None, words: str) -> None:
    assert cause_words(kind, cause) == words
    assert (check_name("aux_supply"), check_name("dc_link")) == ("12 V side", "dc link")


@pytest.mark.parametrize(
    ("likelihood", "text"),
    [(1.0, "Very likely (99 %)"), (0.95, "Very likely (95 %)"), (0.949, "Likely (95 %)"), (0.8, "Likely (80 %)"),
     (0.799, "More likely than not (80 %)"), (0.5, "More likely than not (50 %)"), (0.499, "Possible (50 %)"),
     (0.0, "Possible (0 %)")],
)  # fmt: skip
def test_a_likelihood_in_words(likelihood: float, text: str) -> None:
    assert story.likelihood_text(likelihood) == text


def test_cards_are_origins_and_what_none_explains() -> None:
    numbered = model.number_findings(RESULT)
    origin, alone = story.cards(RESULT, numbered)
    assert origin == story.Card(
        Severity.DANGER, "The encoder’s cable", "Likely (85 %)", numbered[0], (numbered[0], numbered[2]),
        ORIGIN.actions,
        ("it spikes", "it trips"), ("no ripple",), "the bearing", "Swap the cable.",
    )  # fmt: skip
    assert alone == story.Card(Severity.WARNING, "slow", "", numbered[1], (numbered[1],), ("Look at slow.",))
    assert (origin.cautions, alone.cautions) == ((CAUTION_HV,), (CAUTION_HV,))
    mild = replace(
        RESULT,
        findings=(SLOW, replace(GOOD, severity=Severity.INFO), TRIP, replace(SPIKES, next_step="")),
        explanations=(),
    )
    assert [(card.title, card.actions) for card in story.cards(mild, model.number_findings(mild))] == [
        ("trip", ("Look at trip.",)), ("slow", ("Look at slow.",)), ("spikes", ()),
    ]  # fmt: skip


def test_doubts_of_the_mapping_come_first_where_they_warn() -> None:
    doubt, left_out = (
        finding("mapping.x", severity, 50.0, severity.value) for severity in (Severity.WARNING, Severity.INFO)
    )
    late = replace(TRIP, start_s=float("nan"), title="untimed")
    order = model.in_order([GOOD, left_out, late, TRIP, doubt, SLOW])
    assert [each.title for each in order] == ["warning", "trip", "untimed", "slow", "info", "sound"]


def test_a_seal_is_that_of_zlib() -> None:
    """CRC-32 of “123456789” is CBF43926 (ITU-T V.42; the usual check value)."""
    assert seal.sealed("123456789", "1.0") == "123456789Written by logscope 1.0, seal cbf43926.\n"
    text = seal.sealed("a\nb\n", "1.0+x").encode()
    assert seal.is_untouched(text)
    assert seal.is_untouched(text.replace(b"\n", b"\r\n"))
    assert not any(
        map(seal.is_untouched, (b"", b"a\n", text[:-1], text + b"\n", text.replace(b"a", b"b"), b"c" + text))
    )


def test_what_can_be_checked_and_what_is_wanted() -> None:
    def needs(check: str, *any_of: tuple[str, ...], loads: bool = False) -> Needs:
        return Needs(check, f"is {check} well", any_of, {}, {}, loads)

    checks = [
        Readiness(needs("dc_link"), True, (), (), {"torque": "the power"}, {"link.C_uF": "the time"}),
        Readiness(
            needs("aux_supply", loads=True), False, (("torque", "torque_target"), ("throttle",)), ("a.b", "c.d"), {}, {}
        ),
        Readiness(needs("throttle"), False, (("throttle",),), (), {}, {}),
        Readiness(needs("cooling"), True, (), (), {}, {}),
    ]
    assert shown(lambda console: print_readiness("Hazel", checks, console)).splitlines() == [
        "Hazel: 2 of 4 checks can run.",
        "can run    dc link: is dc_link well?",
        "           More with: torque (the power); link.C_uF (the time).",
        "cannot run 12 V side: is aux_supply well?",
        "           Map torque and torque target, or throttle or a [[load]].",
        "           Enter one or more of a.b, c.d.",
        "cannot run throttle: is throttle well?",
        "           Map throttle.",
        "can run    cooling: is cooling well?",
    ]


def test_each_mapped_signal_of_a_log_on_the_terminal() -> None:
    signals = replace(SIGNALS, parts={**SIGNALS.parts, "gear": Part("gear", T[:1], T[:1], "", "X.Gear")})
    sources = {**RESULT.sources, "gear": "X.Gear", "brake": "X.Brake", "ignition": "X.Key"}
    odd = replace(signals, doubtful={"brake": "it is odd"})
    assert shown(lambda console: print_parts(odd, sources, console)).splitlines() == [
        "Mapped signals in this log",
        f"Motor speed: Motion.Speed: 400 samples, every 100.0{NB}ms",
        f"Torque: Motion.Torque: 40 samples, every 1{NB}s",
        "Throttle: Pedal.Position: the message never occurs",
        "Gear: X.Gear: 1 sample",
        "Brake: X.Brake: it is odd",
        "Ignition: X.Key: not in this log",
    ]
