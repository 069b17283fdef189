"""The findings on operating points, slip and field weakening, and the line that tells a lag from slip. By hand.

The robust line: statsmodels' RLM with Huber's norm; P = 2π·n/60 · T; slip as stator frequency less pole pairs times
turns a second (Chapman, Electric Machinery Fundamentals, chapter 6).
"""

from __future__ import annotations

from dataclasses import replace
from math import pi
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from motor_traces import part, signals
from scipy import stats

from logscope.checks.machine.check import (
    _points,
    _slip,
    machine,
    points_words,
    slip_words,
    synchronous_words,
    weakening_words,
)
from logscope.checks.machine.points import Binned, Points, by_bins
from logscope.checks.machine.synchronous import Synchronous, _blocks, _robust_line, find_synchronous
from logscope.checks.machine.weakening import Weakening, find_weakening
from logscope.findings import Measured, NothingToCheck, Severity
from logscope.vehicle import Motor, Vehicle

T = np.arange(0.0, 60.0, 0.05)
ANY: Any = None


def points(torque: Any, rpm: Any, at: np.ndarray = T) -> Points:
    turning, pull = (np.broadcast_to(np.asarray(each, float), at.shape) for each in (rpm, torque))
    return Points(at, np.full(at.size, 0.05), turning, pull)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_operating_points_share_the_time_among_driving_braking_and_the_rest() -> None:
    """30 s at 100 Nm, 15 s at −50 Nm, 15 s idle; 3000 rpm are 314 rad/s: 31.4 kW."""
    torque = np.where(T < 29.99, 100.0, np.where(T < 44.99, -50.0, 1.0))
    found = _points(points(torque, 3000.0), signals(part("torque", T, torque), part("motor_speed", T, T)))
    assert (found.severity, found.caution) == (Severity.INFO, "")
    assert found.measured["driving_percent"].value == pytest.approx(50.0)
    assert found.measured["braking_percent"].value == pytest.approx(25.0)
    assert found.measured["peak_power_W"].value == pytest.approx(100.0 * 100.0 * pi)
    assert "efficiency_percent" not in found.measured
    assert found.title == "Motor: up to 31.4\N{NO-BREAK SPACE}kW"
    assert found.explanation.endswith("Time spent: 50 % driving, 25 % braking, 25 % idle or backwards.")
    assert (found.start_s, found.end_s) == (0.0, T[-1])
    (series,) = found.evidence.charts[0].series
    assert (series.x[0], series.y[0], series.x.size) == (3000.0, 100.0, 1200)
    at = 0.05 * np.arange(4001)
    assert _points(points(50.0, 3000.0, at), signals()).evidence.charts[0].series[0].x.size == 1334  # every third


