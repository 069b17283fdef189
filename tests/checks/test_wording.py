"""Numbers in sentences: three digits, a unit in which they lie between 1 and 999, and rounding at its edge."""

from __future__ import annotations

from math import inf, nan

import pytest

from logscope.checks.wording import Words, if_in_fahrenheit, number, percent, seconds, times


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0976, "97.6 ms"),
        (0.2664, "266 ms"),
        (0.9994, "999 ms"),
        (0.9996, "1 s"),
        (-0.9996, "-1 s"),
        (1.0, "1 s"),
        (2.504, "2.5 s"),
        (999.4, "999 s"),
        (999.5, "1000 s"),
        (999.7, "1000 s"),
        (1234.5, "1234 s"),
        (0.0, "0 ms"),
        (-0.0976, "-97.6 ms"),
        (-1234.5, "-1234 s"),
        (0.99949, "999 ms"),
        (0.99951, "1 s"),
    ],
)
def test_a_duration_is_said_in_ms_below_a_second_and_never_with_an_exponent(value, said):
    assert seconds(value) == said


@pytest.mark.parametrize(
    ("value", "uncertainty", "said"),
    [
        (0.09764, None, "0.0976"),
        (315.937, None, "316"),
        (31.59, None, "31.6"),
        (1234.5, None, "1234"),
        (315.937, 0.4, "315.9"),
        (315.937, 4.0, "316"),
        (315.937, 0.04, "315.94"),
        (315.937, 0.0004, "315.937"),  # six digits at the most
        (3.14159, 2.0, "3.14"),
        (315.9, 0.0, "316"),
        (315.9, inf, "316"),
        (0.0, 0.1, "0"),
        (-315.937, 0.4, "-315.9"),
        (31.5937, 0.2, "31.6"),  # one digit at the uncertainty, no fewer than three in all below 100
        (31.5937, 30.0, "31.6"),
        (99.95, 30.0, "100.0"),
        (100.4, 30.0, "100"),  # from 100 on down to the unit
        (1.0, 0.1, "1.00"),
        (1.0, 0.000001, "1.00000"),
        (315.937, 1.0, "316"),
        (315.937, 0.99, "315.9"),
        (315.937, -0.4, "316"),
        (0.00123456, 0.0001, "0.00123"),
        (0.00123456, 0.000001, "0.001235"),
        (nan, None, "–"),
        (inf, None, "–"),
    ],
)
def test_a_number_has_three_digits_or_as_many_as_its_uncertainty_leaves(value, uncertainty, said):
    assert number(value, uncertainty) == said


def test_counts_shares_and_degrees_are_said_plainly():
    assert [times(count) for count in (1, 2, 0)] == ["once", "2 times", "0 times"]
    assert [percent(share) for share in (0.953, 0.0006, 0.0004, 0.0)] == ["95.3 %", "0.1 %", "< 0.1 %", "0.0 %"]
    assert [percent(share) for share in (0.00049, 0.0005, 1.0, -0.01)] == ["< 0.1 %", "0.1 %", "100.0 %", "-1.0 %"]
    assert if_in_fahrenheit(86.0).endswith("86 °F is 30 °C.")
    assert if_in_fahrenheit(212.4) == "A signal in °F would look the same: 212 °F is 100 °C."  # water boils
    assert if_in_fahrenheit(-40.0).endswith("-40 °F is -40 °C.")


def test_words_are_near_high_voltage_unless_said_otherwise():
    words = Words("t", "e", "n")
    assert (words.title, words.explanation, words.next_step, words.hands_near_hv, words.method) == (
        "t", "e", "n", True, "",
    )  # fmt: skip
