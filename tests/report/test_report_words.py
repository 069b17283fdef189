"""Numbers and names as text, the order and the verdict."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import fake_results as fake
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from logscope.capture.frames import Account
from logscope.diagnosis.explain import explain
from logscope.findings import CAUTION_HV, Measured, NotChecked, Severity
from logscope.parts import PARTS, part_title
from logscope.quantities import (
    clock_text,
    duration_text,
    expected_text,
    limits_text,
    seconds_text,
    value_text,
)
from logscope.report import model
from logscope.report.words import counted, flag_text, in_shown_unit, panel_name, value_name
from logscope.result import CaptureSummary


def test_digits_follow_the_interval():
    # The value of JCGM 100:2008 (GUM), 7.2.4, m = (100.021 47 ± 0.000 79) g, from memory, to one digit less of the
    # interval: in a workshop the limits beside it matter more than their second digit.
    mass = Measured(100.0214712, "g", 100.0214712 - 0.00079, 100.0214712 + 0.00079)
    assert value_text(mass) == "100.0215\xa0g"
    assert limits_text(mass) == "100.0207 to 100.0223\xa0g"


@pytest.mark.parametrize(
    ("measured", "text"),
    [
        (Measured(12815.3, "A", 11500.0, 14100.0), "12.8\xa0kA"),
        (Measured(3.0, ""), "3"),
        (Measured(0.0, "V"), "0\xa0V"),
        (Measured(311.274, "V"), "311\xa0V"),
        (Measured(150.0, "ohm", 149.0, 151.0), "150\xa0Ω"),
        (Measured(None, "s"), "not determined"),
        (Measured(float("inf"), "s"), "not determined"),
    ],
)
def test_values_are_shown_with_their_unit(measured, text):
    assert value_text(measured) == text


@pytest.mark.parametrize(
    ("expected", "text"),
    [
        (Measured(None, "V", 240.0, 344.0), "240 to 344\xa0V"),
        (Measured(None, "J", None, 400.0), "at most 400\xa0J"),
        (Measured(None, "%", 95.0, None), "at least 95\xa0%"),
        (Measured(0.15, "s"), "150\xa0ms"),
        (Measured(None, "s"), ""),
    ],
)
def test_expected_values_are_shown_as_stated(expected, text):
    assert expected_text(expected) == text


@given(st.floats(-1e12, 1e12), st.floats(1e-9, 1e9))
def test_rounding_moves_a_value_by_no_more_than_half_of_its_half_interval(value, half):
    measured = Measured(value, "", value - half, value + half)
    spread = (measured.high - measured.low) / 2
    assume(spread > 0)
    shown = float(value_text(measured))
    assert abs(shown - value) <= max(0.501 * spread, 0.51e-6, 1e-9 * abs(value))


@given(st.one_of(st.none(), st.floats()), st.one_of(st.none(), st.floats()), st.one_of(st.none(), st.floats()))
def test_no_value_breaks_the_text(value, low, high):
    measured = Measured(value, "V", low, high)
    for text in (value_text(measured), limits_text(measured), expected_text(measured)):
        assert "nan" not in text
        assert "inf" not in text


def test_times_in_words():
    assert seconds_text(2.44, 2.79) == "2.440 to 2.790\xa0s"
    assert seconds_text(1.0, 1.0) == "1.000\xa0s"
    assert seconds_text(float("nan"), 1.0) == "at an unknown time"
    assert duration_text(float("nan")) == "not determined"
    assert clock_text(datetime(2026, 12, 31, 23, 59, 59, tzinfo=UTC), 1.5) == "00:00:00.500 UTC"
    assert clock_text(None, 1.0) == ""
    assert clock_text(datetime(2026, 1, 1, tzinfo=UTC), 1e300) == ""


@pytest.mark.parametrize("hours", [-8, -3.5, 0, 1, 5.75, 13])
@pytest.mark.parametrize("day", [1, 31])
def test_clock_times_are_utc_wherever_the_start_was_stated(hours, day):
    """Offsets of real time zones; a time without a zone is UTC already."""
    start = datetime(2026, 1, day, 9, 0, 0, tzinfo=UTC)
    elsewhere = start.astimezone(timezone(timedelta(hours=hours)))
    assert clock_text(elsewhere, 61.25) == "09:01:01.250 UTC"
    assert clock_text(start.replace(tzinfo=None), 61.25) == "09:01:01.250 UTC"


@pytest.mark.parametrize(
    ("step", "text"), [((12.5, -3.25), "3.250 s back at 12.500 s"), ((40.0, 3600.0), "3600.000 s forward at 40.000 s")]
)
def test_a_step_of_the_logger_s_clock_is_said_with_its_direction(step, text):
    """Back is where its stamps fall: a step below zero."""
    capture = replace(fake.healthy().capture, time_steps=(step,))
    assert model.clock_steps(capture) == [text]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("time_constant_s", "Time constant"),
        ("time_to_60V_s", "Time to 60 V"),
        ("rate_per_min", "Rate"),
        ("thermal_resistance_K_per_W", "Thermal resistance"),
        ("acceleration_m_per_s2", "Acceleration"),
        ("peak_current_A", "Peak current"),
        ("max_slope_rpm_per_s", "Max slope"),
        ("dc_resistance_mohm", "DC resistance"),
        ("count", "Count"),
        ("", ""),
    ],
)
def test_names_of_values_lose_their_unit(name, text):
    assert value_name(name) == text


def test_every_part_has_a_name_of_its_own():
    names = [part_title(part) for part in PARTS]
    assert len(set(names)) == len(names)
    assert not any("_" in name for name in names)


def test_how_often_a_limit_was_near_names_the_limit():
    assert value_name("aux_min_near_percent") == "Share of time near the limit: lowest 12 V supply voltage"
    assert value_name("motor_current_near_count") == "Times near the limit: motor current"


def test_a_fraction_is_shown_in_percent_and_a_flag_as_a_word():
    rows = {row.name: row for row in model.value_rows(fake.slow_precharge())}
    assert rows["Fraction of pack voltage at closing"].value == "95.6\xa0%"
    assert rows["Fraction of pack voltage at closing"].expected == "at least 95\xa0%"
    assert rows["Extrapolated beyond the log"].value == "yes"
    assert rows["Energy of this attempt in the resistor"].value == ""
    assert flag_text("active_discharge", Measured(0.0, "1")) == "no"


@pytest.mark.parametrize(
    ("severities", "headline"),
    [
        ("DDW", "Do not power up again before each danger is fixed. Found: 2 dangers and 1 warning."),
        ("WWI", "Fix before the next step. Found: 2 warnings, no danger."),
        ("DG", "Do not power up again before each danger is fixed. Found: 1 danger."),
        ("IG", "No danger and no warning found. This covers only what this log shows and what was checked."),
        ("", "No verdict: this log gave no finding. Nothing was shown to be right or wrong."),
    ],
)
def test_the_verdict_follows_from_the_severities(severities, headline):
    by_letter = {s.value[0].upper(): s for s in Severity}
    findings = tuple(fake.plain_finding(n, by_letter[letter]) for n, letter in enumerate(severities))
    found = model.verdict(replace(fake.empty(), findings=findings))
    assert f"{found.headline} {found.advice}".startswith(headline)


@pytest.mark.parametrize(
    ("kinds", "headline", "missing"),
    [
        (
            ("precharge.complete", "contactor.sound"),
            "Safe to go on to turning the motor, wheels off the ground, as far as this log shows.",
            "",
        ),
        (("precharge.complete",), "No danger and no warning found.", "sound contactors"),
        (("precharge.complete", "encoder.clean"), "No danger and no warning found.", "a drive without a trip"),
        (("encoder.clean", "trip.none"), "Safe to go on to the next drive, as far as this log shows.", ""),
        (
            ("precharge.complete", "precharge.undetermined", "contactor.sound"),
            "No danger and no warning found.",
            "a complete precharge, each time",
        ),
    ],
)
def test_nothing_speaks_against_a_step_only_where_the_log_shows_what_it_needs(kinds, headline, missing):
    findings = tuple(replace(fake.plain_finding(n, Severity.GOOD), kind=kind) for n, kind in enumerate(kinds))
    found = model.verdict(replace(fake.empty(), findings=findings))
    assert found.headline == headline
    assert missing in found.advice


def test_a_result_that_was_once_not_shown_leaves_the_step_open():
    """One precharge is seen to reach the pack, the next is not, for the pack's voltage was not logged yet."""
    kinds = (
        ("precharge.complete", Severity.GOOD),
        ("precharge.complete", Severity.INFO),
        ("contactor.sound", Severity.GOOD),
    )
    findings = tuple(replace(fake.plain_finding(n, severity), kind=kind) for n, (kind, severity) in enumerate(kinds))
    found = model.verdict(replace(fake.empty(), findings=findings))
    assert found.headline == "No danger and no warning found."
    assert "a complete precharge, each time" in found.advice