@pytest.mark.parametrize(("efficiency", "wrong"), [(101.0, True), (99.0, False)])
def test_more_than_all_of_the_energy_warns(efficiency: float, wrong: bool) -> None:
    """Blocks that differ by ± 0.4 %: their limits leave 101 % above 100 %."""
    torque = np.where((T // 5.0).astype(int) % 2 == 0, 1.004, 0.996) * efficiency
    power_w = 100.0 * 100.0 * pi
    made = signals(
        part("battery_voltage", T, np.full(T.size, 250.0)), part("battery_current", T, np.full(T.size, power_w / 250.0))
    )
    found = _points(points(torque, 3000.0), made)
    assert found.severity is (Severity.WARNING if wrong else Severity.INFO)
    assert found.measured["efficiency_percent"].value == pytest.approx(efficiency, abs=0.01)
    assert next(iter(found.measured)) == "efficiency_percent"
    assert f"efficiency {efficiency:.0f}" in plain(found.title)
    assert ("Above 100 % is impossible" in found.explanation) is wrong
    assert found.next_step.startswith("Check scale" if wrong else "Compare map")


def test_operating_points_are_said_with_or_without_an_efficiency() -> None:
    shares = {"driving": 50.0, "braking": 0.0}
    none = points_words(shares, 12_000.0, None, False)
    assert none.explanation == "Efficiency cannot be determined. Time spent: 50 % driving, 0 % braking."
    assert none.method.startswith("Efficiency needs")
    some = points_words(shares, 12_000.0, Measured(88.0, "%", 87.0, 89.0), False)
    assert plain(some.title) == "Motor: up to 12.0 kW, efficiency 88.0 %"
    assert plain(some.explanation).startswith("88.0 % (95 %: 87.0 to 89.0 %) of the battery's energy reached the shaft")


CURVE = Binned(
    np.array([1000.0, 2000.0, 4000.0]), np.array([40.0, 70.0, 92.0]), np.array([39.0, 69.0, 91.5]),
    np.array([41.0, 71.0, 92.5]), 1000.0,
)  # fmt: skip


def test_an_onset_is_said_with_its_interval_or_its_absence() -> None:
    found = Weakening(Measured(3600.0, "rpm", 3000.0, 4000.0), "voltage utilisation", CURVE)
    words = weakening_words(found, Measured(8.0, "%", 7.5, 8.5))
    assert plain(words.title) == "Motor: field weakening begins at about 3600 rpm"
    assert plain(words.explanation).startswith("95 % interval: 3000 to 4000 rpm. At the highest speed 8.0")
    assert words.method.startswith("Judged by voltage utilisation, over the speeds")
    none = weakening_words(replace(found, onset=None), None)
    assert none.title.startswith("Motor: no field weakening seen")
    assert none.explanation == "It begins above that speed, or the run was too short."
    assert not words.hands_near_hv
    assert not none.hands_near_hv


def run(**other: Any) -> Any:
    """Up to 6000 rpm in a minute, 100 Nm; the utilisation is a hundredth of the speed over 60."""
    rpm = np.linspace(500.0, 6000.0, T.size)
    given = {
        "torque": np.full(T.size, 100.0), "motor_speed": rpm,
        "voltage_utilisation": np.minimum(rpm / 50.0, 98.0), **other,
    }  # fmt: skip
    return signals(*(part(name, T, value) for name, value in given.items() if value is not None))


def test_field_weakening_is_a_finding_with_its_headroom() -> None:
    """95 % of the voltage at 4750 rpm; 2 % are left at the highest speed."""
    found = {each.kind: each for each in machine(run(), ANY, Vehicle())}
    assert set(found) == {"machine.operating_points", "machine.field_weakening"}
    weak = found["machine.field_weakening"]
    assert (weak.start_s, weak.end_s) == pytest.approx((T[0], T[-1]))
    assert weak.measured["onset_rpm"].value == pytest.approx(4750.0, abs=60.0)
    assert weak.measured["headroom_percent"] == Measured(2.0, "%", 2.0, 2.0)
    (chart,) = weak.evidence.charts
    assert (chart.series[0].x.size, chart.series[0].y[-1]) == (24, 98.0)
    rpm = np.linspace(500.0, 6000.0, T.size)
    low = {each.kind: each for each in machine(run(voltage_utilisation=rpm / 100.0), ANY, Vehicle())}
    never = low["machine.field_weakening"]
    assert never.measured["onset_rpm"] == Measured(None, "rpm", pytest.approx(5885.0, abs=10.0), None)
    head = never.measured["headroom_percent"]
    assert head.value == pytest.approx(100.0 - 58.85, abs=0.1)
    assert head.low < head.value < head.high  # type: ignore[operator]
    assert "was left" in never.explanation
    by_amps = machine(run(voltage_utilisation=None, motor_current=np.full(T.size, 200.0)), ANY, Vehicle())
    assert by_amps[1].measured["onset_rpm"].value is None
    assert "headroom_percent" not in by_amps[1].measured
    assert len(machine(run(voltage_utilisation=None), ANY, Vehicle())) == 1
    with pytest.raises(NothingToCheck, match="never drives forward"):
        machine(run(torque=np.full(T.size, -50.0)), ANY, Vehicle())


@pytest.mark.parametrize(
    ("torque", "amps", "known"),
    [
        (100.0 - 4.0 * (np.arange(T.size) < 130), 200.0, True),  # the first bins are level within a twentieth
        (100.0 - 6.0 * (np.arange(T.size) < 130), 200.0, False),
        (np.where(np.arange(T.size) < 300, 94.0, 100.0), 200.0, False),  # the plateau is not the highest
        (np.where(np.arange(T.size) < 300, 96.0, 100.0), 200.0, True),
        (100.0, np.where(np.arange(T.size) % 2 == 0, 200.0, 161.0), True),
        (np.where(np.arange(T.size) % 2 == 0, 100.0, 10.0), np.where(np.arange(T.size) % 2 == 0, 200.0, 159.0), True),
        (-100.0, 200.0, False),  # never under load
    ],
)
def test_torque_per_ampere_needs_a_plateau_of_like_currents(torque: Any, amps: Any, known: bool) -> None:
    one = points(torque, np.linspace(500.0, 6000.0, T.size))
    current = part("motor_current", T, np.broadcast_to(np.asarray(amps, float), T.shape))
    found = find_weakening(one, signals(current))
    assert (found is not None) is known
    if known:
        assert found.curve.median[0] == pytest.approx(float(np.max(one.torque)) / 200.0, rel=0.25)  # type: ignore[union-attr]


def slipping(per_amp: Any, slip: Any = None) -> Any:
    """Slip from 0.5 to 6.5 Hz in steps of 0.5 Hz; torque per ampere by slip, 100 A."""
    hz = 0.5 + 0.5 * (np.arange(T.size) % 13) if slip is None else slip
    amps = np.full(T.size, 100.0)
    torque = 100.0 * per_amp(hz)
    made = signals(
        part("slip", T, hz),
        part("motor_current", T, amps),
        part("torque", T, torque),
        part("motor_speed", T, 0 * T + 900),
    )
    return points(torque, 900.0), made


def test_torque_per_ampere_is_highest_at_its_slip_with_those_that_do_not_differ() -> None:
    """A parabola about 3 Hz; twelve bins of half a hertz."""
    noise = np.random.default_rng(4).normal(0.0, 0.002, T.size)
    span = ((0.0, 59.95),)
    one, made = slipping(lambda hz: 0.8 - 0.02 * (hz - 3.0) ** 2 + noise)
    (found,) = _slip(one, made, Vehicle(), span)
    assert found.kind == "machine.slip"
    peak = found.measured["slip_Hz"]
    assert (peak.value, peak.low, peak.high) == pytest.approx((3.0, 2.75, 3.25), abs=0.01)
    force = found.measured["torque_per_ampere_Nm_per_A"]
    assert (force.value, force.unit) == (pytest.approx(0.8, abs=1e-3), "Nm/A")
    assert force.low < force.value < force.high  # type: ignore[operator]
    assert "at the end" not in found.title
    one, made = slipping(lambda hz: 0.4 + 0.05 * hz + noise)
    (rising,) = _slip(one, made, Vehicle(), span)
    assert "highest, at the end of what was driven," in rising.title
    flat, made = slipping(lambda hz: 0.8 + 0.0 * hz + noise)
    wide = _slip(flat, made, Vehicle(), span)[0].measured["slip_Hz"]
    assert wide.high - wide.low > 4.0  # type: ignore[operator]


def test_idle_samples_do_not_count_towards_the_slip() -> None:
    """Below a tenth of the largest current."""
    noise = np.random.default_rng(4).normal(0.0, 0.002, T.size)
    one, made = slipping(lambda hz: 0.8 - 0.02 * (hz - 3.0) ** 2 + noise)
    torque, amps = one.torque.copy(), np.full(T.size, 100.0)
    amps[::2], torque[::2] = 9.9, 9.9 * 3.0
    few = signals(
        *(each for each in made.parts.values() if each.name != "motor_current"), part("motor_current", T, amps)
    )
    (found,) = _slip(replace(one, torque=torque), few, Vehicle(), ((0.0, 59.95),))
    assert found.measured["torque_per_ampere_Nm_per_A"].value == pytest.approx(0.8, abs=2e-3)
    alone = signals(made["slip"])
    assert _slip(one, alone, Vehicle(), ((0.0, 59.95),)) == []
    assert _slip(one, signals(), Vehicle(), ((0.0, 59.95),)) == []


def test_slip_is_said_with_where_it_lies() -> None:
    words = slip_words(Measured(3.0, "Hz", 2.5, 3.5), True)
    assert plain(words.title) == "Motor: torque per ampere is highest at 3.00 Hz slip"
    assert plain(words.explanation).startswith("From 2.50 to 3.50 Hz it does not differ")
    found = Synchronous(Measured(0.05, "Hz", 0.01, 0.09), Measured(0.04, "s", 0.035, 0.045))
    known = synchronous_words(found, known=True)
    assert "The speed reading lags by 40 ms" in plain(known.explanation).replace("40.0", "40")
    assert "lags by" not in synchronous_words(found, known=False).explanation
    assert "a slip of 0.050 Hz (95 %: 0.010 to 0.090 Hz) remains" in plain(known.method)
    assert not words.hands_near_hv
    assert not known.hands_near_hv


def lagging(slip_hz: float = 0.0, lag_s: float = 0.04, noise: float = 0.02) -> tuple[Points, np.ndarray]:
    """Four pole pairs; speed and torque swing by themselves. It reads slip · share of torque + lag · rate."""
    rng = np.random.default_rng(5)
    rpm = 2500.0 + 1500.0 * np.sin(T / 3.0) + 300.0 * np.sin(T / 0.9)
    rate = 4.0 / 60.0 * (500.0 * np.cos(T / 3.0) + 300.0 / 0.9 * np.cos(T / 0.9))
    torque = 100.0 * np.sin(T / 2.1)
    seen = slip_hz * torque / 100.0 + lag_s * rate + rng.normal(0.0, noise, T.size)
    return points(torque, -rpm), seen


@pytest.mark.parametrize(("slip_hz", "synchronous"), [(0.0, True), (0.2, True), (0.4, False), (-0.4, False)])
def test_a_motor_is_synchronous_where_next_to_no_slip_is_left_at_full_torque(slip_hz: float, synchronous: bool) -> None:
    """0.3 Hz at the most; the lag of 40 ms is what follows the acceleration."""
    one, seen = lagging(slip_hz)
    found = find_synchronous(one, seen, 4.0 / 60.0)
    assert (found is not None) is synchronous
    if found is not None:
        assert found.slip_hz.value == pytest.approx(slip_hz, abs=0.02)
        assert found.lag_s.value == pytest.approx(0.04, rel=0.03)
        for each in (found.slip_hz, found.lag_s):
            assert each.low < each.value < each.high  # type: ignore[operator]
        assert found.lag_s.high - found.lag_s.low < 0.004  # type: ignore[operator]
    fast = replace(one, rpm=one.rpm * 2.0)
    assert (find_synchronous(fast, seen, 4.0 / 60.0) is not None) is (abs(slip_hz) < 0.5)  # 580 Hz · 10⁻³


def test_a_synchronous_motor_is_a_finding_with_a_lag_where_its_pole_pairs_are_known() -> None:
    one, seen = lagging()
    made = signals(part("slip", T, seen))
    (known,) = _slip(one, made, Vehicle(motor=Motor(pole_pairs=4)), ((0.0, 59.95),))
    assert known.kind == "machine.synchronous"
    assert known.measured["lag_s"].value == pytest.approx(0.04, rel=0.03)
    (other,) = _slip(one, made, Vehicle(), ((0.0, 59.95),))
    assert list(other.measured) == ["slip_Hz"]


def test_too_little_driving_says_nothing_of_slip() -> None:
    one, seen = lagging()
    for rows, known in ((slice(0, 100), True), (slice(0, 95), False)):  # twenty quarters of a second of five samples
        short = Points(one.time_s[rows], one.held_s[rows], one.rpm[rows], one.torque[rows])
        assert (_blocks(short, seen[rows], 4.0 / 60.0) is not None) is known
    assert find_synchronous(replace(one, torque=0.0 * T), seen, 4.0 / 60.0) is None
    assert (
        find_synchronous(replace(one, torque=np.full(T.size, 50.0)), seen, 4.0 / 60.0) is None
    )  # nothing to tell apart
    still = replace(one, rpm=np.where(T < 56.0, 0.0, one.rpm))
    assert find_synchronous(still, seen, 4.0 / 60.0) is None


def test_rows_are_means_and_rates_over_a_quarter_of_a_second() -> None:
    """Five samples: slip 0 to 4, 5 to 9 …; the frequency rises by a tenth of a hertz a sample, 2 Hz/s."""
    count = np.arange(T.size, dtype=float)
    slip, torque, rate, top_hz = _blocks(points(count * 2.0, 1.0 + count), count, 0.1)  # type: ignore[misc]
    assert slip[:3].tolist() == [2.0, 7.0, 12.0]
    assert torque[:3].tolist() == [4.0, 14.0, 24.0]
    assert rate == pytest.approx(2.0)
    assert top_hz == pytest.approx(120.0)


def test_seldom_samples_make_rows_of_three_and_a_row_spans_two_fifths_of_its_time() -> None:
    """Every 0.125 s: a row lasts three of them. One whose readings lie within 0.1 s is none."""
    at = 0.125 * np.arange(240)
    count = np.arange(240.0)
    slip, _, rate, _ = _blocks(points(count, 1.0 + count, at), count, 0.1)  # type: ignore[misc]
    assert slip[:3].tolist() == [1.0, 4.0, 7.0]
    assert rate == pytest.approx(0.8)
    for apart_s, known in ((0.04, False), (0.06, True)):  # three readings a quarter of a second, over 80 or 120 ms
        close = (0.25 * np.arange(240)[:, np.newaxis] + apart_s * np.arange(3)).ravel()
        one = points(0.0, 1.0 + np.arange(close.size), close)
        assert (_blocks(one, np.zeros(close.size), 0.1) is not None) is known


def test_the_robust_line_is_hubers() -> None:
    """statsmodels RLM: Huber's t with the same constant; its scale by the median absolute deviation of residuals."""
    rng = np.random.default_rng(6)
    columns = np.column_stack([np.ones(200), rng.normal(size=200), rng.normal(size=200)])
    y = columns @ np.array([1.0, 2.0, -3.0]) + rng.normal(0.0, 0.2, 200)
    y[:20] += 5.0
    found = _robust_line(columns, y)
    assert found is not None
    oracle = sm.RLM(y, columns, M=sm.robust.norms.HuberT(1.345)).fit(maxiter=100, tol=1e-10)
    assert found[0] == pytest.approx(oracle.params, abs=0.01)
    assert np.sqrt(np.diag(found[1])) == pytest.approx(oracle.bse, rel=0.1)
    clean = _robust_line(columns[20:], y[20:])
    plain_line = sm.OLS(y[20:], columns[20:]).fit(cov_type="HC0")
    assert np.sqrt(np.diag(clean[1])) == pytest.approx(plain_line.bse, rel=0.12)  # type: ignore[index]
    assert _robust_line(np.column_stack([columns[:, 0], columns[:, 0]]), y) is None


def test_limits_of_a_median_are_those_of_a_sign_test() -> None:
    """Of 400 rows in each bin the ranks of scipy's binomial, one to the outer side at most."""
    at = np.repeat(np.arange(3.0), 400)
    value = np.tile(np.random.default_rng(7).permutation(np.arange(400.0)), 3)
    found = by_bins(at, value, 3)
    assert found is not None
    low, high = stats.binom.ppf([0.025, 0.975], 400, 0.5)
    assert low - 2 <= found.low[0] <= low
    assert high - 1 <= found.high[0] <= high + 2
    assert by_bins(at[:59], value[:59], 3) is None
    assert by_bins(np.repeat([0.0, 1.0], 400), value[:800], 3) is None  # two bins
    gaps = value.copy()
    gaps[::2] = np.nan
    assert np.isfinite(by_bins(at, gaps, 3).median).all()  # type: ignore[union-attr]
