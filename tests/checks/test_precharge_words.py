"""What a precharge finding says, sentence by sentence, of made outcomes; the numbers in each by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from precharge_pieces import ATTEMPT, about, closed, fitted, judged, measured, sound

from logscope.checks.precharge.compare import BY_SETTLING, BY_SLOWNESS, Constant, Verdict
from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.text import (
    _closing,
    _constant,
    _heat,
    _off_by,
    _shape,
    _title,
    _where_it_ended,
    no_rise_heat,
)
from logscope.checks.precharge.text import describe as words_of
from logscope.curves.rise_shapes import Shape
from logscope.findings import Measured

EARLY = {
    "fraction_at_close": Measured(0.8, "1", 0.79, 0.81),
    "close_difference_V": Measured(70.0, "V"),
    "inrush_bound_A": Measured(1500.0, "A"),
}
SLOW, FAST = Constant(Verdict.SLOW, about(0.27)), Constant(Verdict.FAST, about(0.06))
BOTH = (about(0.30), about(0.05))


def plain(text: str) -> str:
    return text.replace("\xa0", " ")


@pytest.mark.parametrize(
    ("one", "title"),
    [
        (
            judged("complete", None, measured(start_v=336.0)),
            "Precharge: hot restart, the link still held 96.0 % of the pack voltage",
        ),
        (judged("complete", sound()), "Precharge complete: time constant 150 ms, expected 150 ms ± 20 %"),
        (judged("complete", sound(), expected_s=None), "Precharge complete: time constant 150 ms"),
        (
            judged("complete", sound(), measured(pack=None)),
            "Precharge curve as expected, pack voltage unknown: time constant 150 ms, expected 150 ms ± 20 %",
        ),
        (
            judged("complete"),
            "Precharge complete: settled at 99.7 % of the pack voltage; sensing lag and RC cannot be distinguished",
        ),
        (
            judged("complete", None, measured(pack=None)),
            "Precharge: settled at 349 V; sensing lag and RC cannot be distinguished",
        ),
        (
            judged("fast", None, bound_s=0.03),
            "Precharge fast: time constant at most 30 ms, expected 150 ms ± 20 %, at least 5.00 × too fast",
        ),
        (judged("slow", SLOW), "Precharge slow: time constant 270 ms, expected 150 ms ± 20 %, 1.80 × too slow"),
        (judged("fast", FAST), "Precharge fast: time constant 60 ms, expected 150 ms ± 20 %, 2.50 × too fast"),
        (
            judged("stalled", None, measured(reached_v=210.0)),
            "Incomplete precharge: stalled at 60.0 % of the pack voltage",
        ),
        (
            judged("interrupted", None, measured(reached_v=175.0)),
            "Incomplete precharge: interrupted at 50.0 % of the pack voltage",
        ),
        # the middle of 270 and 290 V, whatever the link reached afterwards
        (
            judged("closed_early", None, measured(closing=closed(270.0, 290.0))),
            "Contactor closed early, at 80.0 % of the pack voltage",
        ),
        (
            judged("bypassed", None, measured(start_v=20.0), bound_s=0.01),
            "No precharge: the link jumped by 329 V past the resistor",
        ),
        (judged("undetermined"), "Precharge: rose to 349 V, outcome cannot be determined"),
    ],
)
def test_the_title_says_the_outcome_and_its_number(one: Judged, title: str) -> None:
    assert _title(one) == title


@pytest.mark.parametrize(
    ("one", "values", "said"),
    [
        (judged("complete"), {}, "It reached 99.7 % of the pack's 350.0 V. No closing is seen."),
        (
            judged("complete", None, measured(pack=None)),
            {},
            "It reached 349.0 V. Pack voltage unknown, no closing seen.",
        ),
        (
            judged("complete", None, measured(start_v=340.0)),
            {},
            "The link was above the closing threshold from the start. It reached 99.7 % of the pack's 350.0 V. No "
            "closing is seen.",
        ),
        (
            judged("complete", None, measured(closing=closed(270.0, 290.0))),
            EARLY,
            "The contactor closed at 79.0 % to 81.0 % of the pack, 350.0 V, about 70.0 V apart; the closing "
            "threshold is "
            "95.0 %.",
        ),
        (
            judged("closed_early", None, measured(closing=closed(270.0, 290.0), pack_by_link=True)),
            EARLY,
            "The contactor closed at 79.0 % to 81.0 % of its level afterwards, 350.0 V, about 70.0 V apart; the "
            "closing "
            "threshold is 95.0 %. That can drive up to 1.50 kA.",
        ),
        (
            judged("stalled", None, measured(reached_v=210.0)),
            {},
            "It reached 60.0 % of the pack's 350.0 V. No closing is seen. It had settled there: something draws "
            "current "
            "from the link.",
        ),
        (
            judged("stalled", None, measured(reached_v=210.0, attempt=replace(ATTEMPT, saws=2))),
            {},
            "It reached 60.0 % of the pack's 350.0 V. No closing is seen.",
        ),
        (
            judged("stalled", None, measured(reached_v=210.0, fit=fitted(end=about(217.0)))),
            {"parallel_load_ohm": Measured(245.0, "ohm"), "load_power_W": Measured(192.0, "W")},
            "It reached 60.0 % of the pack's 350.0 V. No closing is seen. It settles at 62.0 % of the pack: something "
            "draws current from the link, 245 Ω, or 192 W with the configured resistor.",
        ),
        (
            judged("interrupted", None, measured(reached_v=175.0)),
            {},
            "It reached 50.0 % of the pack's 350.0 V. No closing is seen. The rise broke off while it was still "
            "rising.",
        ),
    ],
)
def test_where_a_rise_ended_is_said_with_what_shows_it(one: Judged, values: Any, said: str) -> None:
    assert plain(" ".join(_where_it_ended(one, values))) == said


@pytest.mark.parametrize(
    ("one", "values", "said"),
    [
        (
            judged("complete", sound()),
            {},
            "Time constant 150 ms (95 %: 148 to 152 ms), expected 120 to 180 ms from R·C.",
        ),
        (judged("complete", sound(), expected_s=None), {}, ""),
        (judged("complete"), {}, ""),
        (judged("undetermined", Constant(Verdict.OPEN, about(0.27), or_lag=True)), {}, ""),
        (judged("fast", None, bound_s=0.03), {}, "Time constant at most 30 ms, expected 120 to 180 ms from R·C."),
        (judged("bypassed", None, bound_s=0.03), {}, ""),
        (
            judged("slow", SLOW),
            {"implied_resistance_ohm": Measured(270.0, "ohm", 267.0, 273.0)},
            "Time constant 270 ms (95 %: 267 to 273 ms), expected 120 to 180 ms from R·C. That implies 270 Ω at the "
            "configured capacitance, or 1.80 × the configured capacitance.",
        ),
    ],
)
def test_the_constant_stands_against_the_expected_band(one: Judged, values: Any, said: str) -> None:
    assert plain(" ".join(_off_by(one, values))) == said


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (judged("fast", None, bound_s=0.03), "The samples give no curve that can be compared, but an upper bound"),
        (
            judged("undetermined", Constant(Verdict.NOT_COMPARED, None, both=BOTH), expected_s=None),
            "Give resistance_ohm and capacitance_uF",
        ),
        (
            judged("undetermined", Constant(Verdict.OPEN, None, both=BOTH, shown_by=BY_SETTLING)),
            "The curve has two constants, 300 ms as expected and 50 ms. The link would be too fast by the other "
            "one, with "
            "which the reading settles after the contactor closes; a sound link",
        ),
        (
            judged("undetermined", Constant(Verdict.OPEN, None, both=(about(0.30), about(0.119)))),
            "Of the two constants one is above and one below the expected 150 ms",
        ),
        (
            judged("undetermined", Constant(Verdict.OPEN, None, both=(about(0.30), about(0.121)))),
            "Of the two constants one is above and one about the expected 150 ms",
        ),
        (
            judged("undetermined", Constant(Verdict.OPEN, about(0.3), or_lag=True)),
            "Without a sensing lag the time constant would be 300 ms; it is at most 303 ms.",
        ),
        (
            judged("complete", Constant(Verdict.NOT_COMPARED, about(0.3)), expected_s=None),
            "Time constant 300 ms (95 %: 297 to 303 ms); no R·C is configured to compare it with.",
        ),
        (
            judged("complete", Constant(Verdict.NOT_COMPARED, about(0.3), shown_by=BY_SLOWNESS), expected_s=None),
            "It is distinguished from the sensing lag by its size: no sensing is so slow.",
        ),
        (
            judged("complete", sound(shown_by="battery_current")),
            "Which of the two constants is the link's is shown by battery current, which shows the same one.",
        ),
        (judged("complete", sound(lag=about(0.02))), "the other (20 ms) as sensing lag."),
    ],
)
def test_which_constant_is_the_links_is_said_with_what_shows_it(one: Judged, said: str) -> None:
    assert said in plain(" ".join(_constant(one)))


def test_where_nothing_is_open_about_the_constant_nothing_is_said() -> None:
    assert _constant(judged("complete", sound())) == _constant(judged("complete")) == []
    assert _constant(judged("undetermined", None, bound_s=0.03)) == []


@pytest.mark.parametrize(
    ("fit", "said"),
    [
        ({}, "Fitted from 0.0 V towards 350 V (95 %: 346 to 354 V); the curve is one exponential. Residual 0.25 V"),
        ({"hidden_lag": about(0.02)}, "the curve is one exponential (a sensing lag of up to 20.2 ms is not seen)."),
        (
            {"lag": about(0.02)},
            "two time constants, 150 ms (95 %: 148 to 152 ms) and 20.0 ms (95 %: 19.8 to 20.2 ms).",
        ),
        (
            {"shape": Shape.HEATING, "heating": about(0.1, 0.2)},
            "by 8 to 12 % at the end; the time constant is that of the cold resistor.",
        ),
        ({"shape": Shape.CONSTANT_POWER}, "a load of constant power (a DC-DC converter) starts on the link"),
        ({"misfit": True}, "the curve is no exponential"),
    ],
)
def test_the_shape_of_the_curve_is_in_the_method(fit: dict[str, Any], said: str) -> None:
    text = plain(_shape(judged("complete", sound(), measured(fit=fitted(**fit))))[0])
    assert said in text
    assert "start is unknown" not in text


def test_without_a_curve_the_samples_on_the_way_are_counted() -> None:
    one = judged("undetermined", None, measured(start_v=2.5, inside=2, inside_all=7))
    assert _shape(one) == ["Samples on the way from 2.5 V to 349.0 V: 2."]
    begun = judged("complete", sound(), measured(attempt=replace(ATTEMPT, onset_seen=False)))
    assert _shape(begun)[0].endswith("The log begins inside the rise, so its start is unknown.")


def test_how_a_closing_is_seen_is_in_the_method() -> None:
    step, state = (measured(closing=closed(270.0, 290.0, step_v=v)) for v in (70.0, None))
    assert _closing(judged("complete", None, step), {}) == ["The closing is seen as a step of the voltage."]
    assert _closing(judged("complete", None, state), EARLY) == ["The closing is seen by its reported state."]
    assert _closing(judged("complete"), EARLY) == []
    said = _closing(judged("closed_early", None, step), EARLY)
    assert said[1:] == ["Inrush through an assumed loop of 10 mΩ and 1 µH, the stiffest usual in practice."]


HEAT = {
    "resistor_energy_J": Measured(61.0, "J", 60.0, 62.0),
    "resistor_peak_power_W": Measured(817.0, "W", 810.0, 824.0),
}
STALL = {
    "stalled_power_W": Measured(131.0, "W"),
    "stalled_s": Measured(2.0, "s"),
    "stalled_energy_J": Measured(262.0, "J"),
}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (HEAT, "The precharge resistor turned 61.0 J into heat, at most 817 W."),
        ({**HEAT, "resistor_peak_power_W": Measured(None, "W")}, "The precharge resistor turned 61.0 J into heat."),
        (
            {**HEAT, "resistor_energy_J": Measured(None, "J", 60.5)},
            "At least 60.5 J became heat in the precharge resistor, at most 817 W; the attempt is not logged to "
            "its end.",
        ),
        (
            {**HEAT, **STALL},
            "The precharge resistor turned 61.0 J into heat, at most 817 W. Of that, 262 J came after the rise had "
            "settled: 131 W for 2 s.",
        ),
        (
            {**HEAT, **STALL, "stalled_power_W": Measured(None, "W")},
            "The precharge resistor turned 61.0 J into heat, at most 817 W.",
        ),
        ({"resistor_energy_J": HEAT["resistor_energy_J"]}, ""),
        ({"resistor_peak_power_W": HEAT["resistor_peak_power_W"]}, ""),
    ],
)
def test_the_heat_of_the_resistor_is_said_as_far_as_it_is_known(values: Any, said: str) -> None:
    assert plain(" ".join(_heat(values))) == said


def test_a_rise_that_never_came_may_have_heated_the_resistor_through_a_short() -> None:
    worst = {
        "resistor_energy_J": Measured(None, "J", 0.0, 408.0),
        "resistor_peak_power_W": Measured(None, "W", 0.0, 817.0),
    }
    assert "would have put 817 W into it, 408 J in all." in plain(no_rise_heat(worst))
    assert no_rise_heat({}) == no_rise_heat({**worst, "resistor_energy_J": Measured(3.0, "J")}) == ""
    assert no_rise_heat({**worst, "resistor_peak_power_W": Measured(3.0, "W")}) == ""


def lagged(value_s: float, low_s: float) -> Constant:
    return Constant(Verdict.SLOW, replace(about(value_s), low=low_s))


@pytest.mark.parametrize(
    ("one", "lag"),
    [
        (judged("fast", FAST), "60 ms"),
        (judged("slow", lagged(0.16, 0.149)), "160 ms"),  # up to 0.15 s a sensing may have it all
        (judged("slow", lagged(0.16, 0.150)), "160 ms"),
        (judged("slow", lagged(0.16, 0.151)), None),
        (judged("fast", None, bound_s=0.03), "30 ms"),
        (judged("slow", replace(FAST, shown_by=BY_SLOWNESS)), None),
        (judged("complete", sound()), None),
        (judged("bypassed", None, bound_s=0.01), None),
    ],
)
def test_what_a_sensing_lag_may_have_alone_is_to_be_treated_as_bypassed(one: Judged, lag: str | None) -> None:
    said = words_of(one, {}).next_step
    assert ("Until then treat it as bypassed" in said) is (lag is not None)
    if lag is not None:
        assert f"seen through a lag of {lag}, looks the same." in said


LOAD = {"parallel_load_ohm": Measured(245.0, "ohm", 240.0, 250.0)}


@pytest.mark.parametrize(
    ("one", "values", "begins", "ends"),
    [
        (judged("complete", sound()), {}, "Nothing to do.", "later precharges."),
        (judged("complete", sound()), LOAD, "Switch the load on the link (245 Ω) on only after", "closed."),
        (judged("stalled"), LOAD, "Switch the load on the link (245 Ω) on only after", "before another attempt."),
        (judged("slow", SLOW), LOAD, "With the power off", "adds capacitance."),
        (judged("complete", sound(), measured(pack=None)), {}, "Record the pack voltage and the states", "try again."),
        (judged("undetermined", let_go_within_s=0.4), {}, "Record the pack voltage and the states", "try again."),
        # 150 ms / 5 = 30 ms
        (judged("undetermined", period_s=0.029), {}, "Record the link voltage faster", "try again."),
        (
            judged("undetermined", period_s=0.031),
            {},
            "Record the link voltage every 30 ms or faster (now 31 ms)",
            "again.",
        ),
        (
            judged("undetermined", expected_s=None, bound_s=0.1, period_s=0.03),
            {},
            "Record the link voltage every 20 ms or",
            "again.",
        ),
        (judged("undetermined", expected_s=None, period_s=0.5), {}, "Record the link voltage faster", "try again."),
        (judged("slow", SLOW, period_s=0.5), {}, "With the power off", "adds capacitance."),
        (judged("bypassed", None, bound_s=0.01), {}, "Stop here.", "switched on again."),
    ],
)
def test_the_next_step_is_that_of_the_outcome(one: Judged, values: Any, begins: str, ends: str) -> None:
    said = plain(words_of(one, values).next_step)
    assert said.startswith(begins)
    assert said.endswith(ends)


@pytest.mark.parametrize("kind", ["complete", "undetermined", "slow", "stalled", "interrupted", "bypassed"])
def test_only_what_sends_hands_to_high_voltage_has_the_caution(kind: str) -> None:
    assert words_of(judged(kind), {}).hands_near_hv is (kind not in ("complete", "undetermined"))


def test_explanation_and_method_are_put_together_in_order() -> None:
    one = judged("slow", SLOW, measured(closing=closed(270.0, 290.0, step_v=70.0)))
    said = words_of(one, {**EARLY, **HEAT})
    assert plain(said.explanation).startswith("The contactor closed at 79.0 % to 81.0 %")
    assert said.explanation.endswith("from R·C.")
    order = ["Fitted from", "The closing is seen", "The precharge resistor turned"]
    assert [said.method.find(each) for each in order] == sorted(said.method.find(each) for each in order)
    assert said.method.startswith("Fitted from")
