"""A log as a row, the claims on a measure, and what a run shows of its tuning; by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from math import exp, expm1, log, log1p
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy import stats

from logscope.errors import RequestError
from logscope.findings import Chart, Event, Evidence, Finding, Measured, Series, Severity
from logscope.history import history as history_file
from logscope.history.history import _natural, history_of, row_of
from logscope.history.notes import read_notes
from logscope.history.rows import Drift, History, Note, Row, StepChange, periods_of, values_of
from logscope.history.series import series_of
from logscope.history.sisters import _coincides, _difference, _of_measure, _Present, _present, differences
from logscope.history.trends import changes
from logscope.history.tuning import ASPECTS, Advice, Tuning, bests, tuning_from, tuning_of
from logscope.measures import Aim, EventRate, NoiseFloor, Repeated, Scatter
from logscope.result import Result
from logscope.signals import Part, Signals
from logscope.statistics.rates import Estimate
from logscope.vehicle import Vehicle

START = datetime(2026, 3, 1, tzinfo=UTC)
RATIO = Repeated("tau", "Time constant", "s", ("precharge.",), "tau_s", True, Aim.LOWER, 0.0, 0.1)
PLAIN = replace(RATIO, name="volts", title="Level", unit="V", ratio=False, margin=2.0)
RATE = EventRate("spikes", "Spikes", "1/min", ("encoder.spike",), "motor_speed", 0.0, 0.1)
AT = np.arange(0.0, 120.0, 0.05)


def noise(*_: object) -> Scatter:
    return Scatter(AT, np.random.default_rng(1).normal(0.0, 2.0, AT.size), 0.0)


FLOOR = NoiseFloor("noise", "Noise", "rpm", "motor_speed", noise, 0.1)


def finding(kind: str, parts: tuple[str, ...] = (), *at_s: float, **measured: Measured) -> Finding:
    return Finding(kind, Severity.INFO, 0.0, 120.0, "", "", "", parts, measured=measured,
                   events=tuple(Event(s, s) for s in at_s))  # fmt: skip


def signals(*names: str, period_s: float = 0.05) -> Signals:
    at = np.arange(0.0, 120.0, period_s)
    parts = (Part(name, at, np.full(at.size, 1000.0), "", f"Made.{name}") for name in names)
    return Signals({part.name: part for part in parts}, 0.0, 120.0)


def result(of: Signals, *findings: Finding) -> Result:
    account = SimpleNamespace(cautions=("cut",))
    capture = SimpleNamespace(start_utc=START, duration_s=120.0, account=account)
    return cast(Result, SimpleNamespace(signals=of, findings=findings, capture=capture))


DRIVEN = signals("motor_speed", "motor_current")


def test_each_measure_has_its_value_in_a_log() -> None:
    """Two events in two minutes: 1/min; 0.1 and 0.4 s known alike: 0.2 s; noise of 2 rpm over four stretches."""
    made = result(
        DRIVEN, finding("encoder.spike", ("motor_speed",), 20.0, 80.0),
        finding("precharge.ok", tau_s=Measured(0.1, "s", 0.09, 0.1 / 0.9)),
        finding("precharge.ok", tau_s=Measured(0.4, "s", 0.36, 0.4 / 0.9)),
    )  # fmt: skip
    found = values_of(made, Vehicle(), [RATE, RATIO, FLOOR])
    assert list(found) == ["spikes", "tau", "noise"]
    assert found["spikes"].value == pytest.approx(1.0, rel=0.01)
    low, high = stats.chi2.ppf([0.025, 0.975], [4, 6]) / 2 / 2.0  # Garwood's limits of two events
    assert (found["spikes"].low, found["spikes"].high) == pytest.approx((low, high), rel=0.01)
    assert found["tau"].value == pytest.approx(0.2)
    # DerSimonian and Laird of two: a variance of ½·ln²4 − s², so that the mean of both is known to ½·ln 4
    reach = 1.96 * log(4.0) / 2.0
    assert (found["tau"].low, found["tau"].high) == pytest.approx((0.2 * exp(-reach), 0.2 * exp(reach)), rel=1e-3)
    assert found["noise"].value == pytest.approx(2.0, rel=0.1)
    assert found["noise"].low is not None
    assert 1.5 < found["noise"].low < 2.0
    assert [value.unit for value in found.values()] == ["1/min", "s", "rpm"]


@pytest.mark.parametrize(
    ("of", "names"),
    [
        (signals("motor_speed"), ["spikes", "noise"]),  # without a load the speed must do
        (signals("motor_current"), []), (signals("vehicle_speed", "motor_current"), []),
    ],
)  # fmt: skip
def test_what_was_not_logged_has_no_value(of: Signals, names: list[str]) -> None:
    assert list(values_of(result(of), Vehicle(), [RATE, RATIO, FLOOR])) == names
    still = Signals({"motor_speed": Part("motor_speed", AT, 0.0 * AT, "", "Made.S")}, 0.0, 120.0)
    assert values_of(result(still), Vehicle(), [RATE, FLOOR]) == {}


def test_a_difference_is_no_logarithm_and_one_stretch_has_no_limits() -> None:
    one = finding("precharge.ok", tau_s=Measured(5.0, "V", 4.02, 5.98))
    found = values_of(result(DRIVEN, one), Vehicle(), [PLAIN])["volts"]
    assert (found.value, found.low, found.high) == pytest.approx((5.0, 4.02, 5.98), rel=1e-4)
    assert found.unit == "V"
    short = replace(FLOOR, samples=lambda *_: Scatter(AT[:500], noise().value[:500], 0.0))
    lone = values_of(result(DRIVEN), Vehicle(), [short])["noise"]
    assert (lone.low, lone.high) == (None, None)
    coarse = replace(FLOOR, samples=lambda *_: Scatter(AT, np.round(noise().value / 50.0) * 50.0, 50.0))
    assert values_of(result(DRIVEN), Vehicle(), [coarse]) == {}  # below the resolution


def test_a_measure_rests_on_the_slowest_of_its_parts() -> None:
    of = Signals({**signals("motor_speed").parts, **signals("dc_link_voltage", period_s=0.2).parts,
                  **signals("battery_voltage", period_s=0.5).parts}, 0.0, 120.0)  # fmt: skip
    made = result(of, finding("precharge.ok", ("dc_link_voltage", "battery_voltage"), tau_s=Measured(1.0, "s")),
                  finding("precharge.ok", ("motor_speed",), tau_s=Measured(1.0, "s")),
                  finding("precharge.ok", ("battery_voltage",)))  # fmt: skip
    assert periods_of(made, [RATE, RATIO]) == {"spikes": pytest.approx(0.05), "tau": pytest.approx(0.2)}
    assert periods_of(result(signals("motor_current")), [RATE, RATIO]) == {}


@pytest.mark.parametrize(
    ("dated", "named", "said"), [(True, True, "log"), (False, True, "name"), (False, False, "file")]
)
def test_a_date_is_the_logs_the_names_or_the_files(dated: bool, named: bool, said: str) -> None:
    assert Row("a", START, dated, 1.0, {}, date_named=named).date_from == said


def test_a_row_keeps_what_its_log_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history_file, "MEASURES", (RATIO, RATE))
    made = result(DRIVEN, finding("precharge.ok", ("motor_speed",), tau_s=Measured(1.0, "s", 0.9, 1.1)))
    row = row_of(made, Vehicle(), "a.log", START + timedelta(days=3), {"checks": "1"})
    assert (row.log, row.date, row.date_from, row.duration_s) == ("a.log", START, "log", 120.0)
    assert sorted(row.values) == ["spikes", "tau"]
    assert (row.cautions, sorted(row.periods_s), row.made_with) == (("cut",), ["spikes", "tau"], {"checks": "1"})
    made.capture.start_utc = None  # type: ignore[misc]
    named = row_of(made, Vehicle(), "2026-02-01.log", START)
    assert (named.date, named.date_from, named.made_with) == (datetime(2026, 2, 1, tzinfo=UTC), "name", {})
    assert row_of(made, Vehicle(), "a.log", START).date_from == "file"


def test_names_are_ordered_by_their_numbers() -> None:
    names = ["b2.log", "b10.log", "10.log", "9.log", "a.log", "7b.log", "0.log", "1.log"]
    assert sorted(names, key=_natural) == [
        "a.log", "b2.log", "b10.log", "0.log", "1.log", "7b.log", "9.log", "10.log"
    ]  # fmt: skip
    rows = [Row("b", START + timedelta(days=1), True, 1.0, {}), Row("a", START, True, 1.0, {})]
    found = history_of("Hazel", rows, [Note(START, "n")], [("c", "empty")])
    assert ([row.log for row in found.rows], found.notes, found.skipped) == (
        ["a", "b"],
        (Note(START, "n"),),
        (("c", "empty"),),
    )


def over(values: list[float], half: float = 0.02, name: str = "tau") -> list[Row]:
    return [
        Row(
            f"{k}.log",
            START + timedelta(days=10 * k),
            True,
            60.0,
            {name: Measured(v, "s", v * (1 - half), v * (1 + half))},
        )
        for k, v in enumerate(values)
    ]


def test_a_measure_changes_where_it_is_sure_and_matters() -> None:
    """A step of half; of one in 20 beside a margin of one in ten; four logs; and a drift of one in 50 a log."""
    step = [1.0, 1.01, 0.99, 1.0, 1.5, 1.51, 1.49, 1.5]
    found = changes(over(step), (), [RATIO])
    assert [(drift.name, drift.step is not None) for drift in found.drifts] == [("tau", True)]
    assert found.drifts[0].change.value == pytest.approx(50.0, abs=1.0)
    assert found.levels["tau"][0] == pytest.approx(1.0, abs=0.01)
    assert found.levels["tau"][7] == pytest.approx(1.5, abs=0.01)
    assert changes(over(step), (), [RATE, PLAIN]).drifts == ()
    small = [1.0, 1.001, 0.999, 1.0, 1.05, 1.051, 1.049, 1.05]
    assert changes(over(small, 0.002), (), [RATIO]).drifts == ()
    assert changes(over(small, 0.002), (), [replace(RATIO, margin=0.04)]).drifts != ()
    assert changes(over([1.0, 1.3, 1.6, 1.9]), (), [RATIO]).drifts == ()
    line = [exp(0.02 * k) for k in range(12)]
    (drift,) = changes(over(line, 0.005), (), [RATIO]).drifts
    assert drift.step is None
    assert drift.change.value == pytest.approx(100 * expm1(0.22), abs=0.5)
    assert (drift.logs, drift.days) == (12, 110.0)


def test_many_measures_make_a_chance_less_sure() -> None:
    """Holm: beside four measures without a change the chance counts five times."""
    step = [1.0, 1.3, 0.9, 1.1, 1.6, 1.9, 1.5, 1.7, 1.65, 1.6]
    others = [replace(RATIO, name=f"other {k}") for k in range(4)]
    alone, among = (changes(over(step, 0.2), (), measures) for measures in ([RATIO], [RATIO, *others]))
    if alone.drifts and among.drifts:
        assert among.drifts[0].p_value == pytest.approx(5.0 * alone.drifts[0].p_value)
    assert alone.drifts


def present(name: str, value: float, logs: int = 6, period_s: float = 0.01) -> _Present:
    series = series_of(RATIO, over([value * (1 + 0.002 * (-1) ** k) for k in range(logs)]))
    assert series is not None
    return _Present(name, series, period_s)


def test_the_farthest_vehicle_is_taken_out_first_while_the_others_are_the_majority() -> None:
    alike = [present(f"v{k}", 1.0 + 0.005 * k) for k in range(4)]
    found = _of_measure(RATIO, [*alike, present("odd", 2.0)])
    assert [each.vehicle for each in found] == ["odd"]
    assert (found[0].name, found[0].title, found[0].logs, found[0].coincides) == ("tau", "Time constant", 6, "")
    assert found[0].level.value == pytest.approx(2.0, rel=0.02)
    assert found[0].others.value == pytest.approx(1.01, rel=0.02)
    assert found[0].change.value == pytest.approx(100.0, abs=4.0)
    assert found[0].change.unit == "%"
    two = _of_measure(RATIO, [*alike, present("odd", 2.0), present("odder", 4.0)])
    assert [each.vehicle for each in two] == ["odder", "odd"]  # each against the rest
    assert _of_measure(RATIO, [present("a", 1.0), present("b", 2.0)]) == []
    assert len(_of_measure(RATIO, [present("a", 1.0), present("b", 1.0), present("c", 3.0)])) == 1
    assert _of_measure(RATIO, [*alike, present("near", 1.05)]) == []  # within a tenth
    assert _of_measure(RATIO, []) == []


def test_a_difference_is_a_ratio_in_percent_or_stays_in_its_unit() -> None:
    own, rest = present("odd", 2.0), [present("a", 1.0)]
    level, others, away = (
        Estimate(log(2.0), log(1.9), log(2.1)),
        Estimate(0.0, -0.1, 0.1),
        Estimate(log(2), log1p(0.5), log(3), 0.004),
    )
    found = _difference(RATIO, own, rest, level, others, away)
    assert (found.level.value, found.level.low, found.level.high) == pytest.approx((2.0, 1.9, 2.1))
    assert (found.others.value, found.others.low) == pytest.approx((1.0, exp(-0.1)))
    assert (found.change.value, found.change.low, found.change.high) == pytest.approx((100.0, 50.0, 200.0))
    assert (found.p_value, found.vehicle, found.level.unit) == (0.004, "odd", "s")
    plain = _difference(
        PLAIN, own, rest, Estimate(5.0, 4.0, 6.0), Estimate(3.0, 2.0, 4.0), Estimate(2.0, 1.0, 3.0, 0.01)
    )
    assert plain.change == Measured(2.0, "V", 1.0, 3.0)
    assert (plain.level.value, plain.others.value) == (5.0, 3.0)


@pytest.mark.parametrize(
    ("own_s", "rest_s", "said"),
    [
        (0.01, [0.01, 0.1], ""), (0.1, [0.01, 0.01], "the sampling period (100\xa0ms here, 10\xa0ms elsewhere)"),
        (0.1, [0.01, 1.0], "10\xa0ms or 1\xa0s elsewhere"),
    ],
)  # fmt: skip
def test_another_sampling_may_be_the_reason(own_s: float, rest_s: list[float], said: str) -> None:
    found = _coincides(present("odd", 2.0, period_s=own_s), [present("a", 1.0, period_s=s) for s in rest_s])
    assert (found == "") is (said == "")
    assert said.removeprefix("the sampling period ") in found


def test_a_vehicle_stands_where_its_logs_since_the_last_step_put_it() -> None:
    rows = over([1.0, 1.0, 1.0, 2.0, 2.0, 2.0])
    step = StepChange("3", rows[3].date, rows[2].date, rows[3].date, Measured(1.0, "s"), Measured(2.0, "s"), 3, 3)
    drifts = tuple(Drift(name, "", 6, 50.0, Measured(1.0, "%"), 0.001, False, step=of)
                   for name, of in (("tau", step), ("tau", None), ("else", replace(step,
                   date=rows[5].date))))  # fmt: skip
    made = History("Hazel", tuple(rows), (), (), drifts=drifts)
    found = _present(RATIO, made)
    assert found is not None
    assert (len(found.series.rows), found.vehicle) == (3, "Hazel")
    assert np.isnan(found.period_s)
    assert _present(RATIO, replace(made, rows=())) is None
    assert differences([made] * 3, [RATE, RATIO]) == ()
    timed = replace(made, rows=tuple(replace(row, periods_s={"tau": 0.02}) for row in rows))
    sampled = _present(RATIO, timed)
    assert sampled is not None
    assert sampled.period_s == 0.02


def test_notes_have_their_zone_and_a_first_line_of_names_is_none(tmp_path: Path) -> None:
    path = tmp_path / "n.csv"
    path.write_text("Date,text\n2026-03-05T14:30+02:00,a, b\n\n2026-03-01, first \n", encoding="utf-8")
    assert read_notes(path) == (
        Note(datetime(2026, 3, 1, tzinfo=UTC), "first"), Note(datetime(2026, 3, 5, 12, 30, tzinfo=UTC), "a, b")
    )  # fmt: skip
    assert read_notes(path)[1].date.tzinfo == UTC
    toml = tmp_path / "n.TOML"
    toml.write_text('[[note]]\ndate = 2026-03-05\ntext = "x"\n[[note]]\ndate = 2026-03-04T01:00:00-01:00\ntext = 7\n',
                    encoding="utf-8")  # fmt: skip
    assert read_notes(toml) == (
        Note(datetime(2026, 3, 4, 2, tzinfo=UTC), "7"),
        Note(datetime(2026, 3, 5, tzinfo=UTC), "x"),
    )
    assert timezone(timedelta(0)) == UTC


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("date,text\n2026-03-05\n", "n.csv:2: this line has no date"), ("2026-13-05,x\n",
         "n.csv:1: “2026-13-05” is not"),
        ("2026-03-05,x\ndate,x\n", "n.csv:2: “date” is not a date"),
    ],
)  # fmt: skip
def test_a_line_of_notes_that_is_not_sound_is_named(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "n.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RequestError) as error:
        read_notes(path)
    assert said in str(error.value)


def test_a_run_shows_its_aspects_its_loop_and_what_to_do() -> None:
    response = replace(
        finding("current_control.response", ("motor_current",), overshoot_percent=Measured(12.0, "%"),
                settling_time_s=Measured(None, "s")),
        evidence=Evidence(charts=(Chart("time", "s", "share", "1", (Series("a", np.array([-0.1, 0.0, 0.5]),
        np.array([0.0, 0.5,
        1.0])),)),)),
    )  # fmt: skip
    judder = replace(finding("driveline.judder", judder_Hz=Measured(8.0, "Hz")), severity=Severity.WARNING, title="J",
                     next_step="do", caution="care")  # fmt: skip
    other = finding("precharge.ok", overshoot_percent=Measured(1.0, "%"))
    found = tuning_of(result(DRIVEN, other, judder, response))
    assert {name: value.value for name, value in found.values.items()} == {"Overshoot": 12.0, "Launch judder": 8.0}
    assert (found.loop, found.advice) == ("motor_current", Advice("J", "do", "care"))
    assert found.step_s == (-0.1, 0.0, 0.5)
    assert tuning_of(result(DRIVEN, other)) == Tuning()
    stored = {"values": {"Overshoot": {"value": 1.0, "unit": "%", "low": None, "high": None}}, "step_s": [1.0],
              "step_share": [2.0], "advice": None, "loop": "torque"}  # fmt: skip
    assert tuning_from(stored) == Tuning({"Overshoot": Measured(1.0, "%")}, (1.0,), (2.0,), None, "torque")


def test_runs_of_one_loop_are_compared_in_it_and_all_in_the_rest() -> None:
    def run(loop: str, shoot: float, ohm: float) -> Tuning:
        return Tuning({"Overshoot": Measured(shoot, "%", shoot - 1, shoot + 1),
                       "Battery resistance": Measured(ohm, "ohm", ohm - 0.01, ohm + 0.01)}, loop=loop)  # fmt: skip

    alike = bests([run("torque", 20.0, 0.2), run("torque", 10.0, 0.1), run("", 30.0, 0.3)])
    assert (alike["Overshoot"], alike["Battery resistance"]) == (1, 1)
    apart = bests([run("torque", 20.0, 0.2), run("motor_current", 10.0, 0.1)])
    assert (apart["Overshoot"], apart["Battery resistance"]) == (None, 1)
    assert set(alike) == {aspect.title for aspect in ASPECTS}
