"""What a discharge finding states of made falls: outcomes, values, curves and marks; numbers by hand.

v(t) = V0·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import part
from discharge_pieces import OPENING, between, fall, fit, judged

from logscope.checks.discharge import check
from logscope.checks.discharge.judge import judge_discharge
from logscope.checks.discharge.measure import Stop
from logscope.curves.discharge import Shape
from logscope.curves.estimate import Estimate
from logscope.findings import Level, Mark, Measured, NothingToCheck, Severity
from logscope.signals import Signals
from logscope.vehicle import DcLink, Precharge, Vehicle

SEEN = between(60.0, 62.0)
BEGUN, RESTARTED = replace(OPENING, shown_by="", level_v=None), replace(OPENING, restarted=True)


def test_what_is_measured_of_a_fall_is_stated() -> None:
    found = check._measured(judged("discharged"))
    assert found["time_constant_s"] == Measured(47.0, "s", 46.0, 48.0)
    assert found["time_to_60V_s"] == Measured(85.0, "s", 80.0, 90.0)
    assert (found["start_voltage_V"], found["end_voltage_V"]) == (Measured(350.0, "V"), Measured(100.0, "V"))
    assert (found["seen_s"], found["active_discharge"]) == (Measured(60.0, "s"), Measured(0.0, "1"))
    bleeder = found["implied_bleeder_ohm"]
    assert (bleeder.value, bleeder.low, bleeder.high) == pytest.approx((47e3, 46e3, 48e3))
    assert not {"missing_s", "active_stop_V", "resting_voltage_V"} & set(found)
    for one, extrapolated in ((fall(), 1.0), (fall(crossed=True), 0.0), (fall(level_v=60.0), 0.0)):
        assert check._measured(judged("discharged", one))["extrapolated"] == Measured(extrapolated, "1")
    more = check._measured(
        judged(
            "discharged", fall(missing_s=2.0, stopped=Stop(3.0, 80.0), fit=fit(rest=between(40.0, 60.0))), active=True
        )
    )
    assert (more["missing_s"], more["active_stop_V"]) == (Measured(2.0, "s"), Measured(80.0, "V"))
    assert more["resting_voltage_V"] == Measured(50.0, "V", 40.0, 60.0)
    assert more["active_discharge"] == Measured(1.0, "1")
    for bad in (fit(rest=between(40.0, 60.0), misfit=True), None):
        assert "resting_voltage_V" not in check._measured(judged("discharged", fall(fit=bad)))
    assert "implied_bleeder_ohm" not in check._measured(judged("discharged", capacitance_f=None))
    unbounded = fit(time_constant=Estimate(99.0, 90.0, inf, 80.0, inf))
    endless = check._measured(judged("discharged", fall(fit=unbounded)))
    assert endless["time_constant_s"] == Measured(99.0, "s", 90.0, None)
    assert endless["implied_bleeder_ohm"].high is None
    assert check._measured(judged("undetermined", fall(time_to_safe=None)))["time_to_60V_s"] == Measured(None, "s")


def test_a_link_that_does_not_fall_has_a_constant_beyond_what_its_rate_allows() -> None:
    """A rate of at most 1 per 1000 s."""
    held = fit(falls=False, time_constant=None, rate=between(-1e-4, 1e-3))
    assert check._measured(judged("stays_live", fall(fit=held)))["time_constant_s"] == Measured(None, "s", 1000.0, None)
    rises = fit(falls=False, time_constant=None, rate=between(-2e-3, -1e-3))
    for other in (rises, fit(misfit=True, falls=False, time_constant=None, rate=between(-1e-4, 1e-3))):
        assert check._measured(judged("stays_live", fall(fit=other)))["time_constant_s"] == Measured(None, "s")


def test_what_is_expected_is_the_bleeders_band_and_the_limit() -> None:
    """60 V after RC · ln(350/60), at the fast end with 20 % less."""
    found = check._expected(judged("discharged"))
    band, time = found["time_constant_s"], found["time_to_60V_s"]
    assert (band.value, band.low, band.high) == pytest.approx((47.0, 37.6, 56.4))
    assert (time.value, time.low, time.high) == pytest.approx((47 * log(350 / 60), 37.6 * log(350 / 60), 100.0))
    assert check._expected(judged("discharged", expected_s=None)) == {"time_to_60V_s": Measured(None, "s", None, 100.0)}


def test_the_curves_of_a_fall_begin_where_they_hold() -> None:
    """The opening lies in the middle of 2.0 and 2.5 s; the fit begins at 2.5 s."""
    late = fit(begin_s=30.0)
    found = check._evidence(judged("discharged", fall(late=late)), 2.25)
    assert found.levels == (Level(60.0, "60 V, voltage class A below", "dc_link_voltage"),)
    assert found.marks == (Mark(2.25, "contactors open"),)
    drawn, expected = found.curves
    assert (drawn.time_s[0], drawn.time_s[-1]) == (30.0, 99.0)
    assert drawn.value == pytest.approx(340 * np.exp(-(drawn.time_s - 2.5) / 47.0))
    assert expected.time_s[0] == 2.25
    after_s = expected.time_s - 2.25
    for value, tau_s in ((expected.value, 47.0), (expected.low, 37.6), (expected.high, 56.4)):
        assert value == pytest.approx(350 * np.exp(-after_s / tau_s))
    for bad in (None, fit(begin_s=30.0, misfit=True)):
        assert check._evidence(judged("discharged", fall(late=bad)), 2.25).curves[0].time_s[0] == 2.5
    none = check._evidence(judged("discharged", fall(fit=None), expected_s=None), 2.25)
    assert none.curves == ()
    crossed = check._evidence(judged("discharged", fall(crossed=True, time_to_safe=SEEN)), 2.25)
    assert crossed.marks[1] == Mark(63.25, "60 V")


@pytest.mark.parametrize(
    ("one", "end_s"),
    [
        (fall(), 99.0),
        (fall(crossed=True, time_to_safe=SEEN), 63.25),
        (fall(crossed=True, time_to_safe=between(200.0, 202.0)), 99.0),
        (fall(opening=replace(OPENING, end_s=2.1)), 2.25),
    ],
)
def test_a_finding_lasts_from_the_opening_to_60_v_or_the_end(one: Any, end_s: float) -> None:
    found = check._finding(judged("slow_discharge", one), Signals({}, 0.0, 99.0))
    assert (found.kind, found.severity) == ("dc_link.slow_discharge", Severity.WARNING)
    assert (found.start_s, found.end_s) == pytest.approx((2.25, end_s))


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The check over made openings, each with this fall."""

    def over(openings: Any, one: Any, logged: bool = True) -> Any:
        def of(_: Any, __: Any, opening: Any) -> Any:
            return None if one is None else replace(one, opening=opening)

        monkeypatch.setattr(check, "measure_discharge", of)
        parts = {"battery_voltage": part("battery_voltage", [0.0], [350.0])} if logged else {}
        observed: Any = SimpleNamespace(link=None, openings=openings)
        return check.discharge(Signals(parts, 0.0, 99.0), observed, Vehicle())

    return over


