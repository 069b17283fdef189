"""Restarts, long dropouts and departures of the motor speed as findings: made analyses, values and words by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.encoder.disturbance_load import companions
from logscope.checks.encoder.disturbance_rate import Stretches, rate_law
from logscope.checks.encoder.disturbance_switching import _judge, _switched
from logscope.checks.encoder.wrong_findings import wrong_findings
from logscope.findings import CAUTION_HV, Mark, Measured, Severity
from logscope.observations.motor_speed.departures import Departure
from logscope.observations.motor_speed.lost import LostSpeed

T = np.arange(0.0, 60.0, 0.01)
SHAFT: Any = SimpleNamespace(on_shaft=True, words="the electrical frequency", update_s=0.02)
ROAD: Any = SimpleNamespace(on_shaft=False, words="the road speed", update_s=0.1)


def wrong(*lost: LostSpeed, departures: tuple[Departure, ...] = (), update_s: float = 0.01) -> Any:
    model = SimpleNamespace(
        reach=SimpleNamespace(slack=20.0), running_s=30.0, update_s=update_s, exposure_s=np.full(T.size, 0.01)
    )
    study = SimpleNamespace(speed=part("motor_speed", T, T), model=model)
    return SimpleNamespace(study=study, lost=lost, departures=departures)


def lost(
    before: int, first: int, last: int, after: int | None, rpm: float, *, restart: bool = False, shown: str = "torque"
) -> LostSpeed:
    words = (shown, "silence") if shown else ()
    return LostSpeed(before, first, last, after, rpm, 0.25, words, device=restart, restart=restart)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def found(of: Any) -> Any:
    return wrong_findings(signals(of.study.speed), of)


def test_restarts_are_one_finding_with_bounds_of_their_time() -> None:
    """Zero from 10 to 12 s, at speed again at 12.5 s; and from 40 s to the end of the log."""
    of = wrong(lost(990, 1000, 1200, 1250, 2500.0, restart=True), lost(3980, 4000, 5999, None, 3000.0, restart=True))
    (got,) = found(of)
    assert (got.kind, got.severity, got.caution) == ("encoder.restart", Severity.WARNING, CAUTION_HV)
    assert got.title == "Motor speed: 2 restarts of the inverter at speed, from up to 3000 rpm to zero"
    assert got.measured["count"] == Measured(2.0, "")
    assert got.measured["peak_deviation_rpm"] == Measured(3000.0, "rpm", 2980.0, None)
    lasted = got.measured["duration_s"]
    assert (lasted.value, lasted.low, lasted.high) == pytest.approx((2.01 + 19.99, 2.0 + 19.99, 2.6 + 20.19))
    assert got.measured["rate_per_min"].value == pytest.approx(4.0)  # in half a minute of turning
    assert [(each.start_s, each.end_s) for each in got.events] == [
        pytest.approx((9.9, 12.5)), pytest.approx((39.8, 59.99)),
    ]  # fmt: skip
    assert got.evidence.marks == (Mark(T[1000], "falls to zero"), Mark(T[4000], "falls to zero"))
    assert got.evidence.window == pytest.approx((7.9, 14.5))
    assert got.method == "That the shaft turned is shown by: torque; silence."
    assert "within 250 ms" in got.explanation
    assert "wrong for 22 s" in got.explanation


def test_a_rate_counts_the_time_lost_where_that_is_longer_than_the_turning() -> None:
    (got,) = found(wrong(lost(0, 10, 5900, 5999, 3000.0)))
    assert got.measured["rate_per_min"].value == pytest.approx(60.0 / 59.99)


def test_a_dropout_and_an_unexplained_fall_stand_apart() -> None:
    of = wrong(lost(990, 1000, 1200, 1250, 15.0), lost(1990, 2000, 2200, 2250, 2000.0, shown=""))
    dropout, open_ = found(of)
    assert dropout.title == "Motor speed: 1 dropout to zero while the shaft turns, from up to 15 rpm"
    assert dropout.evidence.marks == (Mark(T[1000], "lost"),)
    assert dropout.measured["peak_deviation_rpm"].low == 0.0
    assert "is lost for 2.01 s in all" in dropout.explanation
    assert (open_.kind, open_.severity, open_.caution) == ("encoder.undetermined", Severity.INFO, "")
    assert open_.title == "Motor speed: 1 unexplained fall to zero, from up to 2000 rpm"
    assert open_.evidence.marks == (Mark(T[2000], "undecided"),)


@pytest.mark.parametrize(("witness", "kind"), [(SHAFT, "encoder.departure"), (ROAD, "encoder.undetermined")])
def test_a_departure_is_as_far_as_its_worst_and_as_long_as_its_samples(witness: Any, kind: str) -> None:
    """2 and 3 s; each may have lasted an update longer at either end."""
    apart = (Departure(witness, 1000, 1200, 80.0), Departure(witness, 3000, 3300, 450.0))
    (got,) = found(wrong(departures=apart))
    assert got.kind == kind
    assert got.measured["count"] == Measured(2.0, "")
    assert got.measured["peak_deviation_rpm"] == Measured(450.0, "rpm", 430.0, None)
    lasted = got.measured["duration_s"]
    assert (lasted.value, lasted.low, lasted.high) == (pytest.approx(5.0), None, pytest.approx(5.04))
    if witness is SHAFT:
        assert got.title == "Motor speed: differs from the electrical frequency 2 times, by up to 450 rpm"
        assert got.method.endswith("where both are logged, every 20 ms.")  # the slower of the two
        assert got.evidence.marks[0].label == "apart"
        assert found(wrong(departures=apart, update_s=0.05))[0].method.endswith("every 50 ms.")
    else:
        assert got.title == "Motor speed: below the road speed 2 times, by up to 450 rpm; cause undetermined"
    assert "For 5 s" in got.explanation or "for 5 s" in got.explanation


def test_at_most_twenty_moments_are_marked() -> None:
    many = wrong(*(lost(200 * k - 10, 200 * k, 200 * k + 50, 200 * k + 60, 900.0) for k in range(1, 26)))
    assert len(found(many)[0].evidence.marks) == 20
    assert found(wrong()) == []


def states(name: str, edges: int) -> Any:
    on = np.zeros(T.size, bool)
    for k in range(edges):
        on[500 * (k + 1) :] ^= True
    return part(name, T, on, on=on)


@pytest.mark.parametrize(
    ("name", "edges", "counted"),
    [("coolant_pump", 3, True), ("coolant_pump", 2, False), ("negative_contactor", 5, True), ("brake", 5, False)],
)
def test_coils_that_switch_three_times_are_looked_at(name: str, edges: int, counted: bool) -> None:
    got = list(_switched(signals(states(name, edges))))
    assert len(got) == counted
    if counted:
        assert got[0][0] == name
        assert got[0][1].tolist() == pytest.approx([5.0 * (k + 1) for k in range(edges)])
        assert got[0][2] == pytest.approx(0.01)


def test_switching_all_the_time_has_no_time_beside_it() -> None:
    one = wrong().study
    one.disturbances = (SimpleNamespace(first=100),)
    assert _judge(one, "coolant_pump", np.arange(0.0, 61.0, 0.1), 0.01) is None
    assert _judge(one, "coolant_pump", np.array([100.0]), 0.01) is None


def driven(seconds: int = 400) -> Stretches:
    """Half seconds with 2 disturbances each, 5 in those of the higher current, and a speed that hardly changes."""
    count = 2 * seconds
    high = np.arange(count) % 4 < 2
    weight = np.full(count, 0.5)
    return Stretches(
        np.where(high, 5.0, 2.0) + np.arange(count) % 2, weight, np.where(high, 250.0, 50.0), np.zeros(count),
        np.arange(count), np.full(count, True), weight,
    )  # fmt: skip


def test_the_law_is_the_ratio_of_two_rates_where_there_are_two_currents() -> None:
    """5.5 and 2.5 a half second, 200 A apart: 2.2 for 200 A, √2.2 for 100 A; drawn at 660 and 300 a minute."""
    law = rate_law(driven())
    assert law is not None
    assert law.power is None
    assert law.current.value == pytest.approx(2.2**0.5, rel=1e-3)
    amps, rate, low, high = law.line
    assert (amps[0], amps[-1], amps.size) == (50.0, 250.0, 50)
    assert (rate[0], rate[-1]) == pytest.approx((300.0, 660.0), rel=1e-3)
    assert np.all((low < rate) & (rate < high))


@pytest.mark.parametrize(
    ("name", "swing", "known", "asked"),
    [
        ("throttle", 10.2, 1.0, True),  # half of 10 % is the least deviation
        ("throttle", 9.8, 1.0, False),
        ("dc_link_voltage", 10.2, 1.0, True),
        ("throttle", 40.0, 0.92, True),
        ("throttle", 40.0, 0.88, False),  # nine tenths of the driving have to be known
        ("brake", 40.0, 1.0, False),
    ],
)
def test_a_companion_changes_by_itself_and_is_known_nearly_all_the_time(
    name: str, swing: float, known: float, asked: bool
) -> None:
    """Two levels in turn, whatever the current: their deviation is half the swing. As many disturbances at either."""
    made = driven()
    time = 0.5 * np.arange(made.counts.size)
    value = np.where(np.arange(time.size) % 2 == 0, 20.0, 20.0 + swing)
    there = np.arange(time.size) < known * time.size
    study: Any = SimpleNamespace(speed=part("motor_speed", time, time))
    got = companions(study, signals(part(name, time[there], value[there])), made)
    assert len(got) == asked
    if asked:
        assert (got[0].name, got[0].per) == (name, "10 %" if name == "throttle" else "10 V")
        if known == 1.0:  # one more a half second at the higher level, 3.5 in the mean and 4.5
            assert got[0].factor.value == pytest.approx((4.5 / 3.5) ** (10.0 / swing), rel=0.01)
            assert got[0].factor.low < got[0].factor.value < got[0].factor.high
