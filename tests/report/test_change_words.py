"""A comparison and a history in words: signs, limits, chances and dates; expected texts by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from logscope.comparison.outcome import ComparedMeasure, Exposure, Verdict
from logscope.findings import Measured
from logscope.history.rows import Drift, Row, StepChange
from logscope.report.comparison_words import chance_text, effect_texts, exposure_texts
from logscope.report.history_text import date_text, drift_label, drift_text

NB = "\u00a0"


@pytest.mark.parametrize(
    ("effect", "value", "limits"),
    [
        (Measured(0.5, "1", 0.404, 0.624), "× 0.50", "× 0.40 to × 0.62"),
        (Measured(1.5, "1", 1.2, None), "× 1.50", "at least × 1.20"),
        (Measured(None, "1", 2.0, None), "none before", "at least × 2.00"),
        (Measured(None, "1", 0.0, None), "–", ""),
        (Measured(0.0, "1", 0.0, 0.3), "× 0.00", "× 0.00 to × 0.30"),
        (Measured(0.5, "1", None, 0.6), "× 0.50", "× 0.00 to × 0.60"),
        (Measured(2.0, "V", 1.0, 3.0), f"+2.0{NB}V", f"1.0 to 3.0{NB}V"),
        (Measured(-2.0, "V", -3.0, -1.0), f"-2.0{NB}V", f"-3.0 to -1.0{NB}V"),
        (Measured(0.0, "V", -1.0, 1.0), f"0{NB}V", f"-1 to 1{NB}V"),
        (None, "", ""),
    ],
)
def test_an_effect_is_said_with_its_sign_and_its_limits(effect: Measured | None, value: str, limits: str) -> None:
    measure = ComparedMeasure("m", "M", "V", Verdict.BETTER, "", effect=effect)
    assert effect_texts(measure) == (value, limits)


@pytest.mark.parametrize(
    ("p_value", "text"), [(0.00099, "< 0.001"), (0.001, "0.001"), (0.0123, "0.012"), (0.5, "0.5"), (1.0, "1")]
)
def test_a_chance_has_two_digits_down_to_one_in_a_thousand(p_value: float, text: str) -> None:
    assert chance_text(p_value) == text


@pytest.mark.parametrize(
    ("exposure", "texts"),
    [
        (Exposure((12.0, 3.0), (1.0, 2.0), (4.0, 8.0)),
         (f"before: 12 in 1.0{NB}min at similar speed and load, of 4.0{NB}min driven",
          f"after: 3 in 2.0{NB}min at similar speed and load, of 8.0{NB}min driven")),
        (Exposure((12.0, 3.0), None, (4.0, 8.0)),
         (f"before: judged by 4.0{NB}min of driving", f"after: judged by 8.0{NB}min of driving")),
        (Exposure((1.0, 3.0)), ("before: measured once", "after: measured 3 times")),
        (None, ()),
    ],
)  # fmt: skip
def test_what_each_side_rests_on_is_said(exposure: Exposure | None, texts: tuple[str, ...]) -> None:
    assert exposure_texts(exposure) == texts


RISES = Drift("tau", "Time constant", 10, 63.25, Measured(12.0, "%", 8.0, 16.0), 0.0123, changed=False)
FALLS = replace(RISES, change=Measured(-12.0, "%", -16.0, -7.0))
STEP = StepChange(
    "a/5.log", datetime(2026, 3, 5, 9, tzinfo=UTC), datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
    datetime(2026, 3, 6, 7, 15, tzinfo=UTC), Measured(0.15, "s", 0.14, 0.16), Measured(0.2, "s", 0.18, 0.22), 4, 1,
)  # fmt: skip
LEVELS = f"150{NB}ms before (140 to 160{NB}ms, 4 logs), 200{NB}ms after (180 to 220{NB}ms, 1 log)"


@pytest.mark.parametrize(
    ("drift", "label", "text"),
    [
        (RISES, "Drift", f"Time constant rises by 12.0{NB}% (95 %: 8.0 to 16.0{NB}%) over 10 logs in 63.2 days. "
                         "Probability by chance alone: 1.2 %."),
        # a fall is as large as it is, its limits the other way round
        (FALLS, "Drift", f"Time constant falls by 12.0{NB}% (95 %: 7.0 to 16.0{NB}%) over 10 logs in 63.2 days. "
                         "Probability by chance alone: 1.2 %."),
        (replace(RISES, changed=True, p_value=9.9e-5, by_file=2), "Drift",
         f"Time constant rises by 12.0{NB}% (95 %: 8.0 to 16.0{NB}%) over 10 logs in 63.2 days. Probability by chance "
         "alone: less than 0.01 %. A change noted in between may be the reason. 2 logs without a date: the order is "
         "that of the files’ dates."),
        (replace(RISES, p_value=1e-4, step=STEP), "Step",
         f"Time constant steps up by 12.0{NB}% (95 %: 8.0 to 16.0{NB}%) at 5.log (2026-03-05): {LEVELS}. It changed "
         "between 2026-03-02 08:30 and 2026-03-06 07:15 (95 %). Probability by chance alone: 0.01 %."),
        (replace(FALLS, step=STEP, changed=True, by_file=1), "Step",
         f"Time constant steps down by 12.0{NB}% (95 %: 7.0 to 16.0{NB}%) at 5.log (2026-03-05): {LEVELS}. It changed "
         "between 2026-03-02 08:30 and 2026-03-06 07:15 (95 %). Probability by chance alone: 1.2 %. A change noted in "
         "that time may be the reason. 1 log without a date: the order is that of the files’ dates."),
        (replace(RISES, change=Measured(0.5, "%", 0.25, 0.75)), "Drift",
         f"Time constant rises by 0.50{NB}% (95 %: 0.25 to 0.75{NB}%) over 10 logs in 63.2 days. "
         "Probability by chance alone: 1.2 %."),
        (replace(RISES, step=STEP, coincides=("x",)), "Not comparable",
         f"Time constant differs by 12.0{NB}% (95 %: 8.0 to 16.0{NB}%) from 5.log on (2026-03-05): {LEVELS}. The "
         "vehicle need not have changed, for x changed with it. To decide, record one drive in both ways."),
        (replace(RISES, step=STEP, coincides=("x", "y", "z")), "Not comparable",
         f"Time constant differs by 12.0{NB}% (95 %: 8.0 to 16.0{NB}%) from 5.log on (2026-03-05): {LEVELS}. The "
         "vehicle need not have changed, for x, y and z changed with it. To decide, record one drive in both ways."),
    ],
)  # fmt: skip
def test_a_change_over_the_logs_is_said_with_its_size_levels_and_chance(drift: Drift, label: str, text: str) -> None:
    assert drift_label(drift) == label
    assert " ".join(drift_text(drift).split(" ")) == text


@pytest.mark.parametrize(("dated", "mark"), [(True, ""), (False, "*")])
def test_a_date_that_is_not_the_logs_own_is_marked(dated: bool, mark: str) -> None:
    assert date_text(Row("a.log", datetime(2026, 3, 5, 9, 7, tzinfo=UTC), dated, 1.0, {})) == f"2026-03-05 09:07{mark}"