def test_findings_are_ordered_worst_first_then_by_time():
    ordered = model.in_order(fake.troubled().findings)
    assert [f.severity.rank for f in ordered] == sorted((f.severity.rank for f in ordered), reverse=True)
    warnings = [f.start_s for f in ordered if f.severity is Severity.WARNING]
    assert warnings[:-1] == sorted(warnings[:-1])  # the one without a time comes last
    assert warnings[-1] != warnings[-1]


def test_reasons_of_one_check_are_gathered():
    items = [
        NotChecked("encoder", "a"),
        NotChecked("charge", "b"),
        NotChecked("encoder", "c"),
        NotChecked("encoder", "a"),
    ]
    assert model.not_checked_rows(items) == [("encoder", ("a", "c")), ("charge", ("b",))]


def test_a_sum_shows_what_it_leaves_over():
    assert model.Sum("frames", 10, (("decoded", 7),)).text() == "10 frames = 7 decoded; 3 unaccounted for"


def test_the_sums_of_lines_and_frames_name_each_count():
    account = Account(lines=210, lines_bad=1, other=20, sample_lines=30, frames=159, error_frames=5, remote_frames=4)
    capture = CaptureSummary(account, None, 1.0, frames_decoded=90, frames_undefined=40, frames_undecodable=20)
    assert model.line_sum(account).text() == (
        "210 lines or records = 159 frames + 30 console lines with samples + 20 comments or blank + 1 bad"
    )
    assert model.frame_sum(capture).text() == (
        "159 frames = 90 decoded + 40 without a definition + 20 too short for their definition + 5 error frames + "
        "4 remote frames"
    )
    assert model.Sum("frames", 7, (("decoded", 10),)).text() == "7 frames = 10 decoded; 3 unaccounted for"