@pytest.mark.parametrize(
    ("opening", "one", "count"),
    [
        (OPENING, fall(), 1),
        (replace(RESTARTED, end_s=2.99), fall(), 0),  # charged again within half a second
        (replace(RESTARTED, end_s=3.0), fall(), 1),
        (replace(OPENING, end_s=2.6), fall(), 1),
        (BEGUN, fall(level_v=60.0), 0),  # a log that begins with a link at rest
        (BEGUN, fall(level_v=61.0), 1),
        (OPENING, fall(level_v=55.0, end_v=50.0), 1),
        (OPENING, None, 0),
        (replace(OPENING, held_until="negative_contactor"), fall(), 0),
        (
            replace(OPENING, held_until="negative_contactor"),
            fall(fit=fit(falls=False), time_to_safe=Estimate(9e9, 8e9, inf, 7e9, inf)),
            1,
        ),
    ],
)  # fmt: skip
def test_each_opening_that_shows_a_discharge_has_a_finding(opening: Any, one: Any, count: int, run: Any) -> None:
    if count:
        assert len(run([opening], one)) == count
        return
    with pytest.raises(NothingToCheck, match="never falls away from the pack: keep"):
        run([opening], one)
    with pytest.raises(NothingToCheck, match="no pack voltage is logged to compare"):
        run([opening], one, logged=False)


# --- the outcome, where the other tests leave it open


