"""What is said of a measure that shows no difference, and the verdict on all measures; expected texts by hand."""

from __future__ import annotations

from math import inf

import pytest

from logscope.comparison.judge import judge, whole
from logscope.comparison.outcome import ComparedMeasure, Exposure, Verdict
from logscope.comparison.weighed import Weighed
from logscope.findings import Measured
from logscope.measures import Aim, EventRate, Repeated

RATE = EventRate("spikes", "Speed spikes", "1/min", ("encoder.spikes",), "motor_speed", 0.0, 0.2)
VALUE = Repeated("tau", "Time constant", "s", ("precharge.",), "tau_s", True, Aim.LOWER, 0.0, 0.1)


@pytest.mark.parametrize(
    ("p_value", "verdict"),
    [(0.049, Verdict.WORSE), (0.05, Verdict.NO_DIFFERENCE), (0.051, Verdict.NO_DIFFERENCE), (0.0, Verdict.WORSE)],
)
def test_a_change_is_claimed_below_one_in_twenty(p_value: float, verdict: Verdict) -> None:
    (one,) = judge([Weighed(VALUE, "As seen.", p_value, Verdict.WORSE)])
    assert (one.verdict, one.reason, one.p_adjusted) == (verdict, "As seen.", p_value)


def test_a_judged_measure_keeps_all_that_was_weighed() -> None:
    parts = [Measured(float(k), "V", k - 1.0, k + 1.0) for k in range(3)]
    exposure = Exposure((3.0, 4.0))
    (one,) = judge([Weighed(VALUE, "", 0.01, Verdict.WORSE, *parts, exposure, 0.4, 7.0)])
    assert (one.name, one.title, one.unit) == ("tau", "Time constant", "s")
    assert (one.before, one.after, one.effect) == tuple(parts)
    assert (one.p_value, one.exposure, one.could_show, one.more_min) == (0.01, exposure, 0.4, 7.0)
    assert not one.is_ratio


TOO_SHORT = "This driving is too short to show any fall."
SHOWN = "This driving would have shown a fall to 40 % of the rate or less in nine of ten cases."
NEVER = (
    "With so few events before the change not even a fall to zero can be shown, however long the driving after it. "
    "Record longer before the next change."
)
BEFORE = (
    " More driving after the change cannot show a halving, because the recording before it is too short. "
    "Record longer before the next change."
)
ROSE = "The 95 % interval includes “no change”: record more of the same driving."


def more(minutes: str) -> str:
    return f" About {minutes} min more of the same driving after the change would show a halving."


@pytest.mark.parametrize(
    ("effect", "could_show", "more_min", "said"),
    [
        (Measured(0.9, "1", 0.5, 1.4), 0.4, None, SHOWN),
        (Measured(0.9, "1", 0.5, 1.4), 0.4, 0.0, SHOWN),
        (Measured(0.9, "1", 0.5, 1.4), 0.4, 0.04, SHOWN + more("0.1")),
        (Measured(0.9, "1", 0.5, 1.4), 0.4, 9.94, SHOWN + more("9.9")),
        (Measured(0.9, "1", 0.5, 1.4), 0.4, 10.4, SHOWN + more("10")),
        (Measured(0.9, "1", 0.5, 1.4), 0.4, inf, SHOWN + BEFORE),
        (Measured(0.9, "1", 0.5, 1.4), None, 12.0, TOO_SHORT + more("12")),
        (Measured(0.9, "1", 0.5, 1.4), None, inf, NEVER),
        # a rate that rose, or that has no upper limit, says nothing of a fall
        (Measured(1.1, "1", 0.5, 2.0), None, inf, ROSE),
        (Measured(None, "1", 0.5, None), None, 12.0, ROSE),
        (Measured(1.0, "1", 0.5, 2.0), None, inf, NEVER),
        (Measured(1.1, "1", 0.0, 2.0), None, inf, NEVER),  # no event at all before
        (Measured(1.1, "1", 0.5, 2.0), 0.4, None, SHOWN),
        (None, None, inf, NEVER),
    ],
)
def test_what_driving_could_have_shown_is_said_with_what_it_takes(
    effect: Measured | None, could_show: float | None, more_min: float | None, said: str
) -> None:
    given = {"effect": effect, "could_show": could_show, "more_min": more_min}
    (one,) = judge([Weighed(RATE, "", 0.5, Verdict.BETTER, **given)])  # type: ignore[arg-type]
    assert (one.verdict, one.reason) == (Verdict.NO_DIFFERENCE, said)
    (shown,) = judge([Weighed(RATE, "", 0.01, Verdict.BETTER, **given)])  # type: ignore[arg-type]
    assert shown.reason == ""
    (value,) = judge([Weighed(VALUE, "Same.", 0.5, Verdict.BETTER, **given)])  # type: ignore[arg-type]
    assert value.reason == "Same."


def compared(verdict: Verdict, title: str, exposure: Exposure | None = None, reason: str = "") -> ComparedMeasure:
    return ComparedMeasure(title, title, "s", verdict, reason, exposure=exposure)


BETTER = compared(Verdict.BETTER, "Noise of speed")
WORSE = compared(Verdict.WORSE, "Spikes")
SAME = compared(Verdict.NO_DIFFERENCE, "Overshoot")
OPEN = compared(Verdict.NOT_COMPARABLE, "Judder", reason="No overlap.")


@pytest.mark.parametrize(
    ("measures", "verdict", "reason"),
    [
        ([BETTER, WORSE, SAME, OPEN], Verdict.WORSE,
         "Worse: spikes. Better: noise of speed. Not comparable: judder."),
        ([WORSE], Verdict.WORSE, "Worse: spikes."),
        ([SAME, BETTER, OPEN], Verdict.BETTER, "Better: noise of speed. Not comparable: judder."),
        ([SAME, OPEN], Verdict.NO_DIFFERENCE, "Compared: overshoot. Not comparable: judder."),
        ([OPEN, OPEN], Verdict.NOT_COMPARABLE, "No overlap."),
        ([], Verdict.NOT_COMPARABLE, "There is nothing to compare."),
    ],
)  # fmt: skip
def test_what_got_worse_decides_then_what_got_better(
    measures: list[ComparedMeasure], verdict: Verdict, reason: str
) -> None:
    assert whole(measures) == (verdict, reason)


@pytest.mark.parametrize(
    ("exposure", "named"),
    [
        (Exposure((0.0, 3.0)), False), (Exposure((3.0, 0.0)), False), (Exposure((1.0, 1.0)), True),
        (Exposure((0.0, 0.0), all_min=(5.0, 5.0)), True), (None, True),
    ],
)  # fmt: skip
def test_what_one_side_never_measured_is_not_named_as_not_comparable(exposure: Exposure | None, named: bool) -> None:
    _, reason = whole([SAME, compared(Verdict.NOT_COMPARABLE, "Judder", exposure)])
    assert ("Not comparable: judder." in reason) is named