def test_what_else_to_know_of_a_log_is_named_where_there_is_any():
    account = Account(out_of_order=2, stamps_repaired=3, lost=4000, resets=5)
    capture = CaptureSummary(account, None, 1.0, 0, 0, 0, samples_undecodable=1)
    assert [count.replace("\u202f", "") for _, count in model.account_facts(capture)] == ["1", "2", "3", "4000", "5"]
    assert model.account_facts(CaptureSummary(Account(), None, 1.0, 0, 0, 0)) == []


@pytest.mark.parametrize(
    ("name", "measured", "shown"),
    [
        ("fraction_reached", Measured(0.956, "1", 0.95, None), Measured(95.6, "%", 95.0, None)),
        ("fraction_reached", Measured(0.956, "V"), Measured(956.0, "mV")),  # no share of anything
        ("cause_likelihood", Measured(0.5, ""), Measured(50.0, "%")),
        ("time_constant_s", Measured(0.15, "s", None, 0.2), Measured(150.0, "ms", None, 200.0)),
        ("factor", Measured(0.5, "1"), Measured(0.5, "1")),
    ],
)
def test_a_value_is_shown_in_percent_or_with_its_prefix(name, measured, shown):
    found = in_shown_unit(name, measured)
    assert found.unit == shown.unit
    assert (found.value, found.low, found.high) == pytest.approx((shown.value, shown.low, shown.high))


@pytest.mark.parametrize(
    ("count", "severity", "text"),
    [(1, Severity.DANGER, "1 danger"), (2, Severity.WARNING, "2 warnings"), (0, Severity.INFO, "0 points to note")],
)
def test_findings_are_counted_in_words(count, severity, text):
    assert counted(count, severity) == text


@pytest.mark.parametrize(
    ("titles", "unit", "text"),
    [
        (["a" * 20, "b" * 18], "V", f"{'a' * 20}, {'b' * 18} [V]"),  # 40 letters
        (["a" * 20, "b" * 19], "V", "Voltages [V]"),
        (["a" * 20, "b" * 19], "ohm", f"{'a' * 20}, {'b' * 19} [ohm]"),
        (["a" * 50], "V", f"{'a' * 50} [V]"),
        (["State"], "", "State"),
    ],
)
def test_a_panel_of_many_parts_goes_by_its_quantity(titles, unit, text):
    assert panel_name(titles, unit) == text


def test_an_attempt_without_a_value_shows_its_limit_or_nothing():
    finding = replace(fake.slow_precharge(), measured={
        "time_constant_s": Measured(0.15, "s", 0.14, 0.16), "start_voltage_V": Measured(None, "V", None, 5.0),
        "end_voltage_V": Measured(None, "V", 5.0, None), "close_difference_V": Measured(3.0, "V"),
    })  # fmt: skip
    shown = [model._attempt_value(finding, name) for name, _ in model.ATTEMPT_VALUES]
    assert shown == ["150\xa0ms (140 to 160\xa0ms)", "at most 5\xa0V", "–", "–", "3\xa0V"]


def test_an_action_that_asks_for_proof_brings_its_caution_though_no_finding_has_one():
    spike = replace(fake.encoder_spikes(), caution="")
    found = explain((spike,), frozenset({"motor_speed"}))
    assert any("proven dead" in action for each in found for action in each.actions)
    assert model.cautions(replace(fake.empty(), findings=(spike,), explanations=found)) == (CAUTION_HV,)
    assert model.cautions(replace(fake.empty(), findings=(spike,))) == ()