@pytest.mark.parametrize(
    ("one", "kind"),
    [
        (fall(time_to_safe=None), "undetermined"),
        (fall(time_to_safe=between(130.0, 140.0), level_v=61.0, end_v=59.0), "slow_discharge"),
        (fall(time_to_safe=between(130.0, 140.0), level_v=59.0, end_v=61.0), "slow_discharge"),
        (fall(fit=fit(falls=False), time_to_safe=between(130.0, 140.0)), "stays_live"),  # ten times for one that falls
        (fall(fit=fit(falls=False), time_to_safe=between(110.0, 119.0)), "undetermined"),
        (fall(time_to_safe=between(1250.0, 1300.0)), "stays_live"),
        (fall(time_to_safe=between(1250.0, 1300.0), settled=False), "undetermined"),
        (fall(time_to_safe=between(1250.0, 1300.0), fit=fit(misfit=True)), "undetermined"),
        (fall(time_to_safe=between(1250.0, 1300.0), stopped=Stop(3.0, 80.0), opening=RESTARTED), "undetermined"),
        (fall(time_to_safe=between(1250.0, 1300.0), stopped=Stop(3.0, 80.0)), "stays_live"),
        (fall(missing_s=31.0), "undetermined"),
        (fall(missing_s=29.0), "discharged"),
        (fall(missing_s=31.0, crossed=True), "discharged"),
        (fall(fit=fit(misfit=True)), "undetermined"),
        (fall(fit=fit(misfit=True), crossed=True), "discharged"),
    ],
)  # fmt: skip
def test_an_outcome_without_a_bleeder_is_that_of_the_reference(one: Any, kind: str) -> None:
    """120 s of LV 123 (from memory)."""
    assert judge_discharge(one, Vehicle()).kind == kind


@pytest.mark.parametrize(
    ("constant", "late", "slow"),
    [
        (between(57.3, 58.0), None, True),  # a claim begins at 57.1 s, and 56.4 s are the slow end
        (between(56.5, 58.0), None, False),  # at 56.1 s
        (between(57.3, 58.0), fit(time_constant=between(57.3, 58.0)), False),  # of the last stretch alone
    ],
)
def test_a_slow_constant_is_that_of_the_whole_fall(constant: Any, late: Any, slow: bool) -> None:
    whole = fit(time_constant=constant)
    bled = Vehicle(precharge=Precharge(capacitance_uF=1000, tolerance=0.2), dc_link=DcLink(bleeder_ohm=47000))
    found = judge_discharge(fall(fit=whole, late=late or whole), bled)
    assert found.kind == ("slow_discharge" if slow else "discharged")
    assert (found.expected_s, found.capacitance_f, found.tolerance) == (pytest.approx(47.0), pytest.approx(1e-3), 0.2)


@pytest.mark.parametrize(
    ("end_v", "pack_v", "at_pack"),
    [(333.0, 350.0, True), (332.0, 350.0, False), (367.0, 350.0, True), (368.0, 350.0, False), (333.0, None, None)],
)
def test_a_link_stands_at_its_packs_level_within_five_per_cent(end_v: float, pack_v: Any, at_pack: Any) -> None:
    assert judge_discharge(fall(end_v=end_v, pack_v=pack_v), Vehicle()).at_pack is at_pack


@pytest.mark.parametrize(
    ("high_s", "level_v", "shape", "active"),
    [
        (4.9, 350.0, Shape.RESISTOR, True),
        (4.9, 60.0, Shape.RESISTOR, False),
        (inf, 350.0, Shape.CURRENT, False),
    ],
)
def test_an_active_discharge_is_over_in_five_seconds(high_s: float, level_v: float, shape: Shape, active: bool) -> None:
    time = Estimate(3.0, 2.0, high_s, 2.0, high_s)
    assert judge_discharge(fall(time_to_safe=time, level_v=level_v, fit=fit(shape=shape)), Vehicle()).active is active


@pytest.mark.parametrize(
    ("bleeder_ohm", "shape", "active"),
    [
        (14_400, Shape.RESISTOR, True),
        (14_100, Shape.RESISTOR, False),
        (14_100, Shape.POWER, True),
        (14_100, Shape.CURRENT, True),
    ],
)
def test_a_fast_bleeder_is_told_from_an_active_discharge_by_a_factor_of_five(
    bleeder_ohm: float, shape: Shape, active: bool
) -> None:
    """1 mF and 14.18 kΩ take 25 s from 350 to 60 V, five times 5 s less a little: here 4.99 s."""
    bled = Vehicle(precharge=Precharge(capacitance_uF=1000), dc_link=DcLink(bleeder_ohm=bleeder_ohm))
    one = fall(time_to_safe=Estimate(4.5, 4.0, 4.99, 4.0, 4.99), fit=fit(shape=shape))
    assert judge_discharge(one, bled).active is active


def test_a_time_is_stated_unless_nothing_carries_it() -> None:
    shapeless, hole = fall(fit=fit(misfit=True)), fall(missing_s=31.0)
    for one in (shapeless, hole):
        assert judged("undetermined", one).time_to_safe is None
        assert judged("stays_live", one).time_to_safe is not None
    assert judged("undetermined", replace(shapeless, crossed=True)).time_to_safe is not None
    assert judged("undetermined").time_to_safe == between(80.0, 90.0)
